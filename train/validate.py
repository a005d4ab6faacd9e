"""How well a network does on pictures it is not trained on, while it trains."""

from __future__ import annotations

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional as f

from train.augment import Dice, finder_batch, reader_batch
from train.dataset import CAM, IGNORE
from train.feed import Feed
from train.model import up
from vision.models import CLASSES, MAPS, WORDS


@torch.no_grad()
def validate(network: nn.Module, feed: Feed, numbers: NDArray[np.int64], which: str, batch: int) -> dict[str, float]:
    """Figures on some stored pictures, as they are but for their roll.

    Shares and accuracies are means, `iou` is over all pixels at once, `px` and `deg` are medians.
    """
    network.eval()
    dice = Dice(torch.Generator(feed.device).manual_seed(1), feed.device)
    found: dict[str, list[Tensor]] = {}
    for i in range(0, len(numbers), batch):
        pixels, facts = feed.take(numbers[i : i + batch])
        if which == "finder":
            figures = _finder_figures(network, finder_batch(pixels, dice, plain=True))
        else:
            truth = reader_batch(pixels, facts, dice, plain=True)
            out = network(truth["rgb"])
            figures = _word_figures(out["words"], truth["words"])
            figures |= _reader_figures(out, truth) if which == "reader" else {}
        for name, values in figures.items():
            found.setdefault(name, []).append(values.double().cpu())
    result = {}
    for name, parts in found.items():
        values = torch.cat(parts)
        if name.startswith("iou"):
            result[name] = float(values.view(-1, 2)[:, 0].sum() / values.view(-1, 2)[:, 1].sum().clamp_min(1.0))
        elif len(values):
            result[name] = float(values.median() if name.endswith(("px", "deg")) else values.mean())
    return {name: round(value, 4) for name, value in result.items()}


def _finder_figures(network: nn.Module, truth: dict[str, Tensor]) -> dict[str, Tensor]:
    best = network(truth["rgb"]).argmax(1)
    known = truth["classes"] != IGNORE
    figures = {}
    for number, name in enumerate(CLASSES):
        mine, right = (best == number) & known, truth["classes"] == number
        figures[f"iou-{name}"] = torch.stack([(mine & right).sum(), (mine | right).sum()])
    mine, right = ((best == CAM) & known).flatten(1), (truth["classes"] == CAM).flatten(1)
    there = right.sum(1) > 20
    iou = (mine & right).sum(1) / (mine | right).sum(1).clamp_min(1)
    figures["cam-found"] = (iou[there] > 0.5).double()
    return figures


def _reader_figures(out: dict[str, Tensor], truth: dict[str, Tensor]) -> dict[str, Tensor]:
    mine, right = up(out["maps"]) > 0.0, truth["maps"] > 0.5
    figures = {
        f"iou-{name}": torch.stack([(mine[:, i] & right[:, i]).sum(), (mine[:, i] | right[:, i]).sum()])
        for i, name in enumerate(MAPS)
    }
    there = ~truth["points"].isnan().any(2).any(1)
    away = (out["points"] - truth["points"])[there].norm(dim=2)
    figures["axis-px"], figures["tail-px"] = away[:, 0], away[:, 1]
    along, wanted = (p[there][:, 1] - p[there][:, 0] for p in (out["points"], truth["points"]))
    figures["tail-deg"] = torch.rad2deg(torch.acos(f.cosine_similarity(along, wanted, dim=1).clamp(-1.0, 1.0)))
    figures["tail-within-10"] = (figures["tail-deg"] < 10.0).double()
    cams = truth["words"][:, list(WORDS).index("cam")] == 1
    wanted_holes = (~truth["centres"][:, 0].isnan().any(2)).sum(1)
    figures["holes-by-centres"] = (peaks(out["centres"][:, 0]) == wanted_holes)[cams].double()
    figures["holes-by-map"] = (pieces(up(out["maps"])) == wanted_holes)[cams].double()
    return figures


def peaks(logits: Tensor) -> Tensor:
    """How many cells of each heat map (N, h, w) are above one half and no less than their eight neighbours, (N,)."""
    top = f.max_pool2d(logits[:, None], 3, 1, 1)[:, 0]
    return ((logits == top) & (logits > 0.0)).sum((1, 2))


def pieces(maps: Tensor) -> Tensor:
    """How many pieces of 20 pixels or more the map of holes and screw heads has, logits (N, M, h, w) to (N,)."""
    least = 20
    shown = (maps[:, MAPS.index("hole")].maximum(maps[:, MAPS.index("screw_head")]) > 0.0).cpu().numpy()
    counts = [
        int(
            (
                cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)[2][1:, cv2.CC_STAT_AREA]
                >= least
            ).sum()
        )
        for mask in shown
    ]
    return torch.tensor(counts, device=maps.device)


def _word_figures(logits: Tensor, words: Tensor) -> dict[str, Tensor]:
    splits = [len(labels) for labels in WORDS.values()]
    figures = {}
    for word, part, label in zip(WORDS, logits.split(splits, dim=1), words.unbind(1), strict=True):
        known = label >= 0
        figures[word] = (part.argmax(1) == label)[known].double()
    return figures
