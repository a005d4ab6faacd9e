"""What README and docs tell people to type is run here as it is written; what they point at is there."""

from __future__ import annotations

import importlib.util
import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from shop.cli import main
from vision.label import Label

ROOT = Path(__file__).resolve().parents[2]
DOCUMENTS = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    *sorted((ROOT / "docs").glob("*.md")),
    ROOT / "examples/README.md",
]
PHOTO = "cloverleaf-quarter-paper.jpg"
STAYS_OPEN = ("page",)  # serves until it is ended: tests/pages drives it


def blocks(document: Path) -> Iterator[list[str]]:
    for block in re.findall(r"^```\n(.*?)^```", document.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL):
        yield block.splitlines()


def commands() -> list[str]:
    """Lines that begin with ``camdial``, without the explanation set far to their right."""
    lines = [line.removeprefix("$ ") for document in DOCUMENTS for block in blocks(document) for line in block]
    return sorted({re.split(r"\s{3,}", line)[0] for line in lines if line.startswith("camdial ")})


def mentions() -> list[str]:
    """Commands named in a sentence."""
    found: set[str] = set()
    for document in DOCUMENTS:
        text = re.sub(r"^```.*?^```", "", document.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
        found.update(re.findall(r"`(camdial [a-z][^`]*)`", text))
        found.update(f"camdial {words}" for words in re.findall(r"`(parts [a-z][^`]*)`", text))
    return sorted(found)


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> Path:
    """A shop's folder: photos, a CSV file, and a list that holds it."""
    folder = tmp_path_factory.mktemp("shop")
    shutil.copytree(ROOT / "examples", folder / "examples")
    for name in ("old.jpg", "new.jpg"):
        shutil.copy(ROOT / "examples" / PHOTO, folder / name)
    shutil.copy(ROOT / "shop" / "data" / "demo_parts.csv", folder / "shop.csv")
    return folder


def arguments(command: str, folder: Path) -> list[str]:
    """The words as a shell hands them over, with the places of the example's file names filled in."""
    words = []
    for word in shlex.split(command.partition(" > ")[0])[1:]:
        if "*" in word:
            words += [path.name for path in sorted(folder.glob(word))]
        else:
            words.append(f"examples/{PHOTO}" if word == "PHOTO" else word)
    return words


@pytest.mark.parametrize("command", commands())
def test_every_command_in_the_documents_works_as_written(command, shop, tmp_path, monkeypatch, capsys):
    words = arguments(command, shop)
    if words[0] in STAYS_OPEN:
        words += ["--help"]
    work = tmp_path / "work"
    shutil.copytree(shop, work)
    monkeypatch.chdir(work)
    monkeypatch.setenv("CAMDIAL_LIST", str(tmp_path / "parts.db"))
    if words[0] in ("fits", "parts") and words[1:2] != ["import"]:
        assert main(["parts", "import", "shop.csv"]) == 0
    capsys.readouterr()
    assert main(words) == 0, capsys.readouterr().err
    said = capsys.readouterr()
    assert said.out or said.err
    for option in ("--overlay", "--svg"):
        if option in words:
            assert (work / words[words.index(option) + 1]).stat().st_size > 0


@pytest.mark.parametrize("mention", mentions())
def test_every_command_named_in_a_sentence_has_those_options(mention, capsys):
    words = shlex.split(mention)[1:]
    depth = 2 if words[0] == "parts" else 1
    assert main([*words[:depth], "--help"]) == 0
    told = capsys.readouterr().out
    assert not [word for word in words[depth:] if word.startswith("--") and word not in told]


def test_the_reading_shown_first_has_the_lines_a_reading_has(capsys, monkeypatch):
    monkeypatch.chdir(ROOT)
    shown = next(block for block in blocks(ROOT / "README.md") if block[0].startswith("$ camdial read"))
    assert main(shlex.split(shown[0])[2:]) == 0
    said = capsys.readouterr().out.splitlines()
    names = [
        [re.split(r"\s{2,}", line.strip())[0] for line in lines if line.startswith("  ")] for lines in (shown[1:], said)
    ]
    assert set(names[0]) <= set(names[1])
    label = Label.from_json((ROOT / shlex.split(shown[0])[3]).with_suffix(".json").read_text(encoding="utf-8"))
    assert f": {label.family}, " in shown[1]  # what is shown is also true
    assert f"{label.bottom} bottom" in shown[1]


def test_targets_of_make_are_there():
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    named = {
        target
        for document in DOCUMENTS
        for target in re.findall(r"(?:^|`)make ([a-z]+)", document.read_text(encoding="utf-8"), re.MULTILINE)
    }
    assert named >= {"demo", "test", "page"}
    assert not [target for target in named if not re.search(rf"^{target}:", makefile, re.MULTILINE)]


def test_modules_run_by_python_are_there():
    text = "\n".join(document.read_text(encoding="utf-8") for document in DOCUMENTS)
    named = set(re.findall(r"python -m ((?:synthetic|train|tests|examples|shop|vision)[\w.]*)", text))
    assert named
    assert not [name for name in named if importlib.util.find_spec(name) is None]


def test_what_the_documents_point_at_is_there():
    lost = []
    for document in DOCUMENTS:
        text = document.read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", text):
            if "://" not in target and not (document.parent / target).exists():
                lost.append((document.name, target))
        for target in re.findall(r"(?:requirements|shop/data|shop/migrations)[/\\][\w./\\]+\w", text):
            if not (ROOT / target.replace("\\", "/")).exists():
                lost.append((document.name, target))
    assert not lost


def test_the_first_paragraph_says_for_whom_and_the_picture_follows():
    paragraphs = (ROOT / "README.md").read_text(encoding="utf-8").split("\n\n")
    assert paragraphs[1].startswith("camdial is for locksmiths")
    assert paragraphs[2].startswith("![")
