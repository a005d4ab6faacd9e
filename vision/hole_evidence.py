"""What the photo round one hole says for a drawn circle: its edges, the colour of the face about it, the reader's maps.

A hole's mouth is where the face ends: about it all is face, whatever lies within. The brightest edge is often another
one, of the bench seen through the hole or of the shadow on it, and leaves a crescent outside that is no face.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.classify import PatchReading
from vision.fitting import median, quantile
from vision.measure import HoleEdges
from vision.patch import Patch
from vision.plane import Plane

Array = NDArray[np.float64]
Image = NDArray[np.float32]

AROUND: Final = 24  # points on a drawn circle
TURN: Final = np.linspace(0.0, 2.0 * np.pi, AROUND, endpoint=False)
UNIT: Final = np.column_stack([np.cos(TURN), np.sin(TURN)])
QUARTER: Final = AROUND // 4
SMOOTHING_PX: Final = 0.8
REACH: Final = 4.2  # of the reader's radius: countersinks and enough face about them
NEAR: Final = 2.6  # of it: within this the strongest edges are the hole's own
STRONG: Final = 0.3  # of the strong edges nearby: an edge that counts as half
WEAK: Final = 0.25  # of that: so that a faint rim counts beside a glint
LEAST_STRONG: Final = 1.5  # grey levels a pixel
NOISE: Final = 1.5  # of the face's own usual gradient: less is no edge
SURE_FACE: Final = (0.7, 0.25)  # the maps' face and openings, for pixels that tell the face's colour
LEAST_FACE: Final = 60  # pixels
MOST_FACE: Final = 3000  # pixels: of more every fourth
FACE_NOISE: Final = 0.12  # of the root of a grey level: compression of the plainest face
OTHER: Final = 4.0  # squared distance from the face's colour that counts as half, in its own spread
OTHER_SOFT: Final = 2.0  # after smoothing
BESIDE_MM: Final = 0.15  # a circle's inside and outside are looked at this far beside it, or a pixel
FARTHER: Final = (2.2, 3.6)  # of that: how far outside all must still be face
MAP_BESIDE: Final = 1.3  # the same on the maps, patch pixels
SUM: Final = np.ones((1, 3), dtype=np.float32)  # of three colours, by cv2.transform
LEAN_MM: Final = 0.12  # depth at which the reader sees a mouth
SEEN_DEPTH: Final = 0.75  # of a cone's depth: where the reader sees its through hole


@dataclass(frozen=True, slots=True)
class FaceMaps:
    """The reader's maps (H, W) of face, openings (holes, reliefs, screw heads) and of these with countersinks."""

    face: Image
    opening: Image
    mouth: Image
    to_map: Array  # (2, 3) photo pixels to map pixels

    def radii_px(self, holes: tuple[HoleEdges, ...]) -> Array:
        """Radius (N,) of the opening that the reader sees at each hole, in photo pixels; of its edge where it sees none."""
        _, labels, stats, _ = cv2.connectedComponentsWithStats((self.opening > 0.5).astype(np.uint8), connectivity=4)
        at = np.array([hole.center_px for hole in holes]).reshape(-1, 2)
        at = np.round(at @ self.to_map[:, :2].T + self.to_map[:, 2]).astype(int)
        column, row = np.clip(at, 0, np.array(labels.shape[::-1]) - 1).T
        own_label = labels[row, column]
        shared = np.bincount(own_label)[own_label]  # holes close together are one opening on the map
        area = stats[own_label, cv2.CC_STAT_AREA] / shared / abs(float(np.linalg.det(self.to_map[:, :2])))
        own = [0.0 if h.through_px is None else cv2.contourArea(h.through_px.astype(np.float32)) for h in holes]
        area = np.where(own_label > 0, area, own)
        return np.asarray(np.sqrt(np.maximum(area / np.pi, 1.0)))


