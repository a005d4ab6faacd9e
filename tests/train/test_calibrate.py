"""Calibration and prediction sets against published worked numbers and two public libraries."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from crepes import ConformalClassifier
from mapie.classification import SplitConformalClassifier
from mapie.metrics.calibration import expected_calibration_error
from scipy.stats import beta, binom
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.calibration import CalibratedClassifierCV
from sklearn.covariance import LedoitWolf
from sklearn.frozen import FrozenEstimator

from tests.train.toy import write_folder
from train import calibrate as c
from train.card import write_card
from train.dataset import part_circle, read_example
from train.export import export
from train.model import Finder, Reader
from vision.classify import look_twice, softmax
from vision.label import Label
from vision.models import SCHEMA, WORDS, load


def test_ece_of_pavlovic_2023():
    # M. Pavlovic 2023, "Expected Calibration Error (ECE): a step-by-step visual explanation": three bins (lower, upper]
    p = np.array([0.22, 0.64, 0.92, 0.42, 0.51, 0.15, 0.70, 0.37, 0.83])
    y = np.array([0, 1, 0, 0, 0, 1, 1, 0, 1])
    correct = (p > 0.5) == y
    assert c.expected_calibration_error(p, correct, bins=3) == pytest.approx(0.23778, abs=5e-6)
    # the same data with the winning class's probability as confidence; recomputed bin by bin from the definition
    confidence = np.maximum(p, 1 - p)
    bins = {k: (confidence > k / 3) & (confidence <= (k + 1) / 3) for k in range(3)}
    direct = sum(abs(correct[b].sum() - confidence[b].sum()) for b in bins.values()) / 9
    assert c.expected_calibration_error(confidence, correct, bins=3) == pytest.approx(direct)
    assert direct == pytest.approx(0.19111, abs=5e-6)


def test_ece_of_four_scores():
    # onenoughtone.com, "probability calibration assessment": four scores of 0.8, half of them right, five bins
    score = np.full(4, 0.8)
    assert c.expected_calibration_error(score, np.array([0, 0, 1, 1], bool), bins=5) == pytest.approx(0.3)


def test_ece_agrees_with_mapie():
    rng = np.random.default_rng(5)
    score = rng.random(400)
    correct = rng.random(400) < score**2
    # theirs counts the edges of the bins
    theirs = expected_calibration_error(correct.astype(int), score, num_bins=c.BINS + 1, split_strategy="uniform")
    assert c.expected_calibration_error(score, correct) == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize(("n", "confidence"), [(30, 0.6), (200, 0.9)])
def test_ece_by_chance_is_the_binomials_mean_deviation(n, confidence):
    # one bin: the mean absolute deviation of a binomial share, by scipy
    count = np.arange(n + 1)
    wanted = (binom.pmf(count, n, confidence) * np.abs(count / n - confidence)).sum()
    assert c.calibration_error_by_chance(np.full(n, confidence), draws=4000) == pytest.approx(wanted, rel=0.05)


def sampled(n: int, seed: int, classes: int = 5, sharpness: float = 2.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Logits, the probabilities they stand for at temperature 1, and labels drawn from those."""
    rng = np.random.default_rng(seed)
    logits = (rng.normal(size=(n, classes)) * sharpness).astype(np.float32)
    probabilities = softmax(logits, 1.0)
    truth = (probabilities.cumsum(1) > rng.random((n, 1))).argmax(1)
    return logits, probabilities, truth


@pytest.mark.parametrize("temperature", [0.5, 1.0, 2.5])
def test_temperature_is_found_again(temperature):
    logits, _, truth = sampled(20000, 3)
    assert c.fit_temperature(logits * np.float32(temperature), truth) == pytest.approx(temperature, rel=0.05)


class Logits(ClassifierMixin, BaseEstimator):
    """A classifier whose inputs are its logits, so that scikit-learn can scale them."""

    def fit(self, x, y):
        self.classes_ = np.unique(y)
        return self

    def decision_function(self, x):
        return x

    def predict_proba(self, x):
        return softmax(np.asarray(x), 1.0)

    def predict(self, x):
        return self.classes_[np.argmax(x, axis=1)]


def test_temperature_agrees_with_scikit_learn():
    logits, _, truth = sampled(3000, 8)
    logits = logits * np.float32(1.7)
    theirs = CalibratedClassifierCV(FrozenEstimator(Logits().fit(logits, truth)), method="temperature")
    theirs.fit(logits, truth)
    mine = softmax(logits, c.fit_temperature(logits, truth))
    assert np.abs(mine - theirs.predict_proba(logits)).max() < 2e-3


