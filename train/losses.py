"""What the networks are punished for."""

from __future__ import annotations

from typing import Final

import torch
from torch import Tensor
from torch.nn import functional as f

from train.dataset import IGNORE
from train.model import HUB_TYPICAL_PX, up
from vision.models import CLASSES, MAPS, WORDS

SMOOTHING: Final = 0.01  # more of it costs the order of the confidences, which prediction sets live on
WORD_WEIGHTS: Final = {"family": 1.0, "bottom": 0.6, "hand": 0.6, "facing": 0.5, "cam": 0.5}
SPOT_CELLS: Final = 1.2  # standard deviation of a point's spot in a heat map
OPENINGS: Final = slice(
    MAPS.index("face") + 1, None
)  # all maps but the first; a list would be sent to the GPU each time
NEAR_PX: Final = 9  # a hole and what is this near it
NEAR_WEIGHT: Final = 6.0  # holes fill 1 % of a patch, and their number must be right


def finder_loss(logits: Tensor, classes: Tensor) -> Tensor:
    """Cross-entropy with the cam's edge not weighed more than its inside, plus soft Dice of every class present."""
    known = classes != IGNORE
    weight = torch.ones(len(CLASSES), device=logits.device)
    weight[1:] = 2.0  # most of a photo is bench
    entropy = f.cross_entropy(logits, classes, weight, ignore_index=IGNORE)
    share = torch.softmax(logits, dim=1) * known[:, None]
    truth = f.one_hot(torch.where(known, classes, 0), len(CLASSES)).permute(0, 3, 1, 2) * known[:, None]
    overlap, total = (share * truth).sum((0, 2, 3)), (share + truth).sum((0, 2, 3))
    present = truth.sum((0, 2, 3)) > 0
    dice = 1.0 - (2.0 * overlap + 1.0) / (total + 1.0)
    return entropy + 0.5 * (dice * present).sum() / present.sum().clamp_min(1)


def reader_loss(
    out: dict[str, Tensor], truth: dict[str, Tensor], *, near_weight: float = NEAR_WEIGHT, smoothing: float = SMOOTHING
) -> dict[str, Tensor]:
    """The losses of the reader by name; their sum is minimised."""
    losses = map_losses(up(out["maps"].float()), truth["maps"], near_weight)
    points, heat = truth["points"], out["heat"]
    inside = ((points > 0.0) & (points < 255.0)).all(dim=2)  # NaN compares false
    spot = spots(torch.nan_to_num(points), heat.shape[-1])
    spot = spot / spot.sum((2, 3), keepdim=True).clamp_min(1e-6)
    entropy = -(spot * torch.log_softmax(heat.flatten(2), 2).view_as(heat)).sum((2, 3))
    losses["heat"] = 0.25 * _mean(entropy, inside)
    losses["place"] = 0.6 * _mean(
        f.smooth_l1_loss(out["points"], torch.nan_to_num(points), reduction="none").mean(2) / 8.0, inside
    )
    along, wanted_along = out["points"][:, 1] - out["points"][:, 0], points[:, 1] - points[:, 0]
    cosine = f.cosine_similarity(along, torch.nan_to_num(wanted_along), dim=1, eps=1e-3)
    losses["tail"] = 2.0 * _mean(1.0 - cosine, ~wanted_along.isnan().any(dim=1))
    hub = truth["hub"]
    ratio = f.smooth_l1_loss(
        out["hub_log"][:, 0].float(),
        torch.log(torch.nan_to_num(hub, nan=50.0) / HUB_TYPICAL_PX),
        reduction="none",
        beta=0.1,
    )
    losses["hub"] = 0.5 * _mean(ratio, ~hub.isnan())
    losses["centres"] = 0.2 * centre_loss(out["centres"].float(), truth["centres"])
    return losses | word_losses(out["words"], truth["words"], smoothing)


