"""The joint vote of picture and outline against scipy's optimiser and the promise of split conformal sets."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from tests.train.toy import write_folder
from train.calibrate_vote import ablation, fit, probabilities, vote_of


def sampled(n: int, seed: int, picture: float, outline: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Two log-probability votes (n, 4), and labels drawn from their joint probabilities under the two weights."""
    rng = np.random.default_rng(seed)
    votes = [np.log(p / p.sum(1, keepdims=True)) for p in rng.gamma(0.4, size=(2, n, 4)) + 1e-4]
    chances = probabilities(votes[0], votes[1], picture, outline)
    return votes[0], votes[1], (chances.cumsum(1) > rng.random((n, 1))).argmax(1)


@pytest.mark.parametrize("weights", [(1.0, 0.0), (0.6, 0.9), (0.0, 0.8)])
def test_weights_are_those_of_scipys_optimiser(weights):
    picture, outline, truth = sampled(4000, 5, *weights)

    def loss(ab: np.ndarray) -> float:
        return float(-np.log(probabilities(picture, outline, *ab)[np.arange(4000), truth]).mean())

    best = minimize(loss, (0.5, 0.5), method="Nelder-Mead").x
    found = fit(picture, outline, truth, 0.01)
    assert (found["picture"], found["outline"]) == pytest.approx(tuple(best), abs=0.08)  # the grid's step is 0.1
    assert tuple(best) == pytest.approx(weights, abs=0.1)


def test_sets_hold_the_truth_and_wrong_single_answers_stay_rare():
    picture, outline, truth = sampled(3000, 7, 1.4, 1.0)
    found = fit(picture[:1500], outline[:1500], truth[:1500], 0.01)
    chances = probabilities(picture[1500:], outline[1500:], found["picture"], found["outline"])
    least = np.array(found["least_probability"])
    members = chances >= least
    members[np.arange(1500), chances.argmax(1)] = True
    held = members[np.arange(1500), truth[1500:]]
    assert held.mean() >= 0.93  # 95 % by conformal prediction, less what 1500 pictures scatter
    assert ((members.sum(1) == 1) & ~held).mean() <= 0.02


def test_ablation_counts_each_voter():
    right, wrong = np.log([0.9, 0.1]), np.log([0.2, 0.8])
    picture, outline = np.array([right, right, wrong, right]), np.array([right, wrong, right, right])
    found = {"bottom": (picture, outline, np.zeros(4, np.int64))}
    text = ablation(found, {"bottom": {"picture": 1.0, "outline": 0.0, "least_probability": [0.3, 0.3]}})
    rows = [line.split(" | ") for line in text.splitlines()[2:]]
    assert [row[1] for row in rows] == ["picture", "outline", "both"] and {row[2] for row in rows} == {"75.0%"}
    # gaps by hand: three right at 0.9, one wrong at 0.8, each in a bin of its own
    assert rows[0][3] == f"{(3 * 0.1 + 0.8) / 4:.1%}" and rows[2][4:6] == ["75.0%", "1.00"] and rows[2][6] == "25.0% |"


def test_pictures_without_a_cam_have_no_vote(tmp_path):
    folder = write_folder(tmp_path / "toy", 1, first=4)  # number 4 is a star
    assert vote_of(folder / "000004.json") is None
