"""The study of pictures, mix and parts: which runs it makes, and its table counted by hand."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest
from click.testing import CliRunner

from tests.train.toy import write_folder
from train.loop import ABLATIONS
from train.study import Row, draw, main, plan, results, table


def test_plan_holds_each_run_once():
    runs = plan((6, 2), (4, 100), seeds=2)
    assert len({study.name for study in runs}) == len(runs) == 2 * (1 + 1 + 4 + len(ABLATIONS))
    by_name = {study.name: study for study in runs}
    assert by_name["count-4"].pictures == (3, 1) and "count-100" not in by_name  # three quarters are fast ones
    assert by_name["fast-few"].pictures == (2, 0) and by_name["traced-few"].pictures == (0, 2)
    assert by_name["half"].pictures == (1, 1) and by_name["fast"].pictures == (6, 0)
    assert by_name["half-seed-2"].seed == 2 and by_name["half"].seed == 1
    assert [study.seed for study in runs] == sorted(study.seed for study in runs)  # what is left out is the last seed


def made_up(
    folder, name: str, pictures: int, *tests: dict[str, float], squares: tuple[int, ...] = (10,), step: int = 9
) -> None:
    """A run's leavings, as far as the table looks at them: it was cut off, tested, and went on."""
    run = folder / name
    run.mkdir(parents=True)
    lines = [{"pictures": pictures, "squares": 7}, {"step": 1, "loss": 2.0}]
    lines += [{"test": dict.fromkeys(tests[0], 0.0), "folder": "held", "squares": 99, "step": step - 1}]
    lines += [{"test": t, "folder": "held", "squares": n, "step": step} for t, n in zip(tests, squares, strict=True)]
    (run / "log.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines))


def test_table_weighs_folders_by_their_squares_and_seeds_alike(tmp_path):
    made_up(tmp_path, "all", 40, {"family": 0.5, "bottom": 1.0}, {"family": 1.0, "bottom": 1.0}, squares=(30, 10))
    made_up(tmp_path, "half", 4, {"family": 0.25})
    made_up(tmp_path, "half-seed-2", 4, {"family": 0.75}, step=7)
    made_up(tmp_path, "count-1000", 1000, {"family": 0.125})
    (tmp_path / "unfinished").mkdir()
    (tmp_path / "unfinished" / "log.jsonl").write_text('{"step": 1}\n')
    rows = results(tmp_path)
    assert list(rows) == ["all", "count-1000", "half"]  # by number, then the mixes
    assert rows["all"] == Row(40, 9, {"family": [0.625], "bottom": [1.0]})
    assert rows["half"] == Row(4, 7, {"family": [0.25, 0.75]}) and rows["half"].wrong("family") == (50.0, 25.0, 75.0)
    text = table(rows)
    assert "| both, all | 40 | 9 | 1 | 62.5 % | 100.0 % |" in text
    assert "| both | 1,000 | 9 | 1 | 12.5 % | – |" in text
    assert "| half and half | 4 | 7 | 2 | 50.0 ± 25.0 % | – |" in text


def test_drawing_is_the_same_for_the_same_figures(tmp_path):
    for name, pictures, family in (
        ("all", 40, 0.9),
        ("all-seed-2", 40, 0.8),
        ("count-4", 4, 0.5),
        ("fast", 30, 0.8),
        ("without-benches", 40, 0.7),
    ):
        made_up(tmp_path / "study", name, pictures, {"family": family, "bottom": 0.9, "holes-by-map": 0.8})
    for name in ("one.svg", "two.svg"):
        shown = CliRunner().invoke(main, ["show", "--out", str(tmp_path / "study"), "--plot", str(tmp_path / name)])
        assert shown.exit_code == 0, shown.output
    drawn = (tmp_path / "one.svg").read_text()
    assert drawn == (tmp_path / "two.svg").read_text() and drawn.startswith("<?xml")
    rows = results(tmp_path / "study")
    draw({**rows, "all": Row(40, 9, {**rows["all"].figures, "family": [0.85, 0.85]})}, tmp_path / "three.svg")
    assert (tmp_path / "three.svg").read_text() != drawn  # the seeds' spread shows


def study_run(*arguments: str) -> str:
    """What `python -m train.study run` says: in a process of its own, as its runs are forks of it."""
    command = [sys.executable, "-m", "train.study", "run", *arguments]
    done = subprocess.run(
        command, capture_output=True, text=True, env={**os.environ, "OMP_NUM_THREADS": "1"}, check=True
    )
    return done.stdout


@pytest.mark.slow
def test_runs_are_trained_and_shown(tmp_path):
    fast = write_folder(tmp_path / "fast", 12, size=(480, 360), close_share=0.5)
    traced = write_folder(tmp_path / "traced", 4, first=50, size=(480, 360), close_share=0.5)
    study = str(tmp_path / "study")
    arguments = ["--fast", str(fast), "--traced", str(traced), "--test", str(traced), "--out", study]
    arguments += ["--steps", "1", "--batch", "2", "--counts", "8", "--group", "count"]
    assert "left out for want of time: all, count-8" in study_run(*arguments, "--minutes", "0")
    study_run(*arguments)
    shown = CliRunner().invoke(main, ["show", "--out", study, "--table", str(tmp_path / "table.md")])
    assert shown.exit_code == 0 and "| both, all | 16 | 1 |" in shown.output and "| both | 8 | 1 |" in shown.output
    assert (tmp_path / "table.md").read_text().startswith("| renderer | pictures | steps |")
    log = (tmp_path / "study" / "count-8" / "log.jsonl").read_text()
    loop = [sys.executable, "-m", "train.loop", "--which", "reader", "--data", str(fast), "--data", str(traced)]
    loop += ["--limit", "8", "--steps", "1", "--batch", "2", "--out", str(tmp_path / "alone")]
    subprocess.run(loop, check=True, env={**os.environ, "OMP_NUM_THREADS": "1"})
    alone = (tmp_path / "alone" / "log.jsonl").read_text()
    first, again = (json.loads(text.splitlines()[1]) for text in (log, alone))
    assert first.pop("per_s") and again.pop("per_s") and first == again  # a fork trains as a run of its own does
