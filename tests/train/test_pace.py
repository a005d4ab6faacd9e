"""The rates of a short training against PyTorch's own cosine, and its length against the clock."""

from __future__ import annotations

import itertools

import pytest
import torch

from train import pace


def optimizer() -> torch.optim.Optimizer:
    return torch.optim.SGD([torch.nn.Parameter(torch.zeros(1))], lr=1.0)


def test_rates_rise_and_then_fall_with_torchs_cosine():
    mine, theirs = optimizer(), optimizer()
    scheduler = torch.optim.lr_scheduler.CosineAnnealingLR(theirs, T_max=200)
    rates = [
        (step, share, mine.param_groups[0]["lr"])
        for step, share in pace.steps_of(mine, 1.0, 200, 1.0, warm_up=10, pace=(5, 20))
    ]
    assert [step for step, _, _ in rates] == list(range(200))
    for step, share, rate in rates:
        if step < 10:
            assert rate == pytest.approx((step + 1) / 10 + 1e-6)
        if step >= 20:
            assert rate == pytest.approx(theirs.param_groups[0]["lr"] + 1e-6) and share == step / 200
        theirs.step()
        scheduler.step()


def test_without_steps_as_many_follow_as_fit_into_the_minutes(monkeypatch, capsys):
    """The first five steps take 3 s each, the others 0.5: after 20 of them 22.5 s are gone, and 37.5 are left for 75 more."""
    now = [0.0]
    monkeypatch.setattr(pace.time, "monotonic", lambda: now[0])
    count = 0
    for step, share in pace.steps_of(optimizer(), 1.0, None, 1.0, warm_up=10, pace=(5, 20)):
        assert share == (0.0 if step < 20 else pytest.approx(step / 95))
        now[0] += 3.0 if step < 5 else 0.5
        count += 1
    assert count == 20 + int((60.0 - 22.5) / 0.5) and "95 steps" in capsys.readouterr().out


def test_the_first_steps_do_not_know_how_many_follow():
    """So that a number of steps found by the clock and told afterwards gives the same run."""
    one, other = optimizer(), optimizer()
    told = itertools.islice(pace.steps_of(one, 1.0, 400, 1.0, warm_up=10, pace=(5, 20)), 20)
    found = itertools.islice(pace.steps_of(other, 1.0, None, 1.0, warm_up=10, pace=(5, 20)), 20)
    for _ in zip(told, found, strict=True):
        assert one.param_groups[0]["lr"] == other.param_groups[0]["lr"]
