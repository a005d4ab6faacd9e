"""From the reader's numbers to words: temperature, prediction sets, hand by facing, distance, tail direction."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.distance import mahalanobis

from vision.classify import RawReading, interpret, part_hand, plausible_labels, softmax
from vision.models import (
    WORDS,
    FeatureModel,
    ModelError,
    default_calibration,
    pack_floats,
    read_calibration,
    unpack_floats,
)
from vision.reading import Word
from vision.vocabulary import FACINGS, HANDS, mirror_hand


@pytest.mark.parametrize(
    ("temperature", "expected"), [(1.0, (0.66524, 0.24473, 0.09003)), (2.0, (0.50648, 0.30720, 0.18632))]
)
def test_temperature_divides_the_logits(temperature, expected):
    # softmax(z / T) as Guo et al. 2017 (arXiv 1706.04599) define it; numbers worked out from the definition by hand
    got = softmax(np.array([2.0, 1.0, 0.0], np.float32), temperature)
    assert got == pytest.approx(expected, abs=5e-6)


@given(st.lists(st.floats(0.001, 1.0), min_size=2, max_size=8), st.lists(st.floats(0.0, 1.0), min_size=8, max_size=8))
def test_sets_are_never_empty_hold_the_top_and_are_in_order(weights, least):
    probabilities = np.array(weights) / sum(weights)
    labels = tuple("abcdefgh"[: len(weights)])
    chosen = plausible_labels(labels, probabilities, tuple(least))
    assert chosen[0] == labels[int(np.argmax(probabilities))]
    ranks = [probabilities[labels.index(name)] for name in chosen]
    assert ranks == sorted(ranks, reverse=True)
    for i, name in enumerate(labels):
        assert (name in chosen) == (name == chosen[0] or probabilities[i] >= least[i])


def word(labels, probabilities, plausible=None):
    best = labels[int(np.argmax(probabilities))]
    return Word(best, max(probabilities), plausible or (best,), dict(zip(labels, probabilities, strict=True)))


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_hand_of_the_part_is_the_mirror_of_what_the_plug_side_shows(plug, a, b):
    seen = np.array([a, b, 1.0]) / (a + b + 1.0)
    facing = word(FACINGS, [1.0 - plug, plug])
    hand = part_hand(word(HANDS, seen.tolist()), facing)
    assert sum(hand.probabilities.values()) == pytest.approx(1.0)
    for i, name in enumerate(HANDS):
        direct = (1.0 - plug) * seen[i] + plug * seen[HANDS.index(mirror_hand(name))]
        assert hand.probabilities[name] == pytest.approx(direct)
    assert hand.label in hand.plausible


def test_hand_keeps_both_sides_when_the_facing_is_open():
    seen = word(HANDS, [0.01, 0.98, 0.01])
    assert part_hand(seen, word(FACINGS, [0.97, 0.03])).plausible == ("left",)
    assert part_hand(seen, word(FACINGS, [0.03, 0.97])).plausible == ("right",)
    both = part_hand(seen, word(FACINGS, [0.6, 0.4], plausible=("screw", "plug")))
    assert both.label == "left" and set(both.plausible) == {"left", "right"}


def test_distance_is_mahalanobis_of_the_unit_vector_as_scipy_has_it():
    rng = np.random.default_rng(2)
    means = rng.normal(size=(3, 6)) * 0.3
    root = rng.normal(size=(6, 6))
    precision = root @ root.T + np.eye(6)
    feature = rng.normal(size=6).astype(np.float32) * 9
    unit = feature / np.linalg.norm(feature)
    theirs = min(mahalanobis(unit, mean, precision) for mean in means)
    assert FeatureModel(means, precision).distance(feature) == pytest.approx(theirs, rel=1e-5)


def raw(points, cam=(0.0, 5.0), feature=None):
    logits = {name: np.zeros(len(labels), np.float32) for name, labels in WORDS.items()}
    logits["cam"] = np.array(cam, np.float32)
    maps = np.zeros((5, 256, 256), np.float32)
    feature = np.ones(4, np.float32) if feature is None else feature
    return RawReading(maps, np.array(points, np.float32), np.ones(2, np.float32), 40.0, logits, feature)


@pytest.mark.parametrize(
    ("tail", "clockwise_deg"), [((128, 40), 0.0), ((200, 128), 90.0), ((128, 200), 180.0), ((40, 128), 270.0)]
)
def test_tail_direction_is_clockwise_from_up(tail, clockwise_deg):
    reading = interpret(raw([(128, 128), tail]), read_calibration(default_calibration()))
    assert reading.tail_deg == pytest.approx(clockwise_deg)
    assert reading.axis_patch == (128.0, 128.0) and reading.hub_radius == 40.0


def test_not_a_cam_by_its_word_or_by_its_distance():
    features = {"means": pack_floats(np.eye(4)[:1]), "precision": pack_floats(np.eye(4))}
    record = {**default_calibration(), "cam_threshold": 0.6, "distance_threshold": 0.5, "features": features}
    calibration = read_calibration(record)
    near, far = np.array([3.0, 0.1, 0.0, 0.0], np.float32), np.array([0.0, 1.0, 0.0, 0.0], np.float32)
    points = [(128, 128), (128, 40)]
    assert interpret(raw(points, (0.0, 5.0), near), calibration).is_cam
    assert not interpret(raw(points, (0.0, 0.2), near), calibration).is_cam  # 1 / (1 + exp(-0.2)) = 0.55
    assert not interpret(raw(points, (0.0, 5.0), far), calibration).is_cam  # distance sqrt(2)


def test_floats_survive_the_card():
    values = np.random.default_rng(0).normal(size=(3, 5)).astype(np.float32)
    assert (unpack_floats(pack_floats(values)) == values).all()


@pytest.mark.parametrize(
    "change", [{"temperature": {}}, {"least_probability": {w: [0.1] for w in WORDS}}, {"cam_threshold": None}]
)
def test_incomplete_calibration_is_refused(change):
    with pytest.raises(ModelError):
        read_calibration({**default_calibration(), **change})


def test_impossible_temperature_is_refused():
    record = default_calibration()
    record["temperature"] = {**record["temperature"], "family": 0.0}
    with pytest.raises(ModelError, match="does not fit"):
        read_calibration(record)
