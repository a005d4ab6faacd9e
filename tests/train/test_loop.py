"""The training loop itself: it learns, does the same again, goes on after a kill, and refuses to mix runs."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import torch
from click.testing import CliRunner

from tests.train.toy import write_folder
from train.augment import Dice, reader_batch
from train.checkpoint import log_records, save
from train.dataset import build_store
from train.feed import Feed
from train.loop import ABLATIONS, main
from train.losses import reader_loss
from train.model import Reader


@pytest.fixture(scope="module")
def pictures(tmp_path_factory):
    return write_folder(tmp_path_factory.mktemp("toy") / "toy", 30, size=(480, 360), close_share=0.3)


def test_a_small_reader_learns_a_few_squares_by_heart(pictures):
    torch.manual_seed(0)
    feed = Feed(build_store([pictures], "reader", workers=1), torch.device("cpu"))
    dice = Dice(torch.Generator().manual_seed(0), torch.device("cpu"))
    network = Reader(widths=(8, 12, 24, 32, 32), depths=(0, 1, 1, 1, 1), decoder=16)
    truth = reader_batch(*feed.draw(6, 0), dice, plain=True)
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


def arguments(which: str, pictures, run, *more: str) -> list[str]:
    return ["--which", which, "--data", str(pictures), "--out", str(run), "--batch", "2", *more]


def weights(run) -> dict[str, torch.Tensor]:
    return torch.load(run / "average.pt", weights_only=True)["average"]


def same(one: dict[str, torch.Tensor], other: dict[str, torch.Tensor]) -> bool:
    return one.keys() == other.keys() and all(torch.equal(one[name], other[name]) for name in one)


def ran(*words: str) -> None:
    result = CliRunner().invoke(main, list(words), catch_exceptions=False)
    assert result.exit_code == 0, result.output


@pytest.mark.parametrize("which", ["finder", "reader"])
def test_two_runs_give_the_same_weights_and_another_seed_others(which, pictures, tmp_path):
    for name in ("first", "second"):
        ran(*arguments(which, pictures, tmp_path / name, "--steps", "3"))
    assert same(weights(tmp_path / "first"), weights(tmp_path / "second"))
    ran(*arguments(which, pictures, tmp_path / "third", "--steps", "3", "--seed", "2"))
    assert not same(weights(tmp_path / "first"), weights(tmp_path / "third"))
    record = torch.load(tmp_path / "first" / "last.pt", weights_only=True)
    assert record["progress"]["step"] == record["progress"]["steps"] == 3
    assert record["data"][0]["pictures"] == 30 and len(record["code"]) >= 7
    assert list(log_records(tmp_path / "first"))[-1]["finished"]


def test_a_finished_run_is_left_alone_and_runs_are_not_mixed(pictures, tmp_path):
    run = tmp_path / "run"
    ran(*arguments("reader", pictures, run, "--steps", "2"))
    before = (run / "last.pt").read_bytes()
    ran(*arguments("reader", pictures, run, "--steps", "2"))
    assert (run / "last.pt").read_bytes() == before
    other = CliRunner().invoke(main, arguments("reader", pictures, run, "--steps", "2", "--seed", "5"))
    assert other.exit_code == 1 and "other settings" in other.output
    longer = CliRunner().invoke(main, arguments("reader", pictures, run, "--steps", "9"))
    assert longer.exit_code == 1 and "2 steps" in longer.output
    fewer = write_folder(tmp_path / pictures.name, 29, size=(480, 360), close_share=0.3)
    elsewhere = CliRunner().invoke(main, arguments("reader", fewer, run, "--steps", "2"))
    assert elsewhere.exit_code == 1 and "other pictures" in elsewhere.output


def test_a_run_that_stopped_half_way_goes_on_to_the_same_weights(pictures, tmp_path, monkeypatch):
    whole, cut = tmp_path / "whole", tmp_path / "cut"
    ran(*arguments("reader", pictures, whole, "--steps", "6"))

    def stop(folder, config, progress, *rest):
        save(folder, config, progress, *rest)
        if progress.step == 3:
            raise MemoryError

    monkeypatch.setattr("train.loop.save", stop)
    with pytest.raises(MemoryError):
        ran(*arguments("reader", pictures, cut, "--steps", "6", "--save-every", "0"))
    monkeypatch.undo()
    record = torch.load(cut / "average.pt", weights_only=True)
    assert record["progress"]["step"] == 3 and not same(record["average"], weights(whole))
    ran(*arguments("reader", pictures, cut, "--steps", "6"))
    assert same(weights(cut), weights(whole))


def test_minutes_become_steps_that_make_the_same_run(pictures, tmp_path):
    ran(*arguments("reader", pictures, tmp_path / "timed", "--minutes", "0.02"))
    progress = torch.load(tmp_path / "timed" / "average.pt", weights_only=True)["progress"]
    assert 0 < progress["step"] <= progress["steps"] and progress["steps"] >= 10


def test_weights_of_another_run_are_begun_with(pictures, tmp_path):
    ran(*arguments("reader", pictures, tmp_path / "first", "--steps", "1"))
    older = torch.load(tmp_path / "first" / "average.pt", weights_only=True)
    for name in [name for name in older["average"] if name.startswith("centres.")]:
        del older["average"][name]  # as of a reader from before it had them
    torch.save(older, tmp_path / "older.pt")
    began = ["--steps", "1", "--rate", "0", "--start-from", str(tmp_path / "older.pt")]
    ran(*arguments("reader", pictures, tmp_path / "second", *began))
    assert next(log_records(tmp_path / "second"))["squares"] > 0
    assert list(log_records(tmp_path / "second"))[1]["fresh"] == ["centres.weight", "centres.bias"]
    one, two = older["average"], weights(tmp_path / "second")
    assert all(torch.allclose(one[k], two[k], atol=1e-5) for k in one if k.endswith("weight") and one[k].ndim > 1)


@pytest.mark.parametrize("part", ABLATIONS)
def test_each_part_can_be_left_out(part, pictures, tmp_path):
    ran(*arguments("reader", pictures, tmp_path, "--steps", "1", "--without", part, "--limit", "8"))
    record = torch.load(tmp_path / "average.pt", weights_only=True)
    assert record["config"]["ablation"] == (part,) and record["data"][0]["pictures"] == 8
    first = next(line for line in log_records(tmp_path) if "loss" in line)
    assert part not in ("openings", "centres") or first[part] == 0.0


def test_figures_of_a_test_folder_are_logged(pictures, tmp_path):
    ran(*arguments("reader", pictures, tmp_path, "--steps", "1", "--test", str(pictures)))
    line = next(line for line in log_records(tmp_path) if "test" in line)
    assert line["folder"] == pictures.name and line["squares"] >= 30
    assert {"family", "iou-face", "holes-by-centres", "holes-by-map"} <= set(line["test"])


def test_batches_depend_on_seed_and_step_alone_and_small_folders_are_not_drowned(pictures, tmp_path):
    few = write_folder(tmp_path / "few", 6, first=100, size=(480, 360))
    store = build_store([pictures, few], "reader", workers=1)
    cpu = torch.device("cpu")
    feed = Feed(store, cpu, (3, 0))
    later = Feed(store, cpu, (3, 0))
    later.draw(4, 0)
    assert torch.equal(feed.draw(4, 7)[1].nan_to_num(), later.draw(4, 7)[1].nan_to_num())
    for evenness in (1.0, 0.5, 0.0):
        feed = Feed(store, cpu, (3, 0), evenness=evenness)
        sizes = np.bincount(store.source[feed.kept])
        numbers: list[int] = []
        feed.take = numbers.extend  # what is drawn, without the pictures
        for step in range(40):
            feed.draw(200, step)
        share = (store.source[numbers] == 1).mean()
        assert share == pytest.approx(sizes[1] ** evenness / (sizes**evenness).sum(), abs=0.02)


@pytest.mark.slow
def test_a_killed_run_goes_on_to_the_weights_it_would_have_had(pictures, tmp_path):
    def command(run) -> list[str]:
        rest = ["--steps", "12", "--save-every", "0"]
        return [sys.executable, "-m", "train.loop", *arguments("finder", pictures, run, *rest)]

    process = subprocess.Popen(command(tmp_path / "killed"), stdout=subprocess.DEVNULL)
    deadline = time.monotonic() + 300
    while not (tmp_path / "killed" / "last.pt").exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    process.send_signal(signal.SIGKILL)
    process.wait()
    for name in ("killed", "whole"):
        subprocess.run(command(tmp_path / name), check=True, stdout=subprocess.DEVNULL, timeout=400)
    assert same(weights(tmp_path / "killed"), weights(tmp_path / "whole"))
    assert not list((tmp_path / "killed").glob("*.part"))


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
        "--steps",
        "6",
        "--batch",
        "2",
    ]
    environment = {**os.environ, "CUDA_VISIBLE_DEVICES": "", "OMP_NUM_THREADS": "1"}
    subprocess.run(command, check=True, env=environment, capture_output=True, timeout=240)
    assert torch.load(tmp_path / "last.pt", weights_only=True)["progress"]["step"] == 6
