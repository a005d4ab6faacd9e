"""Fit how far the reader's probabilities may be trusted, on shifted pictures that nothing was trained on.

    python -m train.calibrate --models vision/models --data CALIBRATION --features TRAINING

Every picture goes through the run-time code (finder, patch, reader twice). Temperatures, prediction sets, the threshold
of not-a-cam and the distance to known features are written into the reader's card. Neither torch nor a GPU is needed.
"""

from __future__ import annotations

import math
import multiprocessing
import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

import click
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from sklearn.covariance import ledoit_wolf

from train.card import write_card
from train.dataset import FACTS, describe, labelled, part_circle, read_example, reader_facts
from vision import models as networks
from vision.classify import look_twice, softmax
from vision.find import find_part
from vision.label import Label
from vision.models import SCHEMA, WORDS, FeatureModel, default_calibration, load, pack_floats, read_calibration
from vision.patch import PATCH_PX
from vision.segment import find_regions

Array = NDArray[np.float64]

ALPHA: Final = 0.05  # prediction sets miss the true label at most this often
BINS: Final = 15
LEAST_PER_LABEL: Final = 40  # under this many calibration pictures of a label, the quantile of all labels serves
FLOORS: Final = (0.15, 0.1, 0.07, 0.05, 0.03, 0.02, 0.01)
WRONG_AND_SURE: Final = 0.005  # share of calibration pictures that may get one single, wrong answer
FAR_SHARE: Final = 0.005  # share of cams that may lie beyond the distance threshold
REFUSED_SHARE: Final = 0.015  # share of cams that may fall short of the threshold of a cam; 2 % with the distance
PASSED_SHARE: Final = 0.03  # share of other things that may reach it
FAMILIES_OF_FEATURES: Final = 2000  # pictures the feature model is fitted on, at most
NO_TRUTH: Final = -1


@dataclass(frozen=True, slots=True)
class Photo:
    """What `find_regions` needs of a photo."""

    pixels: NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Look:
    """What the networks said about one picture, uncalibrated, and what is true.

    `found` is False when the finder saw nothing, or looked beside the cam; then logits and feature are None.
    """

    path: Path
    label: Label
    truth: dict[str, int]
    found: bool
    logits: dict[str, NDArray[np.float32]] | None
    feature: NDArray[np.float32] | None
    face: NDArray[np.bool_] | None
    rgb: NDArray[np.uint8] | None


def look_at(path: Path, *, by_truth: bool = False) -> Look:
    """Send one labelled picture through the run-time code.

    `by_truth` shows the reader the part where the Label says it is: what there is to see, not what is found.
    """
    picture, label = read_example(path)
    facts = reader_facts(label, np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))
    truth = {word: int(v) if math.isfinite(v) else NO_TRUTH for word, v in ((w, facts[FACTS.index(w)]) for w in WORDS)}
    circle = part_circle(label)
    raw, patch = None, None
    if by_truth and circle is not None:
        raw, patch = look_twice(picture, *circle)
    elif not by_truth:
        found = find_part(picture, find_regions(Photo(picture)))
        raw, patch = None if found.words is None else found.words.raw, found.patch
    if raw is None or patch is None:
        return Look(path, label, truth, False, None, None, None, None)
    if not by_truth and label.family is not None and circle is not None:
        middle = patch.photo_points(np.full((1, 2), (PATCH_PX - 1) / 2.0))[0]
        if math.dist(middle, circle[0]) > circle[1]:  # another thing was looked at
            return Look(path, label, truth, False, None, None, None, None)
    return Look(path, label, truth, True, raw.logits, raw.feature, raw.maps[0] > 0.5, patch.rgb)


