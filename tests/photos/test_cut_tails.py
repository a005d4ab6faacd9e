"""A tail that its patch cuts off is looked for farther out, by the networks' own doubt about where it ends."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from vision.classify import read_part
from vision.find import find_part
from vision.label import Label
from vision.photo import open_photo
from vision.pipeline import LOST_TIP, _doubt_at_tip, _edges, _outline, _up_tail
from vision.segment import find_regions

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


@pytest.mark.parametrize("name", ["hook-cent-mat", "finger-euro-wood", "taper-open-quarter-card"])
def test_a_tail_outside_its_patch_is_found_and_a_whole_one_left_alone(name):
    """The Label knows how far the tail reaches and how wide the hub is; the patch is laid round the hub alone."""
    label = Label.from_json((EXAMPLES / f"{name}.json").read_text(encoding="utf-8"))
    photo = open_photo(EXAMPLES / label.picture)
    found = find_part(photo.pixels, find_regions(photo))
    same, whole, _ = _outline(photo, found)
    assert same is found
    axis, hub = tuple(whole.edges.axis_px), whole.edges.hub_radius_px
    words, patch = read_part(photo.pixels, axis, 1.1 * hub)
    cut = replace(found, words=words, patch=patch)
    assert _doubt_at_tip(_edges(photo, cut)[0]) > LOST_TIP > 3.0 * _doubt_at_tip(whole)
    farther, again, drop = _outline(photo, cut)
    assert farther is not cut and drop is not None
    assert _doubt_at_tip(again) < LOST_TIP / 3.0
    assert _up_tail(again).max() == pytest.approx(_up_tail(whole).max(), rel=0.03)
    assert farther.words.family.label == label.family