@dataclass(frozen=True, slots=True)
class Window:
    """The photo round one hole and the local camera; x, y and depth in the plane's unit, off the reader's centre."""

    gradient: Image  # (H, W, 6) of the three colours to the right, then down
    strong: float
    weak: float
    other: Image  # (H, W, 2) how unlike the face's colour, sharp and smoothed, 0 to 1
    mouth: Image  # (H, W) reader's maps
    opening: Image
    origin: Array  # (2,) photo pixels
    centre_px: Array  # (2,) the reader's, on the face
    affine: Array  # (2, 2) plane's unit on the face to pixels
    drop: Array  # (2,) pixels by which a point moves for each unit that it lies lower
    radius: float  # the reader's
    beside: float
    map_beside: float
    lean: float  # LEAN_MM in the plane's unit

    @property
    def slope(self) -> Array:
        """How far along the face a point seems to move for each unit that it lies lower, (2,)."""
        return np.asarray(np.linalg.inv(self.affine) @ self.drop)

    def places(self, x: Array, y: Array, radius: Array, depth: Array) -> tuple[Image, Image]:
        """Where drawn circles lie in the window, x and y (K, AROUND) each."""
        (ax, bx), (ay, by) = self.affine
        circle_x, circle_y = (self.affine @ UNIT.T).astype(np.float32)
        at_x, at_y = self.centre_px - self.origin
        middle_x = (at_x + ax * x + bx * y + depth * self.drop[0]).astype(np.float32)
        middle_y = (at_y + ay * x + by * y + depth * self.drop[1]).astype(np.float32)
        wide = np.asarray(radius, dtype=np.float32)[:, None]
        return middle_x[:, None] + wide * circle_x, middle_y[:, None] + wide * circle_y

    def edge(self, x: Array, y: Array, radius: Array, depth: Array) -> Image:
        """Gradient (K, AROUND) of the photo across drawn circles, grey levels a pixel."""
        across = UNIT @ np.linalg.inv(self.affine)  # normal of the ellipse
        across /= np.linalg.norm(across, axis=1, keepdims=True)
        to_right, down = across.astype(np.float32).T
        g = _sampled(self.gradient, self.places(x, y, radius, depth))
        red, green, blue = (g[..., i] * to_right + g[..., 3 + i] * down for i in range(3))
        return np.asarray(np.sqrt(red * red + (green * green + blue * blue)), dtype=np.float32)


