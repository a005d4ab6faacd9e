"""The study of pictures, mix and parts: which runs it makes, and its table counted by hand."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from tests.train.toy import write_folder
from train.loop import ABLATIONS
from train.study import draw, main, plan, results, table


def test_plan_holds_each_run_once(tmp_path):
    fast, traced = write_folder(tmp_path / "fast", 6), write_folder(tmp_path / "traced", 2)
    runs = {study.name: study.arguments for study in plan(fast, traced, (2, 4, 100))}
    assert len(runs) == 1 + 2 + 3 + len(ABLATIONS)
    assert runs["count-4"] == ("--data", str(fast), "--data", str(traced), "--limit", "4") and "count-100" not in runs
    assert runs["fast-as-few"] == ("--data", str(fast), "--limit", "2") and runs["traced"] == ("--data", str(traced))


def made_up(folder, name: str, pictures: list[int], *tests: dict[str, float], squares: tuple[int, ...] = (10,)) -> None:
    """A run's leavings, as far as the table looks at them."""
    run = folder / name
    run.mkdir(parents=True)
    lines = [{"pictures": sum(pictures), "squares": 7}, {"step": 1, "loss": 2.0}]
    lines += [{"test": test, "folder": "held", "squares": n} for test, n in zip(tests, squares, strict=True)]
    (run / "log.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines))


def test_table_weighs_folders_by_their_squares(tmp_path):
    made_up(tmp_path, "all", [30, 10], {"family": 0.5, "bottom": 1.0}, {"family": 1.0, "bottom": 1.0}, squares=(30, 10))
    made_up(tmp_path, "count-4", [3, 1], {"family": 0.25})
    (tmp_path / "unfinished").mkdir()
    (tmp_path / "unfinished" / "log.jsonl").write_text('{"step": 1}\n')
    rows = results(tmp_path)
    assert rows == {
        "all": {"family": 0.625, "bottom": 1.0, "pictures": 40},
        "count-4": {"family": 0.25, "pictures": 4},
    }
    assert "| all | 40 | 62.5 % | 100.0 % |" in table(rows) and "| count-4 | 4 | 25.0 % | – |" in table(rows)


def test_drawing_is_the_same_for_the_same_figures(tmp_path):
    for name, pictures, family in (
        ("all", 40, 0.9),
        ("count-4", 4, 0.5),
        ("fast", 30, 0.8),
        ("without-benches", 40, 0.7),
    ):
        made_up(tmp_path / "study", name, [pictures], {"family": family, "bottom": 0.9, "holes-by-map": 0.8})
    for name in ("one.svg", "two.svg"):
        shown = CliRunner().invoke(main, ["show", "--out", str(tmp_path / "study"), "--plot", str(tmp_path / name)])
        assert shown.exit_code == 0, shown.output
    drawn = (tmp_path / "one.svg").read_text()
    assert drawn == (tmp_path / "two.svg").read_text() and drawn.startswith("<?xml")
    draw(results(tmp_path / "study"), tmp_path / "three.png")
    assert (tmp_path / "three.png").stat().st_size > 5000


@pytest.mark.slow
def test_runs_are_trained_and_shown(tmp_path):
    fast = write_folder(tmp_path / "fast", 12, size=(480, 360), close_share=0.5)
    traced = write_folder(tmp_path / "traced", 4, first=50, size=(480, 360), close_share=0.5)
    study = str(tmp_path / "study")
    arguments = ["run", "--fast", str(fast), "--traced", str(traced), "--test", str(traced), "--out", study]
    arguments += ["--steps", "1", "--batch", "2", "--counts", "8", "--group", "count"]
    result = CliRunner().invoke(main, arguments, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    shown = CliRunner().invoke(main, ["show", "--out", study, "--table", str(tmp_path / "table.md")])
    assert shown.exit_code == 0 and "| all | 16 |" in shown.output and "| count-8 | 8 |" in shown.output
    assert (tmp_path / "table.md").read_text().startswith("| run | pictures | family |")
