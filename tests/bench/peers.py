"""What plain general-purpose chains make of the same pictures: the yardstick beside our own table.

    python -m tests.bench.peers FOLDER [--limit N]

`opencv`: Otsu threshold, largest contour that is no disc, HoughCircles for coin and holes, one mm/px, no tilt.
`regionprops`: scikit-image's labelled regions and their properties, coin by its eccentricity and solidity.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from skimage.filters import threshold_otsu
from skimage.measure import label as label_regions
from skimage.measure import regionprops

from vision.label import Label
from vision.photo import open_photo
from vision.scale.coin import COINS
from vision.vocabulary import angle_from_xy, difference_deg


def opencv_chain(rgb: np.ndarray, coin_mm: float) -> dict[str, object] | None:
    """The chain most tutorials show."""
    grey = cv2.GaussianBlur(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), (5, 5), 0)
    _, mask = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    border = np.concatenate([mask[0], mask[-1], mask[:, 0], mask[:, -1]])
    if border.mean() > 127:
        mask = 255 - mask
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    big = [c for c in contours if cv2.contourArea(c) > 0.0005 * grey.size]
    if len(big) < 2:
        return None

    def roundness(c: np.ndarray) -> float:
        return float(4 * np.pi * cv2.contourArea(c) / max(cv2.arcLength(c, True), 1.0) ** 2)

    coin = max(big, key=roundness)
    part = max((c for c in big if c is not coin), key=cv2.contourArea)
    _, coin_radius = cv2.minEnclosingCircle(coin)
    scale = coin_mm / (2.0 * coin_radius)
    fill = np.zeros_like(mask)
    cv2.drawContours(fill, [part], -1, 255, -1)
    inside = cv2.distanceTransform(fill, cv2.DIST_L2, 5)
    _, _, _, hub = cv2.minMaxLoc(inside)
    x, y, w, h = cv2.boundingRect(part)
    crop = np.where(fill[y : y + h, x : x + w] > 0, grey[y : y + h, x : x + w], 255).astype(np.uint8)
    low, high = int(1.1 / scale), int(2.6 / scale)
    circles = cv2.HoughCircles(
        crop, cv2.HOUGH_GRADIENT, 1.2, 3.0 / scale, param1=120, param2=18, minRadius=max(low, 2), maxRadius=max(high, 4)
    )
    axis = np.array(hub, dtype=float)
    points = part[:, 0, :].astype(float)
    far = points[np.argmax(np.linalg.norm(points - axis, axis=1))]
    holes = [] if circles is None else [np.array([c[0] + x, c[1] + y, c[2]]) for c in circles.reshape(-1, 3)]
    return _result(axis, far, holes, scale)


def regionprops_chain(rgb: np.ndarray, coin_mm: float) -> dict[str, object] | None:
    """Otsu and region properties; holes are the regions inside the part's filled mask."""
    grey = cv2.GaussianBlur(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), (5, 5), 0)
    mask = grey > threshold_otsu(grey)
    if np.concatenate([mask[0], mask[-1], mask[:, 0], mask[:, -1]]).mean() > 0.5:
        mask = ~mask
    regions = [r for r in regionprops(label_regions(mask)) if r.area > 0.0005 * grey.size]
    if len(regions) < 2:
        return None
    coin = max(regions, key=lambda r: r.solidity - r.eccentricity)
    part = max((r for r in regions if r is not coin), key=lambda r: r.area)
    scale = coin_mm / coin.equivalent_diameter_area
    top, left = part.bbox[:2]
    filled = part.image_filled
    inside = cv2.distanceTransform(np.pad(filled.astype(np.uint8), 1), cv2.DIST_L2, 5)
    _, _, _, hub = cv2.minMaxLoc(inside)
    axis = np.array([hub[0] + left - 1, hub[1] + top - 1], dtype=float)
    rows, columns = np.nonzero(filled)
    points = np.column_stack([columns + left, rows + top]).astype(float)
    far = points[np.argmax(np.linalg.norm(points - axis, axis=1))]
    openings = regionprops(label_regions(filled & ~part.image))
    holes = [
        np.array([r.centroid[1] + left, r.centroid[0] + top, r.equivalent_diameter_area / 2])
        for r in openings
        if 1.0 < r.equivalent_diameter_area * scale < 6.0
    ]
    return _result(axis, far, holes, scale)


def _result(axis: np.ndarray, far: np.ndarray, holes: list[np.ndarray], scale: float) -> dict[str, object]:
    up = angle_from_xy(far[0] - axis[0], axis[1] - far[1])
    rows = []
    for hole in holes:
        d = hole[:2] - axis
        rows.append(
            (difference_deg(angle_from_xy(d[0], -d[1]), up) % 360.0, float(np.hypot(*d)) * scale, 2 * hole[2] * scale)
        )
    return {"reach": float(np.linalg.norm(far - axis)) * scale, "holes": sorted(rows)}


def main() -> None:
    """Print one table for both chains."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--limit", type=int)
    arguments = parser.parse_args()
    paths = sorted(arguments.folder.glob("*.json"))[: arguments.limit]
    print(
        f"{'chain':12} {'answered':>9} {'count ok':>9} {'angle med':>9} {'angle p95':>9} {'reach p95':>9} {'hole dia p95':>12}"
    )
    for name, chain in (("opencv", opencv_chain), ("regionprops", regionprops_chain)):
        answered, counted, angles, reaches, diameters, cams = 0, 0, [], [], [], 0
        for path in paths:
            truth = Label.from_json(path.read_text())
            if truth.family is None or truth.scale_kind != "coin" or truth.scale_reference is None:
                continue
            cams += 1
            rgb = open_photo(path.with_name(truth.picture)).pixels
            result = chain(rgb, COINS[truth.scale_reference].diameter_mm)
            if result is None:
                continue
            answered += 1
            reaches.append(abs(result["reach"] - truth.reach_mm) / truth.reach_mm)
            screws = sorted((angle_from_xy(h.x_mm, h.y_mm), h.diameter_mm) for h in truth.holes if h.kind == "screw")
            if len(screws) != len(result["holes"]):
                continue
            counted += 1
            for (angle, diameter), hole in zip(screws, result["holes"], strict=True):
                angles.append(abs(difference_deg(hole[0], angle)))
                diameters.append(abs(hole[2] - diameter))
        q = [np.quantile(v, 0.95) if v else np.nan for v in (angles, reaches, diameters)]
        print(
            f"{name:12} {answered:>5}/{cams:<3} {counted:>5}/{cams:<3} {np.median(angles) if angles else np.nan:9.2f} "
            f"{q[0]:9.2f} {100 * q[1]:8.1f}% {q[2]:12.3f}"
        )


if __name__ == "__main__":
    main()
