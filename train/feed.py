"""Batches from a store; which pictures make a batch depends on the seed and the step alone."""

from __future__ import annotations

from typing import Final

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from train.dataset import Store

HELD_OUT_ONE_IN: Final = 50  # pictures by checksum of name that only validate
VALIDATE_AT_MOST: Final = 768
GPU_SHARE: Final = 0.4  # of free GPU memory that the pictures may fill; else they stay in the machine's memory


class Feed:
    """Batches from a store: on the GPU if the pictures fit there, else from memory.

    Folders are drawn with a power of their size as weight: 1 draws every picture alike, 0 every folder alike, so that
    few path-traced pictures are not drowned. `held` are the numbers of the pictures that only validate.
    """

    def __init__(
        self, store: Store, device: torch.device, seed: tuple[int, ...] = (0,), *, evenness: float = 0.5
    ) -> None:
        held = store.name % HELD_OUT_ONE_IN == 0
        self.device, self.seed = device, seed
        self.pixels, self.rows = _place(store, device)
        self.facts = torch.from_numpy(store.facts).to(device)
        self.held = np.flatnonzero(held)[:VALIDATE_AT_MOST]
        self.every = np.arange(len(held))
        self.kept = np.flatnonzero(~held)
        sizes = np.bincount(store.source[self.kept], minlength=int(store.source.max()) + 1)
        weight = np.maximum(sizes, 1).astype(np.float64)[store.source[self.kept]] ** (evenness - 1.0)
        self.shares = np.cumsum(weight / weight.sum())

    def draw(self, batch: int, step: int) -> tuple[Tensor, Tensor]:
        """The batch of a step: stored pictures and their facts, on the device."""
        at = np.random.default_rng((*self.seed, step)).random(batch)
        return self.take(self.kept[np.minimum(np.searchsorted(self.shares, at, side="right"), len(self.kept) - 1)])

    def take(self, numbers: NDArray[np.int64]) -> tuple[Tensor, Tensor]:
        """Stored pictures and facts by number."""
        at = torch.from_numpy(numbers)
        if self.device.type != "cuda":
            return self.pixels[self.rows[at]], self.facts[at]
        here = at.pin_memory().to(self.device, non_blocking=True)  # unpinned, the copy waits for the step before
        if self.pixels.device.type == "cuda":
            return self.pixels[here], self.facts[here]
        return self.pixels[self.rows[at]].pin_memory().to(self.device, non_blocking=True), self.facts[here]


def _place(store: Store, device: torch.device) -> tuple[Tensor, Tensor]:
    every = torch.from_numpy(store.pixels)
    rows = torch.from_numpy(store.rows)
    if device.type == "cuda":
        free, _ = torch.cuda.mem_get_info(device)
        if len(rows) * store.pixels[0].nbytes < GPU_SHARE * free:
            there = torch.empty((len(rows), *every.shape[1:]), dtype=torch.uint8, device=device)
            for i in range(0, len(rows), 512):
                there[i : i + 512] = every[rows[i : i + 512]].to(device)
            return there, rows
    return every, rows
