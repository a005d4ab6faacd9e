"""The networks that look at unrolled outlines, and what they are made of.

All shrink a strip twice, look far along it there, and come back with what they saw on the way. `EdgeNet` knows nothing but the
strip. `ShapedEdgeNet` lets its rows look at one another, each told where on the outline it lies: a doubtful place is judged
by the rest of the shape. `LeanNet` sums its rows along their normals instead, so that what it says of a lean turns with the
picture.
"""

from __future__ import annotations

import math
from typing import Final

import torch
from torch import Tensor, nn
from torch.nn import functional as f

from vision.face_edge import OVERLAP
from vision.lean import DROPS

LEAST_DROP: Final = 0.2  # samples: no drop is told better
FAR_DROP: Final = 8.0  # samples: one part of the density lies this wide about none, so that nothing is impossible
WAVES: Final = 3  # wavelengths of a row's place that it is told, each half the one before


def conv(
    inputs: int, outputs: int, *, size: int = 3, stride: int = 1, dilation: int = 1, groups: int = 1
) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, size, stride, dilation * (size // 2), dilation, groups, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(),
    )


def separable(inputs: int, outputs: int, dilation: int = 1) -> nn.Sequential:
    """A convolution of each channel alone, then across channels (Howard et al. 2017, arXiv:1704.04861)."""
    return nn.Sequential(conv(inputs, inputs, dilation=dilation, groups=inputs), conv(inputs, outputs, size=1))


def doubled(x: Tensor) -> Tensor:
    return f.interpolate(x, scale_factor=2.0, mode="bilinear", align_corners=False)


class Residual(nn.Module):
    """What a separable convolution adds to its input (He et al. 2016, arXiv:1512.03385)."""

    def __init__(self, channels: int, dilation: int = 1) -> None:
        super().__init__()
        self.added = separable(channels, channels, dilation)

    def forward(self, x: Tensor) -> Tensor:
        added: Tensor = self.added(x)
        return x + added


class Attention(nn.Module):
    """Tokens (N, rows, C) that look at one another (Vaswani et al. 2017, arXiv:1706.03762; norms first)."""

    def __init__(self, channels: int, heads: int = 4) -> None:
        super().__init__()
        self.asked = nn.Linear(channels, 3 * channels)  # queries, keys and values
        self.heard = nn.Linear(channels, channels)
        self.before, self.between = nn.LayerNorm(channels), nn.LayerNorm(channels)
        self.thought = nn.Sequential(nn.Linear(channels, 2 * channels), nn.ReLU(), nn.Linear(2 * channels, channels))
        self.heads = heads

    def forward(self, t: Tensor) -> Tensor:
        asked = self.asked(self.before(t)).chunk(3, dim=2)
        # split by size, not reshaped: an export would fix the batch's
        query, key, value = (x.unflatten(2, (self.heads, -1)).transpose(1, 2) for x in asked)
        weight = torch.softmax(query @ key.transpose(2, 3) * (self.heads / t.shape[2]) ** 0.5, dim=3)
        t = t + self.heard((weight @ value).transpose(1, 2).flatten(2))
        thought: Tensor = self.thought(self.between(t))
        return t + thought


class Rows(nn.Module):
    """Rows of features (N, C, rows, places) told of one another; `shape` (N, 4 rows, 4) is where each lies and its normal."""

    def __init__(self, channels: int, blocks: int) -> None:
        super().__init__()
        self.gathered = nn.Linear(2 * channels + 4 * WAVES + 6, channels)
        self.blocks = nn.ModuleList(Attention(channels) for _ in range(blocks))
        self.last = nn.LayerNorm(channels)
        self.told = nn.Linear(channels, channels)

    def forward(self, x: Tensor, shape: Tensor) -> Tensor:
        where = _where(shape.unflatten(1, (-1, 4)).mean(dim=2))
        seen = torch.cat([x.mean(dim=3), x.amax(dim=3)], dim=1).transpose(1, 2)
        t = self.gathered(torch.cat([seen, where.to(seen.dtype)], dim=2))
        for block in self.blocks:
            t = block(t)
        told: Tensor = self.told(self.last(t))
        return x + told.transpose(1, 2)[..., None]


