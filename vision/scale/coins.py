"""Struck sizes of coins in circulation, mm. Mints publish nominal sizes and mostly no tolerance; worn coins are smaller.

US: United States Mint, "Coin Specifications". Euro: Council Regulation (EU) No 729/2014, Annex I. UK: Royal Mint figures,
Canada: Royal Canadian Mint, Australia: Royal Australian Mint, Japan: Japan Mint, Mexico: Banco de Mexico, India: G.S.R.
184(E) of 2019, Switzerland: Swissmint, each as given by encyclopedias. The Swiss coinage ordinance and the Australian
determinations print rounded and greatest sizes, which are not used here. Entries marked "memory" were not seen in print.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vision.quantity import Quantity

Array = NDArray[np.float64]

U_STRUCK_RELATIVE: Final = 0.0015  # tolerance of striking and ordinary wear together (memory): 0.036 mm on 24 mm
U_MEMORY_RELATIVE: Final = 0.006
RARE: Final = frozenset({"us-half", "us-dollar", "ca-50c"})  # seldom in a purse (common practice, no source)
TWIN_RELATIVE: Final = 0.008  # closer than this in diameter, two coins cannot be told apart by size in a photo


@dataclass(frozen=True, slots=True)
class Coin:
    """One coin; `sides` 0 for a round one; `diameter_mm` across flats, or the constant width, of one with sides."""

    id: str
    diameter_mm: float
    thickness_mm: float | None
    sides: int = 0
    memory: bool = False

    @property
    def constant_width(self) -> bool:
        """True for curved sides on an odd number of corners, whose width is the same in every direction."""
        return self.sides % 2 == 1

    @property
    def edge_mm(self) -> Array:
        """Distance of the edge from the centre from the middle of one side to the next, (121,) mm."""
        if self.sides == 0:
            return np.full(121, self.diameter_mm / 2.0)
        half = np.pi / self.sides
        turn = np.abs((np.linspace(0.0, 2.0 * half, 121) + half) % (2.0 * half) - half)  # from the middle of a side
        if not self.constant_width:  # straight sides: apothem over cosine
            return np.asarray(self.diameter_mm / 2.0 / np.cos(turn))
        # an arc of radius w about the opposite corner, which lies at the circumradius from the centre
        corner = self.diameter_mm / (2.0 * np.cos(np.pi / (2.0 * self.sides)))
        return np.asarray(-corner * np.cos(turn) + np.sqrt(self.diameter_mm**2 - (corner * np.sin(turn)) ** 2))

    @property
    def mean_diameter_mm(self) -> float:
        """Twice the mean distance of the edge from the centre over all directions: what a circle through it measures."""
        return float(2.0 * np.trapezoid(self.edge_mm, dx=1.0 / 120.0))

    @property
    def measured(self) -> Quantity:
        """The diameter a circle through the rim has, with its standard uncertainty."""
        relative = U_MEMORY_RELATIVE if self.memory else U_STRUCK_RELATIVE
        if self.sides:
            relative = float(np.hypot(relative, 0.003))  # rounded corners and where the rim was seen
        return Quantity(self.mean_diameter_mm, relative * self.mean_diameter_mm)

    @property
    def height(self) -> Quantity:
        """Height of the face above the bench."""
        return Quantity(1.8, 0.3) if self.thickness_mm is None else Quantity(self.thickness_mm, 0.06)


_ROUND: Final = """
us-cent 19.05 1.52; us-nickel 21.21 1.95; us-dime 17.91 1.35; us-quarter 24.26 1.75; us-half 30.61 2.15; us-dollar 26.49 2.00
eu-1c 16.25 1.67; eu-2c 18.75 1.67; eu-5c 21.25 1.67; eu-10c 19.75 1.93; eu-20c 22.25 2.14; eu-50c 24.25 2.38
eu-1 23.25 2.33; eu-2 25.75 2.20
gb-1p 20.3 1.65; gb-2p 25.9 1.85; gb-5p 18.0 1.7; gb-10p 24.5 1.85; gb-2 28.4 2.50; gb-1-old 22.5 3.15
ca-1c 19.05 1.45; ca-5c 21.2 1.76; ca-25c 23.88 1.58; ca-2 28.0 1.78
au-5c 19.41 -; au-10c 23.60 -; au-1 25.00 -
jp-1 20.0 1.5; jp-5 22.0 1.5; jp-10 23.5 -; jp-50 21.0 -; jp-100 22.6 -; jp-500 26.5 1.81
mx-1 21.0 -; mx-5 25.5 -; mx-10 28.0 -
in-1 20.0 -; in-2 23.0 -; in-5 25.0 -; in-10 27.0 -
ch-5c 17.15 1.25; ch-10c 19.15 1.45; ch-20c 21.05 1.65; ch-50c 18.20 1.25; ch-1 23.20 1.55; ch-2 27.40 2.15; ch-5 31.45 2.35
"""
_MEMORY: Final = """
ca-10c 18.03 1.22; ca-50c 27.13 1.95; au-20c 28.52 1.75; au-2 20.50 2.8; mx-50c 17.0 -; mx-2 23.0 -
"""
_SIDED: Final = (
    Coin("gb-20p", 21.4, 1.70, sides=7),
    Coin("gb-50p", 27.3, 1.78, sides=7),
    Coin("gb-1", 23.03, 2.80, sides=12, memory=True),  # 23.43 point to point is published, 23.03 across flats is not
    Coin("ca-1", 26.5, 1.95, sides=11, memory=True),
    Coin("au-50c", 31.51, 2.0, sides=12, memory=True),
    Coin("in-20", 27.0, None, sides=12),
)


def _table() -> dict[str, Coin]:
    coins = {coin.id: coin for coin in _SIDED}
    for text, memory in ((_ROUND, False), (_MEMORY, True)):
        for entry in text.replace("\n", ";").split(";"):
            if entry.strip():
                name, diameter, thickness = entry.split()
                coins[name] = Coin(name, float(diameter), None if thickness == "-" else float(thickness), memory=memory)
    return dict(sorted(coins.items()))


COINS: Final = _table()


def twins(coin: Coin) -> tuple[str, ...]:
    """Other coins so near in size that a photo cannot tell them apart."""
    return tuple(
        other.id
        for other in COINS.values()
        if other.id != coin.id
        and abs(other.diameter_mm / coin.diameter_mm - 1.0) < TWIN_RELATIVE
        and other.sides == coin.sides
    )


def coin_by_name(name: str) -> Coin:
    """A coin of the table, or any round thing of known size written ``24.75mm``.

    Raises
    ------
    ValueError
        If the name is in no table and is no size.
    """
    text = name.strip().lower()
    if text in COINS:
        return COINS[text]
    if text.endswith("mm"):
        try:
            diameter = float(text[:-2].replace(",", "."))
        except ValueError:
            diameter = 0.0
        if 8.0 <= diameter <= 80.0:
            return Coin(f"{diameter:g}mm", diameter, None)
        raise ValueError(f"{name}: a round thing of known size is written like 24.75mm, between 8 and 80 mm")
    near = [c for c in COINS if text and (text in c or c.split("-", 1)[1] == text)]
    hint = f"did you mean {', '.join(near[:4])}?" if near else "see `camdial coins`"
    raise ValueError(f"no coin is called {name}: {hint}")
