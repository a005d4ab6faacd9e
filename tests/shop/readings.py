"""Readings made by hand from the reading's own records, for tests of what is shown of a reading."""

from __future__ import annotations

import numpy as np

from vision.quantity import NotMeasured, Quantity
from vision.reading import BudgetLine, Outline, PhotoFacts, Reading, ScaleUsed, ScrewHole, Word


def word(label: str, probability: float, *others: str) -> Word:
    return Word(label, probability, (label, *others), {label: probability, "rest": 1.0 - probability})


def a_reading(**changes: object) -> Reading:
    """A cloverleaf with holes at 2 and 7 and a quarter beside it, drawn on a photo of 1200 x 900 pixels."""
    turn = np.linspace(0.0, 2.0 * np.pi, 180, endpoint=False)
    radius = 150.0 + 60.0 * np.clip(np.cos(3.0 * turn), 0.0, None)
    polygon = np.stack([500.0 + radius * np.sin(turn), 450.0 - radius * np.cos(turn)], axis=1)
    coin = np.stack([900.0 + 120.0 * np.cos(turn), 600.0 + 120.0 * np.sin(turn)], axis=1)
    holes = (
        ScrewHole("2", (540.0, 428.0), Quantity(61.2, 0.7), Quantity(4.51, 0.03), Quantity(3.31, 0.035)),
        ScrewHole(
            "7", (478.0, 490.0), Quantity(209.0, 0.7), Quantity(4.49, 0.03), Quantity(3.29, 0.035), Quantity(6.2, 0.1)
        ),
    )
    facts: dict[str, object] = {
        "outcome": "read",
        "photo": PhotoFacts("bench-07.jpg", "ab" * 32, 1200, 900),
        "scale": ScaleUsed("coin", "us-quarter", 0.1011, 0.003, Quantity(8.1, 0.75)),
        "family": word("cloverleaf", 0.995),
        "bottom": word("closed", 0.93),
        "hand": Word("none", 0.97),
        "facing": Word("screw", 0.9),
        "holes": holes,
        "dimensions": {"reach": Quantity(21.4, 0.1), "hub_diameter": Quantity(19.02, 0.06), "tail_width": None},
        "outline": Outline((500.0, 450.0), (500.0, 240.0), polygon, coin),
        "budget": (
            BudgetLine("reach", "mm", "distance and scale", 0.003, "1", 21.4, 0.064),
            BudgetLine("reach", "mm", "thickness of the part", 0.25, "mm", 0.2, 0.05),
        ),
        "warnings": (NotMeasured("not-measured", "not measured: tail width"),),
    }
    return Reading(**{**facts, **changes})  # type: ignore[arg-type]
