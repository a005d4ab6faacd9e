"""Coins and things that are none, drawn: quick pictures of many kinds for the network that sees a coin's rim.

Nothing here looks like one real coin. Metal, bench, light, relief, rim, bevel, wall and shadow all vary more than they do
on benches, so that what they have in common is what is learned: the rim is where the disc ends and the bench begins.
"""

from __future__ import annotations

import math
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.scale.coins import COINS

Array = NDArray[np.float64]
Picture = NDArray[np.float32]  # (H, W, 3), 0 to 255

SIDE: Final = 288  # drawn twice as large as it is kept
REACH: Final = 1.45  # of the radius: what a crop shows to each side
MOST_TILT: Final = 0.62  # rad
BESIDE: Final = 0.12  # spread of the slope of the ray to a coin: half a 50 mm picture is 0.4 wide
METALS: Final = (
    (188, 112, 82), (206, 140, 104), (112, 70, 52), (70, 46, 38), (196, 196, 192), (150, 150, 148), (118, 116, 112),
    (88, 86, 84), (206, 176, 104), (170, 140, 78), (124, 104, 62), (222, 222, 220), (232, 196, 160),
)  # fmt: skip


def noise(rng: np.random.Generator, cells: float, octaves: int = 3) -> NDArray[np.float32]:
    """Smooth noise of mean 0 and about unit spread, (SIDE, SIDE)."""
    total = np.zeros((SIDE, SIDE), np.float32)
    for k in range(octaves):
        n = max(2, int(cells * 2**k))
        grid = rng.normal(0, 1, (min(n, SIDE), min(n, SIDE))).astype(np.float32)
        total += cv2.resize(grid, (SIDE, SIDE), interpolation=cv2.INTER_CUBIC) * 0.6**k
    return np.asarray(total / max(float(total.std()), 1e-6), np.float32)


def bench(rng: np.random.Generator) -> Picture:
    """A bench: plain, grained, woven, ruled or printed."""
    base = np.array(rng.choice([rng.uniform(25, 240), rng.uniform(90, 230)])) * np.ones(3)
    base = base * (1.0 + rng.normal(0, 0.16, 3) * rng.choice([0.3, 1.0, 1.6]))
    picture = np.ones((SIDE, SIDE, 3), np.float32) * base.astype(np.float32)
    kind = int(rng.integers(0, 7))
    depth = float(rng.choice([0.02, 0.06, 0.15, 0.28]))
    if kind in (1, 2):  # wood: long stripes
        n = int(rng.integers(6, 90))
        grid = rng.normal(0, 1, (n, int(rng.integers(2, 6)))).astype(np.float32)
        stripes = cv2.resize(grid, (SIDE * 2, SIDE * 2), interpolation=cv2.INTER_CUBIC)
        wobble = cv2.resize(
            rng.normal(0, 1, (4, 4)).astype(np.float32), (SIDE * 2, SIDE * 2), interpolation=cv2.INTER_CUBIC
        )
        turn = cv2.getRotationMatrix2D((SIDE, SIDE), float(rng.uniform(0, 360)), 1.0)
        turn[:, 2] -= SIDE / 2
        stripes = cv2.warpAffine(stripes + 0.5 * wobble, turn, (SIDE, SIDE))
        picture *= (1.0 + depth * stripes)[:, :, None]
    elif kind == 3:  # lines: a mat, tiles, squared paper
        ink = base * rng.uniform(0.4, 1.9)
        pitch, turn = rng.uniform(14, 200), rng.uniform(0, math.pi)
        for t in (turn, turn + math.pi / 2):
            along, across = np.array([math.cos(t), math.sin(t)]), np.array([-math.sin(t), math.cos(t)])
            for k in range(-40, 40):
                p = SIDE / 2 + across * (k + 0.37) * pitch
                a, b = p - along * SIDE, p + along * SIDE
                cv2.line(picture, _at(a), _at(b), ink.tolist(), int(rng.integers(1, 5)), cv2.LINE_AA, 4)
    elif kind == 4:  # print
        ink = tuple(float(v) for v in base * rng.uniform(0.15, 0.6))
        size = rng.uniform(0.4, 2.2)
        layer = np.clip(picture, 0, 255).astype(np.uint8)
        for y in np.arange(0, SIDE + 40, 26 * size):
            text = "".join(rng.choice(list("aeinorstlkmdhABCR 0157,."), 60))
            cv2.putText(
                layer, text, (int(rng.integers(-30, 0)), int(y)), 1, size, ink, max(1, int(1.4 * size)), cv2.LINE_AA
            )
        turn = cv2.getRotationMatrix2D((SIDE / 2, SIDE / 2), float(rng.uniform(-40, 40)), 1.45)
        picture = np.asarray(cv2.warpAffine(layer, turn, (SIDE, SIDE), borderMode=cv2.BORDER_REFLECT), np.float32)
    elif kind == 5:  # stone, speckles
        picture *= (1.0 + depth * noise(rng, rng.uniform(10, 60), 3))[:, :, None]
    picture *= (1.0 + 0.5 * depth * noise(rng, rng.uniform(2, 8)) + 0.02 * noise(rng, 200, 1))[:, :, None]
    return np.clip(picture, 4, 250)