def _where(shape: Tensor) -> Tensor:
    """Places and normals (N, rows, 4) as a network takes them in: waves of the place, both, and the normal's double angle."""
    place, normal = shape[..., :2], shape[..., 2:]
    angle = torch.cat([place * (0.5 * math.pi * 2.0**k) for k in range(WAVES)], dim=2)
    x, y = normal[..., :1], normal[..., 1:]
    return torch.cat([angle.sin(), angle.cos(), shape, x * y, x**2 - y**2], dim=2)


class EdgeNet(nn.Module):
    """Unrolled outlines (N, 7, rows, PLACES) -> logits of the edge's place (N, rows, PLACES)."""

    def __init__(self) -> None:
        super().__init__()
        self.first = conv(7, 16)
        self.second = nn.Sequential(conv(16, 24, stride=2), separable(24, 24))
        self.third = nn.Sequential(
            conv(24, 40, stride=2), separable(40, 48, 2), separable(48, 48, 4), separable(48, 48, 8)
        )
        self.whole = nn.Linear(96, 48)  # what the outline as a whole says, told to every place of it
        self.fourth = separable(48, 48)
        self.up_second = nn.Conv2d(48, 24, 1)
        self.join_second = separable(24, 24)
        self.up_first = nn.Conv2d(24, 16, 1)
        self.join_first = nn.Sequential(nn.ReLU(), nn.Conv2d(16, 1, 3, padding=1))

    def forward(self, x: Tensor) -> Tensor:
        a = self.first(x)
        b = self.second(a)
        c = self.third(b)
        whole = self.whole(torch.cat([c.mean(dim=(2, 3)), c.amax(dim=3).mean(dim=2)], dim=1))
        c = self.fourth(torch.relu(c + whole[:, :, None, None]))
        b = self.join_second(b + doubled(self.up_second(c)))
        logits: Tensor = self.join_first(a + doubled(self.up_first(b)))
        return logits[:, 0]


class ShapedEdgeNet(nn.Module):
    """Unrolled outlines (N, 7, rows, PLACES) and their shape (N, rows, 4: place and normal) -> logits of the edge's place
    (N, rows, PLACES)."""

    def __init__(self) -> None:
        super().__init__()
        self.first = conv(7, 16)
        self.second = nn.Sequential(conv(16, 32, stride=2), Residual(32))
        self.third = nn.Sequential(conv(32, 96, stride=2), *(Residual(96, dilation) for dilation in (1, 2, 4, 8)))
        self.rows = Rows(96, 1)
        self.fourth = nn.Sequential(*(Residual(96, dilation) for dilation in (1, 2, 4)))
        self.up_second = nn.Conv2d(96, 32, 1)
        self.join_second = Residual(32)
        self.up_first = nn.Conv2d(32, 16, 1)
        self.join_first = nn.Sequential(nn.ReLU(), conv(16, 16), nn.Conv2d(16, 1, 3, padding=1))

    def forward(self, x: Tensor, shape: Tensor) -> Tensor:
        a = self.first(x)
        b = self.second(a)
        c = self.fourth(self.rows(self.third(b), shape))
        b = self.join_second(b + doubled(self.up_second(c)))
        logits: Tensor = self.join_first(a + doubled(self.up_first(b)))
        return logits[:, 0]