def look_at_all(
    paths: Sequence[Path], models: Path, *, by_truth: bool = False, workers: int | None = None
) -> list[Look]:
    """Send many pictures through the run-time code with the networks of a folder, on all cores."""
    workers = min(workers or len(os.sched_getaffinity(0)), max(1, len(paths) // 8))
    look = partial(look_at, by_truth=by_truth)
    if workers <= 1:
        before = networks.FOLDER
        _open(models)
        try:
            return [look(path) for path in paths]
        finally:
            _open(before)
    with multiprocessing.get_context("spawn").Pool(workers, initializer=_open, initargs=(models,)) as pool:
        return pool.map(look, paths, chunksize=4)


def _open(models: Path) -> None:
    """Let the run-time code take a folder's networks for the shipped ones: what is calibrated is what will run."""
    networks.FOLDER = models  # type: ignore[misc]
    networks.shipped.cache_clear()


def expected_calibration_error(confidence: Array, correct: NDArray[np.bool_], bins: int = BINS) -> float:
    """Mean absolute gap between accuracy and confidence over equal-width bins (lower, upper] (Guo et al. 2017).

    Parameters
    ----------
    confidence : ndarray of shape (N,), in 0..1
    correct : ndarray of shape (N,), bool
    """
    place = np.clip(np.ceil(confidence * bins).astype(int) - 1, 0, bins - 1)
    count = np.bincount(place, minlength=bins)
    gap = np.bincount(place, weights=correct.astype(float), minlength=bins) - np.bincount(
        place, weights=confidence, minlength=bins
    )
    return float(np.abs(gap[count > 0]).sum() / len(confidence))


def calibration_error_by_chance(confidence: Array, bins: int = BINS, draws: int = 400) -> float:
    """The mean expected calibration error of one who is right exactly as often as stated, on as many pictures.

    With few pictures in a bin chance alone leaves a gap: less than this can be asked of nobody.

    Parameters
    ----------
    confidence : ndarray of shape (N,), in 0..1
    """
    dice = np.random.default_rng(0)
    right = dice.random((draws, len(confidence))) < confidence
    return float(np.mean([expected_calibration_error(confidence, row, bins) for row in right]))


def negative_log_likelihood(logits: NDArray[np.float32], truth: NDArray[np.int64], temperature: float) -> float:
    """Mean cross entropy to the true labels, held a little short of certain: (n + 1) / (n + 2) of n pictures.

    Platt's targets (Platt 1999, Probabilistic outputs for support vector machines, section 2.1): without them a network
    that makes no mistake on the calibration pictures is taken never to make one.
    """
    n, labels = logits.shape
    log_p = np.log(np.maximum(softmax(logits, temperature), 1e-12))
    certain = (n + 1.0) / (n + 2.0)
    spread = (1.0 - certain) / max(labels - 1, 1)
    chosen = log_p[np.arange(n), truth]
    return float(-(certain * chosen + spread * (log_p.sum(axis=1) - chosen)).mean())


def fit_temperature(logits: NDArray[np.float32], truth: NDArray[np.int64]) -> float:
    """The temperature with the least negative log-likelihood, between 0.1 and 10 (Guo et al. 2017).

    Parameters
    ----------
    logits : ndarray of shape (N, K)
    truth : ndarray of shape (N,)
    """
    found = minimize_scalar(
        lambda log_t: negative_log_likelihood(logits, truth, math.exp(log_t)),
        bounds=(math.log(0.1), math.log(10.0)),
        method="bounded",
    )
    return float(math.exp(found.x))


def conformal_quantile(scores: Array, alpha: float = ALPHA) -> float:
    """The ceil((n + 1)(1 - alpha))-th smallest score; infinite when there are too few scores for that.

    Sets of all labels with a score up to it hold the truth with probability 1 - alpha or more, if the picture at hand
    is exchangeable with those the scores come from.
    """
    rank = math.ceil((len(scores) + 1) * (1.0 - alpha) - 1e-9)
    return math.inf if rank > len(scores) else float(np.sort(scores)[rank - 1])


def label_quantiles(probabilities: Array, truth: NDArray[np.int64], alpha: float = ALPHA) -> Array:
    """Split conformal quantile of 1 - p(true label) for each label by itself (Mondrian), (K,).

    A label with too few pictures takes the quantile of all.
    """
    scores = 1.0 - probabilities[np.arange(len(truth)), truth]
    every = conformal_quantile(scores, alpha)
    return np.array(
        [
            conformal_quantile(scores[truth == k], alpha) if (truth == k).sum() >= LEAST_PER_LABEL else every
            for k in range(probabilities.shape[1])
        ]
    )


def set_members(probabilities: Array, least: Array) -> NDArray[np.bool_]:
    """Which labels are plausible, (N, K): at least as probable as each one's least, and always the most probable."""
    members = probabilities >= least
    members[np.arange(len(probabilities)), probabilities.argmax(1)] = True
    return np.asarray(members)


def least_probabilities(probabilities: Array, truth: NDArray[np.int64]) -> Array:
    """Least probability of each label to be plausible, (K,).

    The conformal quantile alone gives single answers nearly always, right or wrong, once the network is right more than
    95 % of the time. So labels are also kept down to a floor: the highest at which single wrong answers stay rare. Sets
    only grow by it, so their coverage stays.
    """
    conformal = 1.0 - label_quantiles(probabilities, truth)
    for floor in FLOORS:
        least = np.maximum(np.minimum(conformal, floor), 0.0)
        members = set_members(probabilities, least)
        wrong = (members.sum(1) == 1) & (probabilities.argmax(1) != truth)
        if wrong.mean() <= WRONG_AND_SURE:
            break
    return least


def fit_features(features: NDArray[np.float32], family: NDArray[np.int64]) -> FeatureModel:
    """One mean a family and one shared precision over features of length one (Ledoit & Wolf 2004 shrinkage)."""
    unit = features.astype(np.float64) / np.maximum(np.linalg.norm(features, axis=1, keepdims=True), 1e-12)
    means = np.stack([unit[family == k].mean(0) for k in np.unique(family)])
    away = unit - means[np.searchsorted(np.unique(family), family)]
    covariance, _ = ledoit_wolf(away, assume_centered=True)
    return FeatureModel(means, np.linalg.inv(covariance))


def cam_threshold(cams: Array, others: Array) -> float:
    """The probability of a cam from which it is taken for one.

    Both errors are bounded as in split conformal prediction: at most `REFUSED_SHARE` of cams and `PASSED_SHARE` of other
    things are taken wrongly, if they are exchangeable with these. Where both bounds can be held, half way between them in
    log-odds; where they cannot, the bound on cams holds, and as many other things are refused as that allows.

    Parameters
    ----------
    cams, others : ndarray
        Calibrated probabilities of a cam, of pictures of cams and of other things.
    """
    highest = -conformal_quantile(-cams, REFUSED_SHARE)  # from here on too many cams would be refused
    lowest = conformal_quantile(others, PASSED_SHARE)  # up to here too many other things would pass
    if not math.isfinite(highest):
        return 0.5 if math.isinf(lowest) else max(0.5, lowest)
    if not math.isfinite(lowest) or lowest >= highest:
        return highest
    low, high = (math.log(p / (1.0 - p)) for p in np.clip([lowest, highest], 1e-6, 1.0 - 1e-6))
    return 1.0 / (1.0 + math.exp(-0.5 * (low + high)))


def stack(looks: Sequence[Look], word: str) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Logits (N, K) and truth (N,) of a word, of the looks that found something whose truth is known."""
    kept = [look for look in looks if look.logits is not None and look.truth[word] != NO_TRUTH]
    if not kept:
        return np.zeros((0, len(WORDS[word])), np.float32), np.zeros(0, np.int64)
    logits = np.stack([look.logits[word] for look in kept if look.logits is not None])
    return logits, np.array([look.truth[word] for look in kept], np.int64)


def fit(looks: Sequence[Look], feature_looks: Sequence[Look]) -> tuple[dict[str, Any], dict[str, Any]]:
    """The calibration record of a card, and the figures that describe it.

    Parameters
    ----------
    looks : sequence of Look
        Shifted pictures, cams and others.
    feature_looks : sequence of Look
        Pictures of the training kind, for where known features lie; `looks` themselves when empty.
    """
    record = default_calibration()
    figures: dict[str, Any] = {}
    shifted = [x for x in looks if x.label.tags.get("renderer") != "fast"] or looks  # the style of training is too easy
    for word, labels in WORDS.items():
        logits, truth = stack(shifted, word)
        if len(truth) < 20:
            raise click.ClickException(f"{len(truth)} calibration pictures tell the {word}: at least 20 are needed")
        temperature = fit_temperature(logits, truth)
        probabilities = softmax(logits, temperature)
        least = least_probabilities(probabilities, truth)
        record["temperature"][word] = round(temperature, 4)
        record["least_probability"][word] = [round(float(v), 5) for v in least]
        before = softmax(logits, 1.0)
        members = set_members(probabilities, least)
        figures[word] = {
            "pictures": len(truth),
            "accuracy": round(float((probabilities.argmax(1) == truth).mean()), 4),
            "ece_before": round(expected_calibration_error(before.max(1), before.argmax(1) == truth), 4),
            "ece_after": round(expected_calibration_error(probabilities.max(1), probabilities.argmax(1) == truth), 4),
            "coverage": round(float(members[np.arange(len(truth)), truth].mean()), 4),
            "set_size": round(float(members.sum(1).mean()), 4),
            "labels": list(labels),
        }
    logits, truth = stack(looks, "cam")
    cam = softmax(logits, record["temperature"]["cam"])[:, 1]
    unseen = sum(1 for x in looks if x.truth["cam"] == 0 and not x.found)  # other things that nothing took for a part
    record["cam_threshold"] = cam_threshold(cam[truth == 1], np.append(cam[truth == 0], np.zeros(unseen)))
    known = [x for x in (feature_looks or looks) if x.feature is not None and x.truth["family"] != NO_TRUTH]
    model = fit_features(
        np.stack([x.feature for x in known if x.feature is not None]), np.array([x.truth["family"] for x in known])
    )
    record["features"] = {"means": pack_floats(model.means), "precision": pack_floats(model.precision)}
    seen = [x for x in looks if x.logits is not None]
    away = np.array([model.distance(x.feature) for x in seen if x.feature is not None])
    taken = (truth == 1) & (cam >= record["cam_threshold"])  # the others are refused already
    distances = away[taken if taken.any() else truth == 1]
    farthest = conformal_quantile(distances, FAR_SHARE)
    record["distance_threshold"] = round(farthest if math.isfinite(farthest) else 1.05 * float(distances.max()), 4)
    refused = (cam < record["cam_threshold"]) | (away > record["distance_threshold"])
    figures["refusal"] = {
        "not_cams": int((truth == 0).sum()) + unseen,
        "not_cams_refused": round(
            float(refused[truth == 0].sum() + unseen) / max(int((truth == 0).sum()) + unseen, 1), 4
        ),
        "cams_refused": round(float(refused[truth == 1].mean()), 4),
        "cams_not_found": sum(1 for x in looks if x.truth["cam"] == 1 and not x.found),
    }
    read_calibration(record)
    return record, figures


def calibrate(
    models: Path, folders: Sequence[Path], feature_folders: Sequence[Path], *, limit: int | None = None
) -> dict[str, Any]:
    """Fit the calibration and write it into the reader's card; the figures come back."""
    paths = [path for folder in folders for path in labelled(folder)]
    looks = look_at_all(paths[:limit], models)
    spread = [path for folder in feature_folders for path in labelled(folder)]
    spread = spread[:: max(1, len(spread) // FAMILIES_OF_FEATURES)]
    calibration, figures = fit(looks, look_at_all(spread, models, by_truth=True) if spread else [])
    data = [describe(x, labelled(x)) for x in folders]
    path = models / "reader.onnx"
    card = {
        **load(path, "reader").card,
        "calibration": calibration,
        "calibrated_on": {"data": data, "figures": figures},
    }
    write_card(path, SCHEMA, card)
    load(path, "reader")
    return figures


def folders_option(name: str, target: str, text: str, *, required: bool = False) -> Any:
    """A click option for one or more folders."""
    kind = click.Path(exists=True, file_okay=False, path_type=Path)
    return click.option(name, target, multiple=True, required=required, type=kind, help=text)


@click.command()
@click.option(
    "--models",
    default=Path("vision/models"),
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Folder with finder.onnx and reader.onnx.",
)
@folders_option("--data", "folders", "Folder of shifted pictures with Labels; may be given again.", required=True)
@folders_option("--features", "feature_folders", "Folder of training pictures, for where known features lie.")
@click.option("--limit", type=int, help="Use only so many calibration pictures.")
def main(models: Path, folders: tuple[Path, ...], feature_folders: tuple[Path, ...], limit: int | None) -> None:
    """Fit temperatures, prediction sets and refusal thresholds, and write them into reader.onnx."""
    for word, figures in calibrate(models, folders, feature_folders, limit=limit).items():
        click.echo(f"{word}: {figures}")


if __name__ == "__main__":
    main()