def _at(p: Array) -> tuple[int, int]:
    return round(float(p[0]) * 16), round(float(p[1]) * 16)


def _fill(edge: Array) -> NDArray[np.float32]:
    mask = np.zeros((SIDE, SIDE), np.uint8)
    cv2.fillPoly(mask, [np.round(edge * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return mask.astype(np.float32) / 255.0


def _mix(picture: Picture, colour: NDArray[np.float32] | Array, share: NDArray[np.float32]) -> Picture:
    return np.asarray(picture + (np.asarray(colour, np.float32) - picture) * share[:, :, None], np.float32)


def _profile(rng: np.random.Generator, angle: Array) -> Array:
    """Distance of the edge from the centre over its mean: 1, or that of a coin with sides."""
    if rng.random() > 0.12:
        return np.ones_like(angle)
    coin = COINS[str(rng.choice([name for name, c in COINS.items() if c.sides]))]
    edge = coin.edge_mm / (coin.mean_diameter_mm / 2.0)
    place = (angle * coin.sides / (2.0 * np.pi)) % 1.0
    return np.interp(place, np.linspace(0.0, 1.0, len(edge)), edge)


def _relief(rng: np.random.Generator) -> NDArray[np.float32]:
    """Height of an invented stamp in the coin's own square, (SIDE, SIDE), the coin's radius being SIDE / 2."""
    h = np.zeros((SIDE, SIDE), np.float32)
    c = SIDE / 2
    for _ in range(int(rng.integers(0, 10))):  # a head, a plant, a building
        p = rng.normal(c, 0.22 * c, 2)
        size = rng.uniform(0.05, 0.45, 2) * c
        level = float(rng.uniform(0.2, 1.0))
        if rng.random() < 0.6:
            cv2.ellipse(h, (p, tuple(2 * size), float(rng.uniform(0, 180))), level, -1, cv2.LINE_AA)
        else:
            box = cv2.boxPoints((tuple(p), tuple(size), float(rng.uniform(0, 180))))
            cv2.fillPoly(h, [np.round(box).astype(np.int32)], level, cv2.LINE_AA)
    if rng.random() < 0.4:
        text, size = str(rng.integers(1, 100)), rng.uniform(3, 7)
        figure = np.zeros((SIDE, SIDE), np.uint8)  # OpenCV 5 writes on 8 bits only
        place = (int(c - 10 * size * len(text)), int(c + 10 * size))
        cv2.putText(figure, text, place, 0, size, 255, int(4 * size), cv2.LINE_AA)
        h = np.maximum(h, figure.astype(np.float32) / 255.0)
    for radius in (0.8, 0.6):
        if rng.random() < 0.6:  # letters round the edge
            r = radius + rng.uniform(-0.05, 0.08)
            for turn in np.arange(rng.uniform(0, 3), rng.uniform(3, 6.5), rng.uniform(0.1, 0.25)):
                p = c + r * c * np.array([math.cos(turn), math.sin(turn)])
                q = rng.normal(0, 0.05 * c, (4, 2)) + p
                cv2.polylines(h, [np.round(q).astype(np.int32)], False, 0.8, int(rng.integers(3, 8)), cv2.LINE_AA)
    if rng.random() < 0.35:  # beads or stars
        r, n = rng.uniform(0.8, 0.93), int(rng.integers(8, 70))
        for turn in np.arange(n) * 2 * math.pi / n:
            p = c + r * c * np.array([math.cos(turn), math.sin(turn)])
            cv2.circle(
                h,
                tuple(np.round(p).astype(int)),
                max(1, int(rng.uniform(0.3, 0.6) * r * c * math.pi / n)),
                0.8,
                -1,
                cv2.LINE_AA,
            )
    for _ in range(int(rng.choice([0, 0, 1, 2]))):  # rings
        cv2.circle(h, (int(c), int(c)), int(rng.uniform(0.4, 0.95) * c), 0.8, int(rng.integers(2, 9)), cv2.LINE_AA)
    return np.asarray(cv2.GaussianBlur(h, (0, 0), float(rng.uniform(0.8, 5.0))), np.float32)


def _light(rng: np.random.Generator) -> NDArray[np.float32]:
    """Unevenness of light over the picture, sometimes with the edge of a shade across it."""
    yy, xx = np.mgrid[-1 : 1 : SIDE * 1j, -1 : 1 : SIDE * 1j].astype(np.float32)  # type: ignore[misc]
    turn = rng.uniform(0, 2 * math.pi)
    slope = np.cos(turn) * xx + np.sin(turn) * yy
    field = 1.0 + rng.normal(0, 0.12) * slope
    if rng.random() < 0.25:
        turn = rng.uniform(0, 2 * math.pi)
        away = np.cos(turn) * xx + np.sin(turn) * yy + rng.uniform(-0.6, 0.6) + rng.normal(0, 0.1) * (xx * yy)
        field *= 1.0 - rng.uniform(0.2, 0.65) / (1.0 + np.exp(-away / rng.uniform(0.01, 0.15)))
    return np.asarray(field, np.float32)


def draw(
    rng: np.random.Generator, ground: NDArray[np.uint8] | None = None, *, coin: bool = True
) -> tuple[NDArray[np.uint8], Array, Array]:
    """One crop (SIDE / 2, SIDE / 2, 3), the face's edge (360, 2) in it and where its wall ends (N, 2), px.

    Without `coin` of a round thing that is none.

    `ground` is a picture to lay the thing on, (SIDE, SIDE, 3); without it a bench is drawn.
    """
    picture = bench(rng) if ground is None else ground.astype(np.float32)
    radius = SIDE / 2 / REACH
    turns = np.arange(360) * (2 * math.pi / 360)
    tilt = abs(rng.normal(0, 0.24)) % MOST_TILT
    lean = rng.uniform(0, 2 * math.pi)
    centre = np.full(2, (SIDE - 1) / 2.0)
    d = np.array([math.cos(lean), math.sin(lean)])
    spin = rng.uniform(0, 2 * math.pi)
    to_px = np.eye(2) - (1.0 - math.cos(tilt)) * np.outer(d, d)
    form = _profile(rng, turns)
    edge_u = form[:, None] * np.column_stack([np.cos(turns), np.sin(turns)])
    spun = np.array([[math.cos(spin), -math.sin(spin)], [math.sin(spin), math.cos(spin)]])
    linear = radius * to_px @ spun
    kind = "coin" if coin else str(rng.choice(["washer", "nut", "plate", "tab", "print", "button", "nothing", "half"]))
    thick = rng.uniform(0.08, 0.30)
    # how the body leans in the picture: by the tilt, and by its place beside the picture's middle
    wall = thick * radius * (math.sin(tilt) * d + rng.normal(0, BESIDE, 2))
    top = centre + edge_u @ linear.T
    outline = top
    if kind == "nut":
        corner = np.arange(6) * math.pi / 3
        outline = centre + rng.uniform(1.6, 2.1) * np.column_stack([np.cos(corner), np.sin(corner)]) @ linear.T
    elif kind == "plate":  # a hole in a plate: its edge lies farther out somewhere
        corner = np.sort(rng.uniform(0, 2 * math.pi, 9))
        far = rng.uniform(1.25, 3.0, (9, 1))
        blob = np.concatenate([far * np.column_stack([np.cos(corner), np.sin(corner)]), 1.2 * edge_u])
        outline = cv2.convexHull((centre + blob @ linear.T).astype(np.float32))[:, 0].astype(float)
    elif kind == "tab":
        size, far = rng.uniform(0.25, 0.8), rng.uniform(1.4, 2.6)
        box = np.array(
            [[0.0, -size], [far, -size * rng.uniform(0.3, 1)], [far, size * rng.uniform(0.3, 1)], [0.0, size]]
        )
        outline = cv2.convexHull((centre + np.concatenate([edge_u, box]) @ linear.T).astype(np.float32))[:, 0].astype(
            float
        )
        if rng.random() < 0.6:
            outline = top  # a round head on a thinner tail, drawn below
    elif kind == "half":
        outline = top[: int(rng.integers(120, 260))]
    metal = (
        np.array(METALS[int(rng.integers(len(METALS)))], float) * rng.uniform(0.6, 1.15) * (1 + rng.normal(0, 0.04, 3))
    )
    if coin and rng.random() < 0.3:  # hardly any contrast
        metal = metal + (picture.mean(axis=(0, 1)) * rng.uniform(0.85, 1.15) - metal) * rng.uniform(0.6, 0.95)
    if rng.random() < 0.35:  # something beside it
        at = centre + radius * rng.uniform(1.1, 1.7) * np.array([math.cos(spin * 3), math.sin(spin * 3)])
        blob = at + rng.normal(0, 0.35 * radius, (int(rng.integers(3, 8)), 2))
        hull = cv2.convexHull(blob.astype(np.float32))[:, 0].astype(float)
        picture = _mix(picture, np.zeros(3), 0.4 * cv2.GaussianBlur(_fill(hull), (0, 0), 8))
        picture = _mix(picture, np.array(METALS[int(rng.integers(len(METALS)))]) * rng.uniform(0.5, 1.1), _fill(hull))
    if kind in ("nothing", "print"):
        if kind == "print":
            colour = metal if rng.random() < 0.5 else picture.mean(axis=(0, 1)) * 0.4
            for share in rng.uniform(0.6, 1.15, int(rng.integers(1, 4))):
                ring = centre + share * edge_u @ linear.T
                cv2.polylines(
                    picture,
                    [np.round(ring * 16).astype(np.int32)],
                    True,
                    colour.tolist(),
                    int(rng.integers(1, 8)),
                    cv2.LINE_AA,
                    4,
                )
    else:
        if kind == "tab" and outline is top:
            stem = centre + np.array([[0.5, -0.3], [2.2, -0.3], [2.2, 0.3], [0.5, 0.3]]) @ linear.T
            picture = _mix(picture, metal * 0.9, _fill(stem))
        picture = _body(rng, picture, outline, top, wall, linear, centre, metal, radius, kind, form, thick)
    picture = (
        picture * _light(rng)[:, :, None] * rng.uniform(0.6, 1.3) * (1 + rng.normal(0, 0.05, 3)).astype(np.float32)
    )
    whole = cv2.convexHull(np.concatenate([top, top + wall]).astype(np.float32))[:, 0].astype(float)
    return _photographed(rng, picture), (top + 0.5) / 2.0 - 0.5, (whole + 0.5) / 2.0 - 0.5


def _body(
    rng: np.random.Generator, picture: Picture, outline: Array, top: Array, wall: Array, linear: Array, centre: Array,
    metal: Array, radius: float, kind: str, form: Array, thick: float,
) -> Picture:  # fmt: skip
    """Shadow, wall and face of a disc or of what is nearly one."""
    below = picture.copy()
    sun = rng.uniform(0, 2 * math.pi)
    toward = np.array([math.cos(sun), math.sin(sun)])
    foot = outline + wall
    for _ in range(int(rng.choice([1, 1, 2]))):  # lamps
        turn = sun + rng.normal(0, 0.6)
        cast = -np.array([math.cos(turn), math.sin(turn)]) * thick * radius * rng.uniform(0.1, 1.6)
        shade = np.maximum.reduce([_fill(foot + cast * s) for s in (0.33, 0.66, 1.0)])
        soft = cv2.GaussianBlur(shade, (0, 0), float(rng.uniform(1.0, 0.09 * radius)))
        picture = _mix(picture, picture * rng.uniform(0.3, 0.95), soft)
    contact = cv2.GaussianBlur(_fill(foot), (0, 0), float(rng.uniform(1.0, 6.0)))
    picture = _mix(picture, picture * rng.uniform(0.4, 1.0), contact)
    hull = cv2.convexHull(np.concatenate([outline, foot]).astype(np.float32))[:, 0].astype(float)
    if kind == "half":
        hull = outline
    yy, xx = np.mgrid[0:SIDE, 0:SIDE].astype(np.float32)
    xx, yy = xx - float(centre[0]), yy - float(centre[1])
    u = np.stack([xx, yy], axis=2) @ np.linalg.inv(linear).T.astype(np.float32)
    angle = np.arctan2(u[..., 1], u[..., 0])
    rho = np.hypot(u[..., 0], u[..., 1]) / np.interp(
        angle % (2 * np.pi), np.arange(360) * (2 * np.pi / 360), form, period=2 * np.pi
    )
    image_angle = np.arctan2(yy - centre[1], xx - centre[0])
    facing = np.cos(image_angle - sun)  # 1 on the side towards the lamp
    side = 1.0 + rng.uniform(0.0, 0.6) * facing - rng.uniform(-0.1, 0.6)
    if rng.random() < 0.5:
        side = side * (1.0 + 0.25 * np.sin(angle * int(rng.integers(60, 180))))
    picture = _mix(picture, metal.astype(np.float32) * np.clip(side, 0.05, 1.6)[:, :, None], _fill(hull))
    colour = np.ones((SIDE, SIDE, 3), np.float32) * metal.astype(np.float32)
    height = cv2.warpAffine(
        _relief(rng),
        np.column_stack([linear / (SIDE / 2), centre - linear @ np.ones(2) * (1 - 1 / SIDE)]),
        (SIDE, SIDE),
    )
    if rng.random() < 0.3:  # two metals
        core = rng.uniform(0.58, 0.80)
        other = np.array(METALS[int(rng.integers(len(METALS)))], float)
        colour = _mix(colour, other, np.clip((core - rho) * 60 + 0.5, 0, 1).astype(np.float32))
        colour *= (1.0 - rng.uniform(0, 0.5) * np.exp(-(((rho - core) / 0.012) ** 2)))[:, :, None]
    width = rng.uniform(0.025, 0.13)  # of the raised rim
    raised = np.clip((rho - (1 - width)) / rng.uniform(0.008, 0.04) + 0.5, 0, 1)
    rim_high = rng.uniform(0.0, 1.2)
    height = (height * (rho < 1 - 1.1 * width) + rim_high * raised).astype(np.float32)
    bevel = rng.uniform(0.004, 0.05)
    bend = np.clip((rho - (1 - bevel)) / bevel, 0, 1)
    dy, dx = np.gradient(cv2.GaussianBlur(height, (0, 0), 1.0))
    shading = -(dx * float(toward[0]) + dy * float(toward[1])) * float(rng.uniform(0.3, 5.0) * rng.choice([0.25, 1.0]))
    shading = np.clip(shading, -0.7, 1.2) + bend**2 * facing * rng.uniform(-0.2, 0.9) + bend**2 * rng.uniform(-0.5, 0.3)
    shading += float(rng.choice([0.0, 0.06, 0.2]) * rng.normal()) * raised
    low = rng.normal(0, 1, (3, 3)).astype(np.float32) * rng.uniform(0.0, 0.35)
    shading += cv2.resize(low, (SIDE, SIDE), interpolation=cv2.INTER_CUBIC)  # what it mirrors
    if rng.random() < 0.2:  # two-fold sheen of turned or struck metal
        shading += rng.uniform(0.1, 0.5) * np.cos(2 * (image_angle - rng.uniform(0, 3)))
    if rng.random() < 0.5:
        shading += rng.uniform(0.02, 0.2) * noise(rng, rng.uniform(3, 30))
    face = colour * np.clip(1.0 + shading, 0.03, 3.0)[:, :, None]
    if rng.random() < 0.2:
        glare = np.exp(
            -((xx - rng.uniform(0, SIDE)) ** 2 + (yy - rng.uniform(0, SIDE)) ** 2) / (2 * rng.uniform(20, 130) ** 2)
        )
        face += 240.0 * glare[:, :, None]
    on_top = _fill(outline)
    picture = _mix(picture, face, on_top)
    if kind in ("washer", "nut", "plate", "button"):
        holes = [(np.zeros(2), rng.uniform(0.3, 0.72) if kind == "washer" else 1.0)]
        if kind == "button":
            holes = [
                (0.25 * np.array([math.cos(a), math.sin(a)]), rng.uniform(0.07, 0.13))
                for a in np.arange(4) * math.pi / 2
            ]
        for at, size in holes:
            hole = (
                centre
                + (at + size * np.column_stack([np.cos(t := np.arange(90) * math.pi / 45), np.sin(t)])) @ linear.T
            )
            picture = _mix(picture, metal * rng.uniform(0.2, 1.1), _fill(hole))
            picture = _mix(picture, below * rng.uniform(0.3, 0.95), _fill(hole) * _fill(hole + wall))
    return picture


def _photographed(rng: np.random.Generator, picture: Picture) -> NDArray[np.uint8]:
    """Blurred, halved, sharpened, noisy and packed as a phone does it."""
    picture = np.asarray(cv2.GaussianBlur(np.clip(picture, 0, 255), (0, 0), float(rng.uniform(0.6, 3.0))), np.float32)
    small = cv2.resize(picture, (SIDE // 2, SIDE // 2), interpolation=cv2.INTER_AREA)
    if rng.random() < 0.3:
        small = small + rng.uniform(0.2, 1.2) * (small - cv2.GaussianBlur(small, (0, 0), 1.5))
    grain = rng.standard_normal(small.shape, dtype=np.float32)
    small = small + float(rng.choice([0.5, 2.0, 5.0])) * grain
    out = np.clip(small, 0, 255).astype(np.uint8)
    if rng.random() < 0.3:
        _, packed = cv2.imencode(".jpg", out, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(50, 95))])
        out = np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), np.uint8)
    return out
