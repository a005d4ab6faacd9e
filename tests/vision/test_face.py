"""Which openings of the reader's maps count as screw holes: drawn maps over a drawn photo, by the heat at their centres."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.classify import RawReading, interpret
from vision.face import see_face
from vision.models import MAPS, WORDS, default_calibration, read_calibration
from vision.patch import cut_patch

SIDE = 256
HOLES = ((96, 140), (160, 140))
RADIUS = 11


def seen(
    heat: dict[tuple[int, int], tuple[float, float]],
    stamped: tuple[tuple[int, int], int] | None = None,
    *,
    radius: dict[tuple[int, int], int] | None = None,
    bench: int = 235,
):
    """A face with two openings; `heat` gives the screw's and the relief's heat at each one's centre.

    `stamped` is a ring on the face, centre and radius, that the network takes for a hole. `radius` holds the openings of
    another radius than the usual one, `bench` is the grey that shows through.
    """
    photo = np.full((SIDE, SIDE, 3), 235, np.uint8)
    cv2.circle(photo, (128, 128), 90, (120, 120, 120), -1)
    maps = np.zeros((len(MAPS), SIDE, SIDE), np.float32)
    cv2.circle(maps[MAPS.index("face")], (128, 128), 90, 1.0, -1)
    centres = np.full((2, SIDE // 4, SIDE // 4), 0.02, np.float32)
    for (x, y), warm in heat.items():
        across = (radius or {}).get((x, y), RADIUS)
        cv2.circle(photo, (x, y), across, (bench, bench, bench), -1)
        cv2.circle(maps[MAPS.index("hole")], (x, y), across, 0.9, -1)
        centres[:, y // 4, x // 4] = warm
    if stamped is not None:
        (x, y), across = stamped
        cv2.circle(photo, (x, y), across, (150, 150, 150), 1)
        cv2.circle(maps[MAPS.index("hole")], (x, y), across, 0.9, -1)
        centres[:, y // 4, x // 4] = (0.78, 0.1)
    patch = cut_patch(photo, ((SIDE - 1) / 2.0, (SIDE - 1) / 2.0), 0.36 * SIDE, 0.0)  # the photo itself
    points = np.array([(128, 128), (128, 40)], np.float32)
    logits = {name: np.zeros(len(labels), np.float32) for name, labels in WORDS.items()}
    raw = RawReading(maps, points, np.ones(2, np.float32), 60.0, logits, np.ones(4, np.float32), centres)
    view = see_face(photo, patch, interpret(raw, read_calibration(default_calibration())))
    assert view is not None
    return view


def test_two_openings_with_warm_centres_are_screw_holes():
    view = seen(dict.fromkeys(HOLES, (0.8, 0.1)))
    assert sorted(h.center_px[0] for h in view.edges.holes) == pytest.approx([96, 160], abs=1.0)
    assert view.doubtful_openings == ()


@pytest.mark.parametrize("warm", [(0.3, 0.1), (0.6, 0.58)])
def test_an_opening_without_a_screws_centre_is_no_hole_but_a_doubt(warm):
    view = seen({HOLES[0]: (0.8, 0.1), HOLES[1]: warm})
    assert [h.center_px[0] for h in view.edges.holes] == pytest.approx([96], abs=1.0)
    assert [at[0] for at in view.doubtful_openings] == pytest.approx([160], abs=1.0)


@pytest.mark.parametrize("warm", [(0.6, 0.1), (0.8, 0.45)])
def test_a_lukewarm_centre_is_a_hole_in_doubt(warm):
    view = seen({HOLES[0]: (0.8, 0.1), HOLES[1]: warm})
    assert len(view.edges.holes) == 2
    assert [at[0] for at in view.doubtful_openings] == pytest.approx([160], abs=1.0)


@pytest.mark.parametrize(("radius", "holes"), [(RADIUS, 2), (RADIUS + 6, 1)])
def test_a_lukewarm_opening_is_a_hole_only_if_it_is_of_the_others_size(radius, holes):
    """The screws of one part are alike; either way it stays in doubt."""
    view = seen({HOLES[0]: (0.85, 0.1), HOLES[1]: (0.5, 0.1)}, radius={HOLES[1]: radius})
    assert len(view.edges.holes) == holes
    assert [at[0] for at in view.doubtful_openings] == pytest.approx([160], abs=1.0)


def test_holes_over_a_bench_of_the_faces_own_grey_are_no_marks():
    """What the bench does in one hole it does in all: none of them stands out as a stamp would."""
    view = seen({HOLES[0]: (0.8, 0.1), HOLES[1]: (0.75, 0.1)}, radius={HOLES[1]: RADIUS + 2}, bench=120)
    assert len(view.edges.holes) == 2


@pytest.mark.parametrize(("radius", "holes"), [(RADIUS + 4, 2), (RADIUS, 3)])
def test_a_ring_stamped_on_the_face_is_no_hole_but_a_doubt(radius, holes):
    """Nothing but face inside and another size than the holes; one of their size may be a hole over a bench of that grey."""
    view = seen(dict.fromkeys(HOLES, (0.8, 0.1)), ((128, 100), radius))
    assert len(view.edges.holes) == holes
    assert len(view.doubtful_openings) == 3 - holes


@pytest.mark.parametrize("warm", [(0.8, 0.1), (0.5, 0.05)])
@pytest.mark.parametrize(("apart", "holes"), [(RADIUS + 5, 2), (2 * RADIUS + 12, 2)])
def test_openings_that_run_together_are_as_many_holes_as_they_have_warm_centres(apart, holes, warm):
    """Screw heads touch, and on a part full of holes so do these: one opening on the map, two centres."""
    places = ((128 - apart // 2, 140), (128 + (apart + 1) // 2, 140))
    view = seen({places[0]: (0.8, 0.1), places[1]: warm})
    assert sorted(h.center_px[0] for h in view.edges.holes) == pytest.approx([x for x, _ in places], abs=3.0)
    assert len(view.edges.holes) == holes


def test_a_long_opening_with_one_warm_centre_is_one_hole():
    view = seen({(120, 140): (0.8, 0.1), (136, 140): (0.3, 0.1)})
    assert len(view.edges.holes) == 1
