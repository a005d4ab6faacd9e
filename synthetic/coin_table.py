"""Coins that lie beside a part: their sizes, what they are made of, and their outlines. Shared by both renderers.

Diameters are those of the reader's own table (a test compares the two), where each has its source. Where a mint gives no
thickness a usual one is taken, since here it only sets how high an invented coin stands. Reliefs are invented.
"""

from __future__ import annotations

import math

import numpy as np
from shapely.geometry import Point, Polygon
from shapely.geometry.base import BaseGeometry

from synthetic.outline import disc, largest, round_corners

# id: diameter mm (across the flats of gb-1, au-50c, in-20 and ca-1), thickness mm, metal, form
COINS: dict[str, tuple[float, float, str, str]] = {
    "us-cent": (19.05, 1.52, "copper", "round"), "us-nickel": (21.21, 1.95, "nickel", "round"), "us-dime": (17.91, 1.35, "nickel", "reeded"),
    "us-quarter": (24.26, 1.75, "nickel", "reeded"), "us-half": (30.61, 2.15, "nickel", "reeded"), "us-dollar": (26.49, 2.00, "brass", "round"),
    "eu-1c": (16.25, 1.67, "copper", "round"), "eu-2c": (18.75, 1.67, "copper", "round"), "eu-5c": (21.25, 1.67, "copper", "round"),
    "eu-10c": (19.75, 1.93, "brass", "reeded"), "eu-20c": (22.25, 2.14, "brass", "flower"), "eu-50c": (24.25, 2.38, "brass", "reeded"),
    "eu-1": (23.25, 2.33, "bimetal-gold-rim", "reeded"), "eu-2": (25.75, 2.20, "bimetal-silver-rim", "reeded"),
    "gb-1p": (20.3, 1.65, "copper", "round"), "gb-2p": (25.9, 1.85, "copper", "round"), "gb-5p": (18.0, 1.7, "nickel", "reeded"),
    "gb-10p": (24.5, 1.85, "nickel", "reeded"), "gb-20p": (21.4, 1.70, "nickel", "heptagon"), "gb-50p": (27.3, 1.78, "nickel", "heptagon"),
    "gb-1": (23.03, 2.80, "bimetal-gold-rim", "twelve"), "gb-1-old": (22.5, 3.15, "brass", "reeded"), "gb-2": (28.4, 2.50, "bimetal-gold-rim", "reeded"),
    "ca-1c": (19.05, 1.45, "copper", "round"), "ca-5c": (21.2, 1.76, "nickel", "round"), "ca-10c": (18.03, 1.22, "nickel", "reeded"),
    "ca-25c": (23.88, 1.58, "nickel", "reeded"), "ca-50c": (27.13, 1.95, "nickel", "reeded"), "ca-1": (26.5, 1.95, "brass", "eleven"),
    "ca-2": (28.0, 1.78, "bimetal-silver-rim", "reeded"), "au-5c": (19.41, 1.3, "nickel", "reeded"), "au-10c": (23.60, 1.5, "nickel", "reeded"),
    "au-20c": (28.52, 1.75, "nickel", "reeded"), "au-50c": (31.51, 2.0, "nickel", "twelve"), "au-1": (25.0, 2.5, "brass", "reeded"),
    "au-2": (20.50, 2.8, "brass", "reeded"), "jp-1": (20.0, 1.5, "aluminium", "round"), "jp-5": (22.0, 1.5, "brass", "holed"),
    "jp-10": (23.5, 1.5, "copper", "round"), "jp-50": (21.0, 1.7, "nickel", "holed"), "jp-100": (22.6, 1.7, "nickel", "reeded"),
    "jp-500": (26.5, 1.81, "brass", "reeded"), "mx-50c": (17.0, 1.5, "nickel", "round"), "mx-1": (21.0, 1.6, "bimetal-silver-rim", "round"),
    "mx-2": (23.0, 1.7, "bimetal-silver-rim", "round"), "mx-5": (25.5, 1.9, "bimetal-silver-rim", "round"), "mx-10": (28.0, 2.0, "bimetal-gold-rim", "round"),
    "in-1": (20.0, 1.5, "nickel", "round"), "in-2": (23.0, 1.7, "nickel", "round"), "in-5": (25.0, 1.9, "brass", "round"),
    "in-10": (27.0, 1.8, "bimetal-gold-rim", "round"), "in-20": (27.0, 2.0, "bimetal-gold-rim", "twelve"), "ch-5c": (17.15, 1.25, "brass", "round"),
    "ch-10c": (19.15, 1.45, "nickel", "round"), "ch-20c": (21.05, 1.65, "nickel", "round"), "ch-50c": (18.20, 1.25, "nickel", "reeded"),
    "ch-1": (23.20, 1.55, "nickel", "reeded"), "ch-2": (27.40, 2.15, "nickel", "reeded"), "ch-5": (31.45, 2.35, "nickel", "round"),
}  # fmt: skip
HOLE_MM = {"jp-5": 5.0, "jp-50": 4.0}


def _constant_width(sides: int, width: float) -> Polygon:
    """A rounded polygon of constant width with an odd number of sides."""
    turn = 2 * np.pi * np.arange(sides) / sides
    circumradius = width / (2 * math.cos(math.pi / (2 * sides)))
    shape: BaseGeometry = disc(0, 0, circumradius * 1.2)
    for a in turn:
        shape = shape.intersection(
            Point(math.sin(a) * circumradius, math.cos(a) * circumradius).buffer(width, quad_segs=120)
        )
    return largest(round_corners(shape, 1.2))


def coin_outline(name: str) -> Polygon:
    """The outline of a coin about the origin, without its hole."""
    width, _, _, form = COINS[name]
    if form == "heptagon":
        return _constant_width(7, width)
    if form == "eleven":
        return _constant_width(11, width)
    if form == "twelve":  # corners rounded until a pound measures 23.43 point to point (the Royal Mint's figure)
        turn = np.arange(12) * np.pi / 6
        corner = width / 2 / math.cos(math.pi / 12)
        return largest(round_corners(Polygon(np.c_[np.cos(turn), np.sin(turn)] * corner), 0.25 * width))
    shape: BaseGeometry = Point(0, 0).buffer(width / 2, quad_segs=64)
    if form == "flower":
        for i in range(7):
            a = 2 * math.pi * i / 7
            shape = shape.difference(disc(math.cos(a) * (width / 2 + 0.35), math.sin(a) * (width / 2 + 0.35), 0.8))
        shape = round_corners(shape, 1.4)  # its rim is stepped inwards by a millimetre
    return largest(shape)
