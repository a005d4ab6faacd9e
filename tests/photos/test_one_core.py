"""A photo is read on one core as on many: its drawn part's true sizes lie within what is stated."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from vision.label import Label
from vision.photo import open_photo
from vision.pipeline import ReadOptions, read_photo

PHOTO = Path(__file__).resolve().parents[2] / "examples" / "finger-euro-wood.jpg"


@pytest.fixture(params=["one core", "all cores"])
def cores(request: pytest.FixtureRequest) -> Iterator[None]:
    if not hasattr(os, "sched_setaffinity"):
        pytest.skip("this system does not let a process choose its cores")
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {min(before)} if request.param == "one core" else before)
    yield
    os.sched_setaffinity(0, before)


@pytest.mark.usefixtures("cores")
def test_the_drawn_sizes_lie_within_what_is_stated():
    truth = Label.from_json(PHOTO.with_suffix(".json").read_text())
    reading = read_photo(open_photo(PHOTO), ReadOptions(coin="eu-1"))
    assert reading.family is not None
    assert (reading.family.label, len(reading.holes)) == (truth.family, len(truth.holes))
    for name, true_mm in (
        ("reach", truth.reach_mm),
        ("hub_diameter", truth.hub_diameter_mm),
        ("width", truth.width_mm),
    ):
        size = reading.dimensions[name]
        assert size is not None
        assert size.value == pytest.approx(true_mm, abs=1.96 * size.u)
