"""The two networks: the finder looks at the whole photo, the reader at the square round one part."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from typing import Final

import torch
from torch import Tensor, nn
from torch.nn import functional as f

from train.dataset import CENTRES
from vision.models import CLASSES, MAPS, WORDS

MEAN: Final = (0.48, 0.46, 0.43)  # of RGB in 0..1: about that of a bench in room light; only a convenient zero
STD: Final = (0.25, 0.25, 0.25)
FEATURES: Final = 128
HEAT_STRIDE: Final = 4  # patch pixels in a cell of the heat maps
LOCAL_CELLS: Final = 4.0  # standard deviation of the window round a heat map's peak, in which its mean is taken
HUB_TYPICAL_PX: Final = 50.0  # the hub's radius in a patch is about this; the network learns the log of the ratio


def conv(
    inputs: int, outputs: int, size: int = 3, stride: int = 1, groups: int = 1, *, act: bool = True
) -> nn.Sequential:
    """Convolution, batch norm and, unless told otherwise, ReLU."""
    layers: list[nn.Module] = [
        nn.Conv2d(inputs, outputs, size, stride, size // 2, groups=groups, bias=False),
        nn.BatchNorm2d(outputs),
    ]
    return nn.Sequential(*layers, nn.ReLU(inplace=True)) if act else nn.Sequential(*layers)


class Block(nn.Module):
    """Residual block: depthwise 5 x 5, then 1 x 1 out to twice the width and back."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.body = nn.Sequential(
            conv(width, width, 5, groups=width, act=False),
            conv(width, 2 * width, 1),
            conv(2 * width, width, 1, act=False),
        )

    def forward(self, x: Tensor) -> Tensor:
        return f.relu(x + self.body(x))


class Encoder(nn.Module):
    """Five levels at strides 2, 4, 8, 16, 32; the deepest also sees the mean of the whole picture."""

    def __init__(self, widths: Sequence[int], depths: Sequence[int]) -> None:
        super().__init__()
        steps = []
        before = 3
        for width, depth in zip(widths, depths, strict=True):
            steps.append(nn.Sequential(conv(before, width, stride=2), *(Block(width) for _ in range(depth))))
            before = width
        self.steps = nn.ModuleList(steps)
        self.whole = nn.Conv2d(before, before, 1)

    def forward(self, x: Tensor) -> list[Tensor]:
        levels = []
        for step in self.steps:
            x = step(x)
            levels.append(x)
        levels[-1] = f.relu(x + self.whole(x.mean(dim=(2, 3), keepdim=True)))
        return levels


class Decoder(nn.Module):
    """From the deepest level up to stride 4, adding each level's own detail on the way."""

    def __init__(self, widths: Sequence[int], width: int, drop: float) -> None:
        super().__init__()
        self.sides = nn.ModuleList(nn.Conv2d(w, width, 1) for w in widths[1:])
        self.blocks = nn.ModuleList(Block(width) for _ in widths[1:])
        self.drop = nn.Dropout2d(drop)

    def forward(self, levels: list[Tensor]) -> Tensor:
        x = self.blocks[-1](self.drop(self.sides[-1](levels[-1])))
        for i in range(len(self.sides) - 2, -1, -1):
            x = up(x) + self.drop(self.sides[i](levels[i + 1]))
            x = self.blocks[i](x)
        return x


def up(x: Tensor) -> Tensor:
    """Twice the size, bilinear."""
    return f.interpolate(x, scale_factor=2.0, mode="bilinear", align_corners=False)


class Normalise(nn.Module):
    """(N, 3, H, W) RGB in 0 to `unit` with about zero mean and unit spread."""

    def __init__(self, unit: float = 1.0) -> None:
        super().__init__()
        std = torch.tensor(STD).view(1, 3, 1, 1)
        self.register_buffer("scale", 1.0 / (unit * std), persistent=False)
        self.register_buffer("offset", -torch.tensor(MEAN).view(1, 3, 1, 1) / std, persistent=False)

    def forward(self, rgb: Tensor) -> Tensor:
        return rgb * self.scale + self.offset