class Ring(nn.Module):
    """What an unrolled outline says as a whole: sums over its rows, of features and of features along the normals.

    Turned pictures turn the sums along the normals and leave the others.
    """

    def __init__(self, inputs: int, outputs: int) -> None:
        super().__init__()
        self.rows = nn.Linear(2 * inputs, outputs)

    def forward(self, x: Tensor, normals: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Features (N, C, rows, places) and normals (N, rows, 2); sums (N, F), along normals (N, 2, F) and twice their
        angle (N, 2, F)."""
        g = torch.relu(self.rows(torch.cat([x.mean(dim=3), x.amax(dim=3)], dim=1).transpose(1, 2)))
        g, n = (v[:, OVERLAP // 4 : -OVERLAP // 4] for v in (g, normals))
        return g.mean(dim=1), _along(n, g), _along(_twice(n), g)


class Drop(nn.Module):
    """The drop's density from the sums of a `Ring`: (N, DROPS, 4) of log share, middle (2), log deviation."""

    def __init__(self, features: int) -> None:
        super().__init__()
        self.normed = nn.BatchNorm1d(3 * features)
        self.hidden = nn.Linear(3 * features, 96)
        self.said = nn.Linear(96, (DROPS - 1) * (2 + features))
        self.features = features

    def forward(self, plain: Tensor, along: Tensor, twice: Tensor) -> Tensor:
        even = torch.cat([plain, *(torch.sqrt((v**2).sum(dim=1) + 1e-6) for v in (along, twice))], dim=1)
        said = self.said(torch.relu(self.hidden(self.normed(even)))).reshape(-1, DROPS - 1, 2 + self.features)
        middle = torch.einsum("njf,nkf->njk", said[..., 2:], along) * 4.0
        wide = torch.log(LEAST_DROP + f.softplus(said[..., 1]))
        found = torch.cat([said[..., :1], middle, wide[..., None]], dim=2)
        rest = found.new_tensor([-4.0, 0.0, 0.0, math.log(FAR_DROP)])
        # not expanded to the batch's size: an export would fix that
        return torch.cat([found, 0.0 * found[:, :1] + rest], dim=1)


class LeanNet(nn.Module):
    """Unrolled outlines (N, 7, rows, PLACES) and normals (N, rows, 2) -> logits of the places of the face's edge and of the
    wall's foot (N, 2, rows, PLACES), and the drop's density."""

    def __init__(self) -> None:
        super().__init__()
        self.first = conv(7, 24)
        self.second = nn.Sequential(conv(24, 40, stride=2), Residual(40))
        self.third = nn.Sequential(conv(40, 96, stride=2), *(Residual(96, dilation) for dilation in (1, 2, 4, 8)))
        self.ring = Ring(96, 96)
        # what the ring says, told to every row; constants would not turn with the picture
        self.told = nn.ModuleList(nn.Linear(96, 96, bias=turns == 0) for turns in range(3))
        self.fourth = nn.Sequential(*(Residual(96, dilation) for dilation in (1, 2, 4)))
        self.last_ring = Ring(96, 64)
        self.drop = Drop(64)
        self.up_second = nn.Conv2d(96, 40, 1)
        self.join_second = Residual(40)
        self.up_first = nn.Conv2d(40, 24, 1)
        self.join_first = nn.Sequential(nn.ReLU(), nn.Conv2d(24, 2, 3, padding=1))

    def forward(self, x: Tensor, normals: Tensor) -> tuple[Tensor, Tensor]:
        a = self.first(x)
        b = self.second(a)
        c = self.third(b)
        n = normals.unflatten(1, (-1, 4)).mean(dim=2)
        plain, along, twice = self.ring(c, n)
        told = self.told[0](plain)[:, None] + _back(self.told[1](along), n) + _back(self.told[2](twice), _twice(n))
        c = self.fourth(torch.relu(c + told.transpose(1, 2)[..., None]))
        drop = self.drop(*self.last_ring(c, n))
        b = self.join_second(b + doubled(self.up_second(c)))
        return self.join_first(a + doubled(self.up_first(b))), drop


def _along(n: Tensor, g: Tensor) -> Tensor:
    """Means over rows of features (N, rows, F) along vectors (N, rows, 2): (N, 2, F)."""
    return torch.einsum("nrk,nrf->nkf", n, g) / g.shape[1]


def _back(vectors: Tensor, n: Tensor) -> Tensor:
    """Vectors (N, 2, F) as seen along each row's own (N, rows, 2): (N, rows, F)."""
    return torch.einsum("nkf,nrk->nrf", vectors, n)


def _twice(n: Tensor) -> Tensor:
    """Unit vectors (N, rows, 2) at twice the angle."""
    x, y = n.unbind(dim=2)
    return torch.stack([x * x - y * y, 2.0 * x * y], dim=2)
