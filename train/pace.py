"""The steps of a short training: as many as told or as fit into some minutes, each with its learning rate."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator

import click
from torch.optim import Optimizer


def steps_of(
    optimizer: Optimizer, peak: float, steps: int | None, minutes: float, *, warm_up: int, pace: tuple[int, int]
) -> Iterator[tuple[int, float]]:
    """The number of each step and the share of the training that lies behind it, with the optimizer's rate set for it.

    The rate rises over `warm_up` steps and then falls with a cosine to nothing (Loshchilov and Hutter 2017,
    arXiv:1608.03983). Without `steps` the pace between the two steps of `pace` fixes how many fit into the minutes; before
    the second of them the share is 0 whether or not the number was given, so that the same number gives the same run.
    """
    began = paced = time.monotonic()
    total, step, (first, last) = steps, 0, pace
    while total is None or step < total:
        if total is None and step == first:
            paced = time.monotonic()
        if total is None and step == last:
            now = time.monotonic()  # the first steps are slow
            total = step + max(1, int((60.0 * minutes - (now - began)) * (last - first) / (now - paced)))
            click.echo(f"{total} steps fit into {minutes} minutes")
        share = 0.0 if total is None or step < last else step / total
        for group in optimizer.param_groups:
            group["lr"] = peak * min(1.0, (step + 1) / warm_up) * (0.5 + 0.5 * math.cos(math.pi * share)) + 1e-6
        yield step, share
        step += 1