class Finder(nn.Module):
    """Whole photo -> class logits (N, C, H/4, W/4)."""

    def __init__(
        self, widths: Sequence[int] = (16, 32, 64, 112, 144), depths: Sequence[int] = (0, 1, 2, 3, 3), decoder: int = 32
    ) -> None:
        super().__init__()
        self.normalise = Normalise()
        self.encoder = Encoder(widths, depths)
        self.decoder = Decoder(widths, decoder, drop=0.05)
        self.classes = nn.Conv2d(decoder, len(CLASSES), 1)

    def forward(self, rgb: Tensor) -> Tensor:
        return self.classes(self.decoder(self.encoder(self.normalise(rgb))))


class Reader(nn.Module):
    """Patch -> maps, heat maps of axis, tail point and openings' centres, hub radius, words, feature.

    The words are read from the maps and the decoder's features, in coordinates that hang on the axis and the tail that
    the network itself found, and only then from the encoder: shape first, shading second.
    """

    def __init__(
        self,
        widths: Sequence[int] = (24, 40, 80, 144, 176),
        depths: Sequence[int] = (0, 1, 2, 4, 3),
        decoder: int = 48,
        side: int = 256,
    ) -> None:
        super().__init__()
        self.normalise = Normalise()
        self.encoder = Encoder(widths, depths)
        self.decoder = Decoder(widths, decoder, drop=0.1)
        self.fine = conv(decoder, widths[0], 1)
        self.edge = nn.Conv2d(widths[0], widths[0], 1)
        self.maps = nn.Sequential(conv(widths[0], widths[0]), nn.Conv2d(widths[0], len(MAPS), 1))
        self.heat = nn.Sequential(conv(decoder, 32), nn.Conv2d(32, 2, 1))
        self.centres = nn.Conv2d(32, len(CENTRES), 1)
        nn.init.constant_(self.centres.bias, -4.0)  # centres are rare
        self.shape = nn.Sequential(conv(decoder + len(MAPS) + 2, 48, stride=2), conv(48, 80, stride=2))
        self.shade = nn.Sequential(conv(widths[3], 48, 1), nn.Dropout2d(0.2))
        self.deep = nn.Sequential(conv(80 + 48, 128, stride=2), Block(128))
        self.hub = nn.Linear(256, 1)
        self.feature = nn.Linear(256, FEATURES)
        self.drop = nn.Dropout(0.2)
        self.words = nn.Linear(FEATURES, sum(len(labels) for labels in WORDS.values()))
        cells = side // HEAT_STRIDE
        places = (torch.arange(cells, dtype=torch.float32) + 0.5) * HEAT_STRIDE - 0.5
        self.register_buffer("columns", places.view(1, 1, 1, -1), persistent=False)
        self.register_buffer("rows", places.view(1, 1, -1, 1), persistent=False)

    def forward(self, rgb: Tensor) -> dict[str, Tensor]:
        levels = self.encoder(self.normalise(rgb))
        x = self.decoder(levels)
        maps = self.maps(up(self.fine(x)) + self.edge(levels[0]))
        about = self.heat[0](x)
        heat = self.heat[1](about).float()
        points, spread = self.places(heat)
        seen = f.avg_pool2d(torch.sigmoid(maps), 2).detach()
        where = torch.cat([seen.to(x.dtype), self.frame(points.detach()).to(x.dtype)], dim=1)
        shape = self.shape[1](self.shape[0][1:](self.conv_of_both(x, where)))
        deep = self.deep(torch.cat([shape, self.shade(levels[3])], dim=1))
        pooled = torch.cat([deep.mean(dim=(2, 3)), deep.amax(dim=(2, 3))], dim=1)
        feature = f.relu(self.feature(pooled))
        return {
            "maps": maps,
            "heat": heat,
            "points": points,
            "spread": spread,
            "centres": self.centres(about),
            "hub_log": self.hub(pooled)[:, :1],
            "words": self.words(self.drop(feature)),
            "feature": feature,
        }

    def conv_of_both(self, x: Tensor, more: Tensor) -> Tensor:
        """The first convolution of `shape` over both inputs side by side, as a sum of two.

        ONNX Runtime is three times faster with it than with an odd number of channels.
        """
        first: nn.Conv2d = self.shape[0][0]
        mine, rest = first.weight[:, : x.shape[1]], first.weight[:, x.shape[1] :]
        options = {"stride": first.stride, "padding": first.padding}
        return f.conv2d(x, mine, **options) + f.conv2d(more, rest, **options)

    def places(self, heat: Tensor) -> tuple[Tensor, Tensor]:
        """Point (N, 2, 2) as x, y of each heat map, and the rms width (N, 2) of all of it, patch pixels.

        The point is the mean near the highest peak: where two places are likely, one of them and not the middle. The
        width is that of the whole map, and tells when there are two.
        """
        weight = torch.softmax(heat.flatten(2), dim=2)
        best = weight.argmax(dim=2)
        cells = heat.shape[3]
        px = HEAT_STRIDE * (best % cells).to(weight.dtype) + (HEAT_STRIDE / 2.0 - 0.5)
        py = HEAT_STRIDE * torch.div(best, cells, rounding_mode="floor").to(weight.dtype) + (HEAT_STRIDE / 2.0 - 0.5)
        weight = weight.view_as(heat)
        away = (self.columns - px[:, :, None, None]) ** 2 + (self.rows - py[:, :, None, None]) ** 2
        local = weight * torch.exp(away * (-0.5 / (HEAT_STRIDE * LOCAL_CELLS) ** 2))
        local = local / local.sum(dim=(2, 3), keepdim=True)
        x, y = (local * self.columns).sum(dim=(2, 3)), (local * self.rows).sum(dim=(2, 3))
        away = (self.columns - x[:, :, None, None]) ** 2 + (self.rows - y[:, :, None, None]) ** 2
        return torch.stack([x, y], dim=2), (weight * away).sum(dim=(2, 3)).clamp_min(0.0).sqrt()

    def frame(self, points: Tensor) -> Tensor:
        """Coordinates of every cell along the tail and across it from the axis, (N, 2, h, w), in units of 64 px."""
        axis, tail = points[:, 0], points[:, 1]
        along = tail - axis
        along = along / along.norm(dim=1, keepdim=True).clamp_min(1.0)
        dx = self.columns - axis[:, 0].view(-1, 1, 1, 1)
        dy = self.rows - axis[:, 1].view(-1, 1, 1, 1)
        ax, ay = along[:, 0].view(-1, 1, 1, 1), along[:, 1].view(-1, 1, 1, 1)
        return torch.cat([dx * ax + dy * ay, dy * ax - dx * ay], dim=1) / 64.0


