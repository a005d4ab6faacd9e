"""Pieces of the page as HTML: every text that comes from a file or a person is escaped here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache
from html import escape as escape
from importlib import resources
from typing import Any, Final

from shop.report import (
    DIMENSION_HELP,
    DIMENSION_TEXT,
    FAMILY_TEXT,
    OUTCOME_TEXT,
    pattern_text,
    place_text,
    quantity_text,
    scale_rows,
    sureness,
)
from vision.vocabulary import CENTRE

MOODS: Final = {"read": "good", "unsure": "care", "not-a-cam": "bad", "retake": "bad"}
VERDICT_TEXT: Final = {
    "fits": "✓ fits",
    "measure": "◇ measure first",
    "does-not-fit": "✕ does not fit",
}  # colour never alone


@lru_cache(maxsize=1)
def style() -> str:
    """The style sheet as an HTML element."""
    return f"<style>{resources.files('shop.pages').joinpath('look.css').read_text('utf-8')}</style>"


def first_up(text: str) -> str:
    """The text with a capital letter at its start, the rest as it is."""
    return text[:1].upper() + text[1:]


def lead(title: str, text: str) -> str:
    """A page's heading with a line beneath."""
    return f'<div class="cd-lead"><h1>{escape(title)}</h1><p>{escape(text)}</p></div>'


def heading(text: str) -> str:
    """A small heading."""
    return f'<h2 class="cd-h">{escape(text)}</h2>'


def note(*texts: str) -> str:
    """Quiet lines."""
    return "".join(f'<p class="cd-note">{escape(text)}</p>' for text in texts)


def banner(reading: Mapping[str, Any]) -> str:
    """What was read, in one line that can be told over the telephone."""
    mood = MOODS[reading["outcome"]]
    family, bottom, hand = reading.get("family"), reading.get("bottom"), reading.get("hand")
    if family and bottom:
        sided = f", {hand['label']} hand" if hand and hand["label"] != "none" else ""
        head = (
            f"{first_up(family['label'])}{sided}, {bottom['label']} bottom, screws at {pattern_text(_clock(reading))}"
        )
        line = first_up(FAMILY_TEXT.get(family["label"], ""))
        line += "" if reading["outcome"] == "read" else ". Check what is marked below before you rely on it"
    else:
        head = first_up(OUTCOME_TEXT[reading["outcome"]])
        line = first_up(reading["warnings"][0]["text"]) if reading["warnings"] else ""
    return (
        f'<div class="cd-banner {mood}" role="status"><i class="cd-mark" aria-hidden="true"></i>'
        f"<div><b>{escape(head)}</b><span>{escape(line)}</span></div></div>"
    )


def _clock(reading: Mapping[str, Any]) -> list[str]:
    return list((reading.get("pattern") or {}).get("clock", ()))


def words(reading: Mapping[str, Any]) -> str:
    """Outline, bottom, hand and side with how sure each is."""
    rows = []
    for key, name in (("family", "outline"), ("bottom", "bottom"), ("hand", "hand"), ("facing", "side seen")):
        word = reading.get(key)
        if not word or (key == "hand" and word["label"] == "none"):
            continue
        label = f"{word['label']} side" if key == "facing" else word["label"]
        share = round(100.0 * float(word["probability"]))
        bar = f'<span class="cd-bar" aria-hidden="true"><i style="width:{share}%"></i></span>'
        rows.append((name, f"<b>{escape(label)}</b><small>{escape(sureness(word))}</small>{bar}"))
    return table(rows)


def sizes(reading: Mapping[str, Any], *, inch: bool = False) -> str:
    """Lengths with their ±; what was not measured says so."""
    rows = []
    dimensions = reading.get("dimensions") or {}
    for key, name in DIMENSION_TEXT.items():
        size = dimensions.get(key)
        text = "not measured" if size is None else quantity_text(size, "mm", inch=inch)
        rows.append((f"{name}|{DIMENSION_HELP[key]}", f'<span class="cd-num">{escape(text)}</span>'))
    rows += [(name, escape(text)) for name, text in scale_rows(reading)]
    return table(rows)


def holes(reading: Mapping[str, Any], *, inch: bool = False) -> str:
    """Screw holes by the clock, each with angle, radius and diameter."""
    rows = []
    for hole in (reading.get("pattern") or {}).get("holes", ()):
        lines = []
        if hole["angle"] is not None:
            lines.append(quantity_text(hole["angle"], "°"))
        if hole["radius"] is not None and hole["position"] != CENTRE:
            lines.append(f"{quantity_text(hole['radius'], 'mm', inch=inch)} off the axis")
        if hole["diameter"] is not None:
            lines.append(f"Ø {quantity_text(hole['diameter'], 'mm', inch=inch)}")
        if hole.get("countersink_diameter") is not None:
            lines.append(f"countersink Ø {quantity_text(hole['countersink_diameter'], 'mm', inch=inch)}")
        cell = "".join(f'<div class="cd-num">{escape(line)}</div>' for line in lines)
        rows.append((place_text(hole["position"]), cell or "not measured"))
    return table(rows)


def table(rows: Iterable[tuple[str, str]]) -> str:
    """Rows of name and ready HTML; a name may carry an explanation behind a bar."""
    lines = []
    for name, cell in rows:
        title, _, more = name.partition("|")
        small = f"<small>{escape(more)}</small>" if more else ""
        lines.append(f'<tr><th scope="row">{escape(title)}{small}</th><td>{cell}</td></tr>')
    return f'<table class="cd-table">{"".join(lines)}</table>'


def warnings(reading: Mapping[str, Any]) -> str:
    """What to look at, and what to do about it."""
    items = "".join(f"<li>{escape(first_up(warning['text']))}</li>" for warning in reading["warnings"])
    return f'<ul class="cd-warn">{items}</ul>'


def candidate(record: Mapping[str, Any], chance: str) -> str:
    """One part of the list: verdict, where it lies, and why."""
    verdict = record["verdict"]
    place = [f"bin {record['bin']}"] if record.get("bin") else []
    place += [f"{record['stock']} in stock"] if record.get("stock") is not None else []
    reasons = "".join(f"<li>{escape(reason)}</li>" for reason in record["reasons"])
    return (
        f'<article class="cd-part"><header><b>{escape(record["part"])}</b>'
        f'<span class="cd-verdict {verdict}">{VERDICT_TEXT[verdict]}</span><span>{escape(chance)}</span>'
        f'<span class="cd-place">{escape(", ".join(place))}</span></header><ul>{reasons}</ul></article>'
    )
