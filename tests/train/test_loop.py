"""The training loop itself: it learns, goes on after a kill, and refuses to mix runs."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest
import torch
from click.testing import CliRunner

from tests.train.toy import write_folder
from train.augment import Dice, reader_batch
from train.dataset import build_store
from train.loop import Feed, log_records, main, reader_loss
from train.model import Reader


@pytest.fixture(scope="module")
def pictures(tmp_path_factory):
    return write_folder(tmp_path_factory.mktemp("toy") / "toy", 30, size=(480, 360), close_share=0.3)


def test_a_small_reader_learns_a_few_squares_by_heart(pictures):
    torch.manual_seed(0)
    feed = Feed(build_store([pictures], "reader", workers=1), torch.device("cpu"), 0)
    dice = Dice(torch.Generator().manual_seed(0), torch.device("cpu"))
    network = Reader(widths=(8, 12, 24, 32, 32), depths=(0, 1, 1, 1, 1), decoder=16)
    truth = reader_batch(*feed.draw(6), dice, plain=True)
    optimizer = torch.optim.AdamW(network.parameters(), lr=4e-3)
    history = []
    for _ in range(60):
        losses = reader_loss(network(truth["rgb"]), truth)
        optimizer.zero_grad()
        torch.stack(list(losses.values())).sum().backward()
        optimizer.step()
        history.append({name: float(value.detach()) for name, value in losses.items()})
    for name in ("maps", "place", "tail", "family"):
        assert history[-1][name] < 0.6 * history[0][name], name


@pytest.mark.parametrize("which", ["finder", "reader"])
def test_a_run_ends_on_time_and_a_finished_one_is_left_alone(which, pictures, tmp_path):
    arguments = ["--which", which, "--data", str(pictures), "--out", str(tmp_path), "--minutes", "0.08", "--batch", "2"]
    began = time.monotonic()
    result = CliRunner().invoke(main, arguments, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert time.monotonic() - began < 120
    record = torch.load(tmp_path / "last.pt", weights_only=True)
    assert record["progress"]["step"] > 0 and record["data"][0]["pictures"] == 30
    assert list(log_records(tmp_path))[-1]["finished"]
    again = CliRunner().invoke(main, arguments, catch_exceptions=False)
    assert torch.load(tmp_path / "last.pt", weights_only=True)["progress"]["step"] == record["progress"]["step"]
    assert again.exit_code == 0
    other = CliRunner().invoke(main, [*arguments, "--seed", "5"])
    assert other.exit_code == 1 and "other settings" in other.output


@pytest.mark.slow
def test_a_killed_run_goes_on_from_its_checkpoint(pictures, tmp_path):
    command = [sys.executable, "-m", "train.loop", "--which", "reader", "--data", str(pictures), "--out", str(tmp_path)]
    command += ["--minutes", "0.5", "--batch", "2", "--save-every", "2"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    deadline = time.monotonic() + 300
    while not (tmp_path / "last.pt").exists() and time.monotonic() < deadline:
        time.sleep(0.2)
    process.send_signal(signal.SIGKILL)
    process.wait()
    before = torch.load(tmp_path / "last.pt", weights_only=True)["progress"]
    assert 0 < before["elapsed_s"] < 30
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, timeout=400)
    after = torch.load(tmp_path / "last.pt", weights_only=True)["progress"]
    assert after["step"] > before["step"] and after["elapsed_s"] >= 30.0
    assert not (tmp_path / "last.part").exists()


@pytest.mark.slow
def test_two_processes_train_one_network(pictures, tmp_path):
    command = [
        sys.executable,
        "-m",
        "torch.distributed.run",
        "--standalone",
        "--nproc-per-node",
        "2",
        "-m",
        "train.loop",
    ]
    command += [
        "--which",
        "reader",
        "--data",
        str(pictures),
        "--out",
        str(tmp_path),
        "--minutes",
        "0.2",
        "--batch",
        "2",
    ]
    environment = {**os.environ, "CUDA_VISIBLE_DEVICES": "", "OMP_NUM_THREADS": "1"}
    subprocess.run(command, check=True, env=environment, capture_output=True, timeout=240)
    assert torch.load(tmp_path / "last.pt", weights_only=True)["progress"]["step"] > 0
