"""The one command: what it asks `train.loop` for."""

from __future__ import annotations

import subprocess
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from train import build


def test_steps_are_told_by_network():
    assert build.steps_of(None, None, ("reader=6000", "finder=40")) == {"reader": 6000, "finder": 40}
    for wrong in ("writer=3", "reader", "reader=", "reader=-4"):
        with pytest.raises(click.BadParameter, match=wrong.partition("=")[0]):
            build.steps_of(None, None, (wrong,))


def test_a_second_go_is_told_with_steps_and_rate():
    assert build.again_of(None, None, ("reader=20@0.001",)) == {"reader": build.Again(20, 0.001)}
    for wrong in ("reader=20", "writer=3@0.1", "reader=@0.1", "reader=0@0.1", "finder=9@2"):
        with pytest.raises(click.BadParameter, match="learning rate"):
            build.again_of(None, None, (wrong,))


def test_each_network_is_trained_exported_and_calibrated_once(tmp_path, monkeypatch):
    asked: list[list[str]] = []
    done: list[object] = []

    def run(command: list[str], check: bool) -> subprocess.CompletedProcess[bytes]:
        asked.append(command[command.index("--which") + 1 :])
        return subprocess.CompletedProcess(command, 0)

    monkeypatch.setattr(build.torch.cuda, "device_count", lambda: 0)
    monkeypatch.setattr(build.subprocess, "run", run)
    monkeypatch.setattr(build, "export_run", lambda run, models: done.append(run.name))
    monkeypatch.setattr(build, "calibrate", lambda models, shifted, folders: done.append((shifted, folders)) or {})
    for name in ("fast", "traced", "shifted"):
        (tmp_path / name).mkdir()
    paths = {name: str(tmp_path / name) for name in ("fast", "traced", "shifted")}
    arguments = ["--data", paths["fast"], "--data", paths["traced"], "--calibration", paths["shifted"]]
    arguments += ["--out", str(tmp_path / "runs"), "--models", str(tmp_path / "models")]
    result = CliRunner().invoke(build.main, [*arguments, "--steps", "reader=70", "--steps", "finder=50"])
    assert result.exit_code == 0, result.output
    data = ["--data", paths["fast"], "--data", paths["traced"]]
    assert asked == [
        ["reader", "--out", str(tmp_path / "runs" / "reader"), *data, "--steps", "70"],
        ["finder", "--out", str(tmp_path / "runs" / "finder"), *data, "--steps", "50"],
    ]
    folders = (Path(paths["fast"]), Path(paths["traced"]))
    assert done == ["finder", "reader", ((Path(paths["shifted"]),), folders)]
    asked.clear()
    done.clear()
    steps = ["--steps", "reader=70", "--steps", "finder=50", "--again", "reader=20@0.001"]
    result = CliRunner().invoke(build.main, [*arguments, *steps])
    assert result.exit_code == 0, result.output
    second = ["reader", "--out", str(tmp_path / "runs" / "reader-again"), *data, "--steps", "20", "--rate", "0.001"]
    assert asked[2:] == [[*second, "--seed", "2", "--start-from", str(tmp_path / "runs" / "reader" / "average.pt")]]
    assert done[:2] == ["finder", "reader-again"]  # what ships is the last go
    missing = CliRunner().invoke(build.main, [*arguments, "--steps", "reader=70"])
    assert missing.exit_code == 2 and "--minutes" in missing.output