@pytest.mark.parametrize(
    ("n", "alpha", "rank"), [(39, 0.05, 38), (99, 0.05, 95), (100, 0.05, 96), (100, 0.1, 91), (19, 0.05, 19)]
)
def test_rank_of_the_conformal_quantile(n, alpha, rank):
    # split conformal: the ceil((n + 1)(1 - alpha))-th smallest score (Angelopoulos & Bates 2021, arXiv 2107.07511)
    scores = np.random.default_rng(n).permutation(np.arange(1.0, n + 1.0))
    assert c.conformal_quantile(scores, alpha) == rank


def test_too_few_scores_rule_nothing_out():
    # at least 19 calibration items for alpha 0.05 (rtemis documentation, setup_SplitConformal)
    assert math.isinf(c.conformal_quantile(np.arange(18.0), 0.05))
    assert c.conformal_quantile(np.arange(19.0), 0.05) == 18.0


def test_coverage_over_many_calibration_sets_is_beta_distributed():
    # coverage given the calibration set ~ Beta(k, n + 1 - k), k = ceil((n + 1)(1 - alpha)) (Vovk 2012; arXiv 2605.19024)
    rng = np.random.default_rng(11)
    n, k = 200, 191
    coverage = np.array([c.conformal_quantile(rng.random(n), 0.05) for _ in range(4000)])  # of uniform scores
    law = beta(k, n + 1 - k)
    assert coverage.mean() == pytest.approx(law.mean(), abs=4 * law.std() / math.sqrt(4000))
    assert coverage.std() == pytest.approx(law.std(), rel=0.05)


def test_sets_agree_with_mapie():
    logits, probabilities, truth = sampled(600, 21)
    fresh, fresh_p, _ = sampled(400, 22)
    theirs = SplitConformalClassifier(
        Logits().fit(logits, truth), confidence_level=0.95, conformity_score="lac", prefit=True
    )
    theirs.conformalize(logits, truth)
    _, sets = theirs.predict_set(fresh)
    quantile = c.conformal_quantile(1.0 - probabilities[np.arange(600), truth])
    assert ((fresh_p >= 1.0 - quantile) == sets[:, :, 0]).all()


def test_mondrian_sets_agree_with_crepes():
    _, probabilities, truth = sampled(900, 31, classes=3)
    _, fresh_p, _ = sampled(300, 32, classes=3)
    scores = 1.0 - probabilities[np.arange(900), truth]
    quantiles = c.label_quantiles(probabilities, truth)
    theirs = ConformalClassifier().fit(scores, bins=truth)
    for k in range(3):
        kept = theirs.predict_set((1.0 - fresh_p)[:, [k]], bins=np.full(300, k), confidence=0.95, smoothing=False)
        assert ((1.0 - fresh_p[:, k] <= quantiles[k]) == kept[:, 0].astype(bool)).all()


def test_a_label_with_few_pictures_takes_the_quantile_of_all():
    _, probabilities, truth = sampled(500, 41, classes=3)
    truth[truth == 2] = 0
    truth[:10] = 2
    every = c.conformal_quantile(1.0 - probabilities[np.arange(500), truth])
    assert c.label_quantiles(probabilities, truth)[2] == every


def test_sets_hold_the_truth_and_wrong_single_answers_stay_rare():
    _, probabilities, truth = sampled(4000, 51, sharpness=5.0)
    least = c.least_probabilities(probabilities[:2000], truth[:2000])
    members = c.set_members(probabilities[2000:], least)
    rows, wanted = np.arange(2000), truth[2000:]
    assert (members.sum(1) >= 1).all()
    assert members[rows, wanted].mean() >= 0.94
    wrong = (members.sum(1) == 1) & ~members[rows, wanted]
    assert wrong.mean() <= 0.012


def test_feature_model_agrees_with_scikit_learn():
    rng = np.random.default_rng(61)
    family = rng.integers(0, 3, 400)
    features = (rng.normal(size=(400, 7)) + np.eye(7)[family] * 6).astype(np.float32)
    model = c.fit_features(features, family)
    unit = features / np.linalg.norm(features, axis=1, keepdims=True)
    away = np.concatenate([unit[family == k] - unit[family == k].mean(0) for k in range(3)])
    theirs = LedoitWolf(assume_centered=True).fit(away).precision_
    assert np.allclose(model.precision, theirs, rtol=1e-3)
    far = c.fit_features(features, family).distance(-features[0])
    assert far > max(model.distance(x) for x in features)


def test_cam_threshold_lies_half_way_between_separated_groups():
    cams, others = np.linspace(0.8, 0.99, 200), np.linspace(0.01, 0.2, 100)
    # ranks by hand: ceil(201 * 0.985) = 198th from above is the 3rd smallest cam, ceil(101 * 0.97) = 98th other thing
    ends = np.log([cams[2] / (1 - cams[2]), others[97] / (1 - others[97])])
    assert c.cam_threshold(cams, others) == pytest.approx(1 / (1 + math.exp(-ends.mean())))


