"""Pieces of the page as HTML: every text that comes from a file or a person is escaped here."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import lru_cache
from html import escape as escape
from importlib import resources
from typing import Any, Final

from PIL import Image, ImageDraw

from shop.dial import INK, MARK, PAPER
from shop.report import (
    DIMENSION_HELP,
    DIMENSION_TEXT,
    answer_line,
    place_text,
    quantity_text,
    scale_rows,
    side_sureness,
    sureness,
)
from shop.settle import Question, checks_of, questions_of
from vision.vocabulary import CENTRE, xy_from_angle

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


@lru_cache(maxsize=1)
def icon() -> Image.Image:
    """The browser tab's picture: a clock face with two holes. An icon by name would be fetched from another server."""
    size = 64
    picture = Image.new("RGBA", (size * 4, size * 4))
    draw = ImageDraw.Draw(picture)
    draw.ellipse((8, 8, 247, 247), fill=PAPER, outline=INK, width=16)
    for angle_deg in (60.0, 210.0):
        x, y = xy_from_angle(angle_deg, 64.0)
        draw.ellipse((128 + x - 24, 128 - y - 24, 128 + x + 24, 128 - y + 24), fill=MARK)
    return picture.resize((size, size), Image.Resampling.LANCZOS)


def first_up(text: str) -> str:
    """The text with a capital letter at its start, the rest as it is."""
    return text[:1].upper() + text[1:]


def lead(title: str, text: str = "", *, level: int = 1) -> str:
    """A heading with a line beneath; level 1 once a page."""
    line = f"<p>{escape(text)}</p>" if text else ""
    return f'<div class="cd-lead"><h{level}>{escape(title)}</h{level}>{line}</div>'


def heading(text: str) -> str:
    """A small heading."""
    return f'<h2 class="cd-h">{escape(text)}</h2>'


def without_options(text: str) -> str:
    """A sentence that the commands share, without what is typed only there."""
    return re.sub(r"[,;:]? (then )?(add|say) --[a-z-]+( \S+)?", "", text)


def note(*texts: str) -> str:
    """Quiet lines."""
    return "".join(f'<p class="cd-note">{escape(text)}</p>' for text in texts)


def banner(reading: Mapping[str, Any], *, side_given_up: bool = False) -> str:
    """The answer, in one line that can be told over the telephone, its sizes, and what it is worth.

    With `side_given_up` the person has said that the side cannot be told, and is asked no more.
    """
    outcome = reading["outcome"]
    asked = [question for question in questions_of(reading) if not (side_given_up and question.about == "facing")]
    count = len(asked) + len(checks_of(reading))
    if outcome == "read":
        state = "Read"
    elif outcome == "unsure" and not count:
        state = "Read; which side was up stays open" if side_given_up else "Read, but not for sure"
    elif outcome == "unsure":
        state = f"Read, with {count} {'thing' if count == 1 else 'things'} to settle below"
    else:
        state = "No answer from this photo"
    line = sizes_line(reading) if reading.get("pattern") else first_up(next(iter(checks_of(reading)), ""))
    return (
        f'<div class="cd-banner {MOODS[outcome]}" role="status"><i class="cd-mark" aria-hidden="true"></i>'
        f"<div><small>{escape(state)}</small><b>{escape(first_up(answer_line(reading)))}</b>"
        f"<span>{escape(line)}</span></div></div>"
    )


def sizes_line(reading: Mapping[str, Any]) -> str:
    """The sizes asked for most, or why there are none."""
    if any(warning["code"] == "size-unusual" for warning in reading["warnings"]):
        return "The sizes look wrong: see below"
    sizes = reading.get("dimensions") or {}
    named = (("reach", "reach"), ("hub_diameter", "hub"), ("tail_width", "tail"))
    told = [f"{name} {quantity_text(sizes[key], 'mm')}" for key, name in named if sizes.get(key) is not None]
    return first_up(", ".join(told)) or "No lengths: nothing of known size was found beside it"


def question(asked: Question) -> str:
    """A question to the person, with how to tell."""
    return f'<div class="cd-ask"><h2>{escape(asked.ask)}</h2><p>{escape(asked.how)}</p></div>'


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
        told = side_sureness(reading) if key == "facing" else sureness(word)
        rows.append((name, f"<b>{escape(label)}</b><small>{escape(told)}</small>{bar}"))
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


def checks(texts: Iterable[str]) -> str:
    """What to look at, and what to do about it."""
    items = "".join(f"<li>{escape(first_up(text))}</li>" for text in texts)
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
