"""What `make demo` shows: every example photo read, drawn, and its truth beside it."""

from __future__ import annotations

from PIL import Image

from examples import demo
from vision.label import Label


def test_demo_reads_and_draws_every_example(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(demo, "BUILD", tmp_path)
    labels = {path.stem: Label.from_json(path.read_text(encoding="utf-8")) for path in demo.HERE.glob("*.json")}
    assert len(labels) >= 4
    assert demo.main() == 0
    out = capsys.readouterr().out
    blocks = {block.split(".jpg", 1)[0]: block for block in out.split("\n\n") if ".jpg" in block}
    assert set(blocks) >= set(labels)
    for name, label in labels.items():
        assert f"true: {label.family}, {label.bottom}" in blocks[name]
        assert f"{label.reach_mm:.2f} mm" in blocks[name]
        with Image.open(tmp_path / f"{name}.png") as picture:
            assert picture.size[0] > 600
        assert any(str(label.scale_reference) in line for line in blocks[name].split("\n"))


def test_truth_of_an_example_is_told_by_the_clock():
    label = Label.from_json((demo.HERE / "cloverleaf-quarter-paper.json").read_text(encoding="utf-8"))
    # The example was made with holes at exactly 2 and 7 o'clock: 60 and 210 degrees, 30 degrees to the hour.
    assert "screws at 2 (60.0°), 7 (210.0°)" in demo.truth_text(label)
    hook = Label.from_json((demo.HERE / "hook-cent-mat.json").read_text(encoding="utf-8"))
    assert "centre, 3 (90.0°)" in demo.truth_text(hook)