def map_losses(logits: Tensor, wanted: Tensor, near_weight: float = NEAR_WEIGHT) -> dict[str, Tensor]:
    """Losses of the maps, logits and truth (N, len(MAPS), h, w).

    Cross-entropy, heavier at and near openings; Dice of each map over the whole batch, which also counts what is seen
    where nothing is; and Dice of each opening map in each picture that has some, so that a small hole in one picture
    weighs as much as a large one in another.
    """
    near = f.max_pool2d(f.avg_pool2d(wanted[:, OPENINGS].amax(1, keepdim=True), 2), NEAR_PX, 1, NEAR_PX // 2)
    weight = 1.0 + near_weight * (f.interpolate(near, scale_factor=2.0, mode="nearest") > 0.0)
    entropy = f.binary_cross_entropy_with_logits(logits, wanted, reduction="none")
    share = torch.sigmoid(logits)
    overlap, total = (share * wanted).sum((2, 3)), (share + wanted).sum((2, 3))
    whole = 1.0 - (2.0 * overlap.sum(0) + 1.0) / (total.sum(0) + 1.0)
    each = 1.0 - (2.0 * overlap + 1.0) / (total + 1.0)
    present = wanted[:, OPENINGS].sum((2, 3)) > 0.0
    return {
        "maps": 2.0 * (entropy * weight).mean() / weight.mean(),
        "dice": whole.mean(),
        "openings": 0.5 * _mean(each[:, OPENINGS], present),
    }


def spots(points_px: Tensor, cells: int, *, snap: bool = False) -> Tensor:
    """Round spots of height 1 in heat maps of a 256 px patch, (N, K, 2) x, y to (N, K, cells, cells).

    With `snap` each spot sits on the middle of its cell, so that one cell is exactly 1.
    """
    at = (points_px + 0.5) / 256.0 * cells - 0.5
    at = at.round() if snap else at
    ticks = torch.arange(cells, device=points_px.device)
    column = torch.exp(-0.5 * ((ticks - at[..., :1]) / SPOT_CELLS) ** 2)
    row = torch.exp(-0.5 * ((ticks - at[..., 1:]) / SPOT_CELLS) ** 2)
    return row[..., :, None] * column[..., None, :]


def centre_loss(logits: Tensor, centres: Tensor) -> Tensor:
    """Penalty-reduced focal loss of heat maps of object centres (Zhou, Wang & Krähenbühl 2019, arXiv 1904.07850, eq. 1).

    Parameters
    ----------
    logits : Tensor of shape (N, C, h, w)
    centres : Tensor of shape (N, C, K, 2)
        Patch pixels; NaN where there is none.
    """
    n, classes, slots, _ = centres.shape
    known = ~centres.isnan().any(3) & ((centres > 0.0) & (centres < 255.0)).all(3)
    spot = spots(torch.nan_to_num(centres).view(n, classes * slots, 2), logits.shape[-1], snap=True)
    wanted = (spot.view(n, classes, slots, *logits.shape[2:]) * known[..., None, None]).amax(2)
    share = torch.sigmoid(logits)
    hit = wanted == 1.0
    missed = -((1.0 - share) ** 2) * f.logsigmoid(logits) * hit
    false = -((1.0 - wanted) ** 4) * share**2 * f.logsigmoid(-logits) * ~hit
    return (missed + false).sum() / hit.sum().clamp_min(1)


def word_losses(logits: Tensor, words: Tensor, smoothing: float = SMOOTHING) -> dict[str, Tensor]:
    """Cross-entropy of every word where it is known, logits (N, K) and words (N, W)."""
    losses = {}
    splits = [len(labels) for labels in WORDS.values()]
    for word, part, label in zip(WORDS, logits.float().split(splits, dim=1), words.unbind(1), strict=True):
        each = f.cross_entropy(part, label.clamp_min(0), reduction="none", label_smoothing=smoothing)
        losses[word] = WORD_WEIGHTS[word] * _mean(each, label >= 0)
    return losses


def _mean(values: Tensor, where: Tensor) -> Tensor:
    return (values * where).sum() / where.sum().clamp_min(1)