def test_cam_threshold_refuses_few_cams_even_where_groups_mix():
    rng = np.random.default_rng(71)
    refused = []
    for _ in range(200):  # the promise holds over calibration sets
        threshold = c.cam_threshold(rng.beta(4, 2, 300), rng.beta(2, 4, 300))
        refused.append((rng.beta(4, 2, 2000) < threshold).mean())
    assert np.mean(refused) <= 0.015 + 0.002 and np.mean(refused) > 0.008


def test_cam_threshold_of_too_few_pictures():
    assert c.cam_threshold(np.full(9, 0.9), np.array([0.1, 0.2])) == 0.5
    assert c.cam_threshold(np.array([0.9]), np.linspace(0.1, 0.8, 50)) == 0.8
    assert c.cam_threshold(np.linspace(0.6, 0.9, 100), np.array([])) == pytest.approx(0.6, abs=0.01)
    assert c.cam_threshold(np.full(100, 1.0), np.full(100, 0.0)) < 1.0  # a saturated network refuses nothing


def test_other_things_that_nothing_took_for_a_part_count_as_refused():
    def look(n: int, family: int, cam: float, *, found: bool = True) -> c.Look:
        truth = dict.fromkeys(WORDS, 0) | {"family": family} if family >= 0 else dict.fromkeys(WORDS, c.NO_TRUTH)
        truth["cam"] = int(family >= 0)
        rng = np.random.default_rng(n)
        logits = {word: rng.normal(size=len(labels)).astype(np.float32) for word, labels in WORDS.items()}
        logits["cam"] = np.array([0.0, cam], np.float32)
        seen = (logits, rng.normal(size=6).astype(np.float32)) if found else (None, None)
        return c.Look(Path(f"{n}.json"), Label("x.jpg", 1, 1, None), truth, found, *seen, None, None)

    cams = [look(i, i % 2, 4.0 + 0.01 * i) for i in range(200)]
    taken = [look(500 + i, -1, 3.0) for i in range(2)]
    unseen = [look(600 + i, -1, 0.0, found=False) for i in range(98)]
    record, figures = c.fit([*cams, *taken, *unseen], [])
    assert figures["refusal"]["not_cams"] == 100 and figures["refusal"]["not_cams_refused"] >= 0.98
    # rank ceil(101 * 0.97) = 98 of a hundred is a thing unseen; of two alone no rank holds 97 %, so cams alone decide
    assert record["cam_threshold"] < c.fit([*cams, *taken], [])[0]["cam_threshold"]


@pytest.fixture(scope="module")
def models(tmp_path_factory):
    """Untrained networks as files: enough to see that the card is written and read."""
    folder = tmp_path_factory.mktemp("models")
    for which, network in (("finder", Finder()), ("reader", Reader())):
        export(network, which, folder / f"{which}.onnx")
    return folder


def test_calibration_is_written_into_the_card(models, tmp_path):
    pictures = write_folder(tmp_path / "shifted", 40)
    looks = c.look_at_all(c.labelled(pictures), models, by_truth=True, workers=1)
    assert len(looks) == 40 and {look.truth["cam"] for look in looks} == {0, 1} and all(look.found for look in looks)
    record, figures = c.fit(looks, [])
    card = {**load(models / "reader.onnx", "reader").card, "calibration": record, "calibrated_on": {"data": []}}
    write_card(models / "reader.onnx", SCHEMA, card)
    calibration = load(models / "reader.onnx", "reader").calibration
    assert calibration.features is not None and calibration.distance_threshold is not None
    assert calibration.temperature["family"] == record["temperature"]["family"]
    assert set(figures) >= {"family", "bottom", "hand", "facing", "cam", "refusal"}
    json.dumps(figures)


def test_looks_are_those_of_the_run_time_code_with_the_given_networks(models, tmp_path):
    pictures = write_folder(tmp_path / "few", 2)
    for look in c.look_at_all(c.labelled(pictures), models, workers=1):  # untrained: it finds what it finds
        assert look.found == (look.logits is not None) == (look.feature is not None)
    looks = c.look_at_all(c.labelled(pictures), models, by_truth=True, workers=1)
    picture, label = read_example(looks[0].path)
    circle = part_circle(label)
    assert circle is not None and looks[0].logits is not None
    raw, _ = look_twice(picture, *circle, model=load(models / "reader.onnx", "reader"))
    assert np.array_equal(looks[0].logits["family"], raw.logits["family"])
    shipped, _ = look_twice(picture, *circle)  # the shipped ones are in use again
    assert not np.array_equal(shipped.logits["family"], raw.logits["family"])