class FinderForUse(nn.Module):
    """(N, H, W, 3) uint8 -> class probabilities."""

    def __init__(self, finder: Finder) -> None:
        super().__init__()
        self.finder = copy.deepcopy(finder)
        self.finder.normalise = Normalise(255.0)

    def forward(self, rgb: Tensor) -> Tensor:
        return torch.softmax(self.finder(rgb.permute(0, 3, 1, 2).float()), dim=1)


class ReaderForUse(nn.Module):
    """(N, 256, 256, 3) uint8 -> maps at full size as probabilities, points, spread, hub radius, words, feature, centres."""

    def __init__(self, reader: Reader) -> None:
        super().__init__()
        self.reader = copy.deepcopy(reader)
        self.reader.normalise = Normalise(255.0)

    def forward(self, rgb: Tensor) -> tuple[Tensor, ...]:
        out = self.reader(rgb.permute(0, 3, 1, 2).float())
        maps = torch.sigmoid(up(out["maps"]))
        return (
            maps,
            out["points"],
            out["spread"],
            HUB_TYPICAL_PX * torch.exp(out["hub_log"]),
            out["words"],
            out["feature"],
            torch.sigmoid(out["centres"]),
        )


class MobileNet(nn.Module):
    """MobileNetV3-small from scratch with the same words, to compare with; it sees the patch at 224 px."""

    def __init__(self) -> None:
        super().__init__()
        from torchvision.models import mobilenet_v3_small  # only this peer needs torchvision

        self.normalise = Normalise()

        self.body = mobilenet_v3_small(num_classes=sum(len(labels) for labels in WORDS.values()))

    def forward(self, rgb: Tensor) -> dict[str, Tensor]:
        small = f.interpolate(
            self.normalise(rgb), size=(224, 224), mode="bilinear", align_corners=False, antialias=True
        )
        return {"words": self.body(small)}


def build_network(which: str) -> nn.Module:
    """A network with fresh weights; `mobilenet` only serves to compare the reader with."""
    return {"finder": Finder, "reader": Reader, "mobilenet": MobileNet}[which]()
