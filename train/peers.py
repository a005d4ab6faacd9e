"""What the networks are compared with: classic features of the tail-up mask with an SVM, and a common small network.

The masks are the reader's own, turned tail up by it: the peers start from the better half of the work already done.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from skimage.feature import hog
from skimage.measure import label, regionprops
from sklearn.calibration import CalibratedClassifierCV
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from sklearn.svm import SVC

from train.calibrate import NO_TRUTH, Look, expected_calibration_error
from train.checkpoint import finished_weights
from train.model import MobileNet
from vision.models import WORDS

MASK_PX: Final = 128
MASK_WORDS: Final = ("family", "bottom", "hand")  # what an outline can tell
REGULARISATION: Final = 30.0  # C of the RBF kernel SVM; a usual middle value for some thousand standardised samples

Features = Callable[[NDArray[np.bool_]], NDArray[np.float64]]


def hog_features(mask: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Histogram of oriented gradients (Dalal & Triggs 2005): 9 bins, cells of 16 px, on the mask at 128 px."""
    small = cv2.resize(mask.astype(np.float32), (MASK_PX, MASK_PX), interpolation=cv2.INTER_AREA)
    return np.asarray(hog(small, orientations=9, pixels_per_cell=(16, 16), cells_per_block=(2, 2)), dtype=np.float64)


def region_features(mask: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Twelve region properties of the greatest piece of the mask, free of scale."""
    regions = regionprops(label(mask))
    if not regions:
        return np.zeros(12)
    r = max(regions, key=lambda region: region.area)
    top, left, bottom, right = r.bbox
    y, x = r.centroid
    hu = np.sign(r.moments_hu[:4]) * np.log10(np.abs(r.moments_hu[:4]) + 1e-12)
    ratios = [
        r.eccentricity,
        r.solidity,
        r.extent,
        4.0 * np.pi * r.area / max(r.perimeter, 1.0) ** 2,
        r.axis_minor_length / max(r.axis_major_length, 1.0),
        (right - left) / (bottom - top),
        (x - left) / (right - left),
        (y - top) / (bottom - top),
    ]
    return np.array([*ratios, *hu])


MASK_PEERS: Final[dict[str, Features]] = {"HOG + SVM": hog_features, "region properties + SVM": region_features}


def usable(looks: Sequence[Look]) -> list[Look]:
    """The looks at cams that hold a mask."""
    return [x for x in looks if x.face is not None and x.truth["family"] != NO_TRUTH]


def mask_peer(features: Features, training: Sequence[Look], test: Sequence[Look]) -> dict[str, Any]:
    """Train one SVM a word on the training looks and count how often it is right on the test looks."""
    training, test = usable(training), usable(test)
    xs, ys = (np.stack([features(x.face) for x in looks if x.face is not None]) for looks in (training, test))
    figures: dict[str, Any] = {}
    for word in MASK_WORDS:
        truth = np.array([x.truth[word] for x in training])
        svm = make_pipeline(StandardScaler(), SVC(C=REGULARISATION))
        if word == "family":  # Platt's sigmoid on held-out folds gives it probabilities
            svm = CalibratedClassifierCV(svm, ensemble=False, cv=3)
        svm.fit(xs[truth != NO_TRUTH], truth[truth != NO_TRUTH])
        wanted = np.array([x.truth[word] for x in test])
        counted = (wanted != NO_TRUTH) & ((wanted != 0) | (word != "hand"))
        figures[word] = float((svm.predict(ys)[counted] == wanted[counted]).mean())
        if word == "family":
            chances = svm.predict_proba(ys)
            right = svm.classes_[chances.argmax(1)] == wanted
            figures["ece"] = expected_calibration_error(chances.max(1), right)
    return figures


def network_peer(run: Path, test: Sequence[Look]) -> dict[str, Any]:
    """How often a MobileNetV3-small trained by `train.loop --which mobilenet` is right on the tail-up patches."""
    record = finished_weights(run)
    network = MobileNet()
    network.load_state_dict(record["average"])
    network.eval()
    test = usable(test)
    rows = []
    with torch.no_grad():
        for x in test:
            rgb = torch.from_numpy(np.ascontiguousarray(x.rgb)).permute(2, 0, 1)[None].float() / 255.0
            rows.append(network(rgb)["words"][0])
    splits = [len(labels) for labels in WORDS.values()]
    figures: dict[str, Any] = {}
    for word, logits in zip(WORDS, torch.stack(rows).split(splits, dim=1), strict=True):
        wanted = np.array([x.truth[word] for x in test])
        counted = (wanted != NO_TRUTH) & ((wanted != 0) | (word != "hand"))
        if word == "facing":
            counted &= np.array([x.label.facing_shows for x in test])
        chances = torch.softmax(logits, dim=1).numpy().astype(np.float64)
        right = chances.argmax(1) == wanted
        figures[word] = float(right[counted].mean()) if counted.any() else None
        if word == "family":
            figures["ece"] = expected_calibration_error(chances.max(1), right)
    return figures