def _sampled(image: Image, places: tuple[Image, Image]) -> Image:
    return np.asarray(cv2.remap(image, *places, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)


def maps_of_reader(reading: PatchReading, patch: Patch) -> FaceMaps:
    """The reader's maps as `fit_holes` uses them."""
    shut = (1.0 - reading.map("hole")) * (1.0 - reading.map("relief")) * (1.0 - reading.map("screw_head"))
    linear = np.linalg.inv(patch.to_px[:, :2])
    to_map = np.column_stack([linear, -linear @ patch.to_px[:, 2]])
    return FaceMaps(reading.map("face"), 1.0 - shut, 1.0 - shut * (1.0 - reading.map("countersink")), to_map)


def maps_without_reader(shape: tuple[int, ...], holes: tuple[HoleEdges, ...]) -> FaceMaps:
    """Maps on the photo's own pixels that say no more than the edges first found."""
    opening, mouth = np.zeros(shape[:2], np.uint8), np.zeros(shape[:2], np.uint8)
    for hole in holes:
        for picture, edges in (
            (opening, (hole.through_px,)),
            (mouth, (hole.through_px, hole.cone_px, hole.countersink_px)),
        ):
            for edge in edges:
                if edge is not None:
                    cv2.fillPoly(picture, [np.round(edge).astype(np.int32)], 1)
    soft_opening, soft_mouth = (
        np.asarray(cv2.GaussianBlur(m.astype(np.float32), (0, 0), 1.0), dtype=np.float32) for m in (opening, mouth)
    )
    return FaceMaps(1.0 - soft_mouth, soft_opening, soft_mouth, np.eye(2, 3))


def window_round(
    pixels: NDArray[np.uint8],
    at: Array,
    radius_px: float,
    plane: Plane,
    thickness: float,
    maps: FaceMaps,
    unit_mm: float,
) -> Window | None:
    """The photo round a hole, None where there is next to nothing of it.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    at, radius_px
        Where and how wide the reader saw it, photo pixels.
    plane : Plane
    thickness : float
        Height of the face in the plane's unit.
    maps : FaceMaps
    unit_mm : float
        Millimetres in the plane's unit.
    """
    reach = REACH * radius_px + 6.0
    h, w = pixels.shape[:2]
    x0, y0 = (int(max(v, 0)) for v in np.floor(at - reach))
    x1, y1 = int(min(at[0] + reach + 1, w)), int(min(at[1] + reach + 1, h))
    if x1 - x0 < 8 or y1 - y0 < 8:
        return None
    colour = cv2.GaussianBlur(pixels[y0:y1, x0:x1].astype(np.float32), (0, 0), SMOOTHING_PX)
    to_right, down = (cv2.Sobel(colour, cv2.CV_32F, *axis, ksize=3, scale=0.125) for axis in ((1, 0), (0, 1)))
    gradient = np.asarray(cv2.merge([to_right, down]), dtype=np.float32)
    origin = np.array([x0, y0], dtype=float)
    local = maps.to_map.copy()
    local[:, 2] += local[:, :2] @ origin
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen_face, opening, mouth = (
        np.asarray(cv2.warpAffine(m, local, (x1 - x0, y1 - y0), flags=flags), dtype=np.float32)
        for m in (maps.face, maps.opening, maps.mouth)
    )
    map_px = 1.0 / float(np.sqrt(abs(np.linalg.det(maps.to_map[:, :2]))))
    spread = 2 * round(2.0 * map_px) + 1
    wide = cv2.dilate(mouth, np.ones((spread, spread), np.uint8))
    face = (seen_face > SURE_FACE[0]) & (wide < SURE_FACE[1])
    across, along = ((np.arange(start, end) - a) / radius_px for start, end, a in ((x0, x1, at[0]), (y0, y1, at[1])))
    size = np.sqrt(cv2.transform(to_right * to_right + down * down, SUM))
    near = (across * across)[None] + (along * along)[:, None] < (NEAR + 4.0 / radius_px) ** 2
    strong = max(STRONG * float(quantile(size[near], 0.97)), LEAST_STRONG)
    noise = median(size[face]) if face.sum() > LEAST_FACE else 1.0
    on_face = plane.to_mm(at[None], thickness)[0]
    half_mm = 0.5 / unit_mm
    round_it = plane.to_px(on_face + np.array([[0.0, 0.0], [half_mm, 0.0], [0.0, half_mm]]), thickness)
    affine = np.stack([round_it[1] - round_it[0], round_it[2] - round_it[0]], axis=1) / half_mm
    step = 0.25 * thickness
    drop = (plane.to_px(on_face[None], thickness - step)[0] - round_it[0]) / step
    px = float(np.sqrt(abs(np.linalg.det(affine))))
    return Window(
        gradient=gradient,
        strong=strong,
        weak=max(WEAK * strong, NOISE * noise),
        other=_unlike_face(np.asarray(colour, dtype=np.float32), face, across, along),
        mouth=mouth,
        opening=opening,
        origin=origin,
        centre_px=at,
        affine=affine,
        drop=drop,
        radius=radius_px / px,
        beside=float(np.hypot(BESIDE_MM / unit_mm, 1.0 / px)),
        map_beside=MAP_BESIDE * map_px / px,
        lean=LEAN_MM / unit_mm,
    )


def _unlike_face(colour: Image, face: NDArray[np.bool_], across: Array, along: Array) -> Image:
    """How unlike the face about the hole each pixel's colour is, sharp and smoothed, (H, W, 2), 0 to 1.

    The face's colour may change evenly over the window; roots of grey levels make noise even. `across` (W,) and `along`
    (H,) say where the columns and rows lie, in radii off the hole.
    """
    if face.sum() < LEAST_FACE:
        return np.full((*face.shape, 2), 0.5, dtype=np.float32)
    root = np.sqrt(np.maximum(colour, 0.0))
    x, y = np.clip(across, -3.0, 3.0), np.clip(along, -3.0, 3.0)
    every = face.copy()
    if face.sum() > MOST_FACE:
        every[1::2], every[:, 1::2] = False, False
    row, column = np.nonzero(every)
    values = np.ascontiguousarray(root[row, column].T, dtype=np.float64)  # (3, N): long rows are quick
    design = np.stack([np.ones(len(row)), x[column], y[row]])
    weight = np.ones(len(row))
    for _ in range(4):
        normal = design * (weight * weight)
        plane = np.linalg.solve(normal @ design.T + 1e-6 * np.eye(3), normal @ values.T)
        rest = values - plane.T @ design
        away = np.sqrt((rest * rest).sum(axis=0))
        weight = 1.0 / (1.0 + (away / (2.0 * median(away) + 1e-6)) ** 2)
    weighed = rest * weight
    covariance = weighed @ weighed.T / float((weight * weight).sum()) + np.eye(3) * FACE_NOISE**2
    to_white = np.linalg.cholesky(np.linalg.inv(covariance)).T
    of_row, of_column = plane[0] + y[:, None] * plane[2], x[:, None] * plane[1]
    rows = root.reshape(len(root), -1)  # every row as one: NumPy is slow where the last axis is short
    rows -= np.tile(of_row.astype(np.float32), len(x))
    rows -= of_column.astype(np.float32).ravel()
    whitened = cv2.transform(root, to_white.astype(np.float32))
    square = cv2.transform(whitened * whitened, SUM / np.float32(3.0))
    smooth = cv2.GaussianBlur(np.sqrt(square), (0, 0), SMOOTHING_PX) ** 2
    unlike = cv2.merge([square / (square + np.float32(OTHER)), smooth / (smooth + np.float32(OTHER_SOFT))])
    return np.asarray(unlike, dtype=np.float32)


def mouth_evidence(window: Window, x: Array, y: Array, radius: Array) -> Array:
    """What speaks for the face to end at drawn circles, (K, 12): edges, colour inside and outside, the reader's map."""
    face = np.zeros(len(radius))
    gradient = window.edge(x, y, radius, face)
    columns = [(gradient / (gradient + np.float32(half))).mean(axis=1) for half in (window.strong, window.weak)]
    least = 0.15 * window.radius
    inside = _sampled(window.other, window.places(x, y, np.maximum(radius - window.beside, least), face))
    outside = _sampled(window.other, window.places(x, y, radius + window.beside, face))
    columns += [inside[..., 0].mean(axis=1), outside[..., 0].mean(axis=1), _most(outside[..., 1])]
    smooth = np.ascontiguousarray(window.other[..., 1])
    for far in FARTHER:
        beyond = _sampled(smooth, window.places(x, y, radius + far * window.beside, face))
        columns += [beyond.mean(axis=1), _most(beyond)]
    columns.append(-_most(-inside[..., 1]))
    shift = window.slope * window.lean
    for moved in (-window.map_beside, window.map_beside):
        places = window.places(x + shift[0], y + shift[1], np.maximum(radius + moved, least), face)
        columns.append(_sampled(window.mouth, places).mean(axis=1))
    return np.stack(columns, axis=1).astype(np.float64)


def _most(values: Image) -> Image:
    """Mean of the greatest quarter of each row."""
    kept = AROUND - QUARTER
    return np.asarray(np.partition(values, kept, axis=1)[:, kept:].mean(axis=1), dtype=np.float32)


def through_evidence(window: Window, x: Array, y: Array, radius: Array, depth: Array) -> Array:
    """What speaks for a countersink's through edge at drawn circles, (K, 3): its edge, the reader's map in and out."""
    gradient = window.edge(x, y, radius, depth)
    columns = [(gradient / (gradient + np.float32(window.strong))).mean(axis=1)]
    for moved in (-window.map_beside, window.map_beside):
        wide = np.maximum(radius + moved, 0.15 * window.radius)
        columns.append(_sampled(window.opening, window.places(x, y, wide, SEEN_DEPTH * depth)).mean(axis=1))
    return np.stack(columns, axis=1).astype(np.float64)
