"""What a reading leaves open, and what settles it: a question to the person, a look, a calliper or a second photo."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from vision.scale.coins import COINS, twins
from vision.vocabulary import BOTTOMS, FAMILIES, HANDED_FAMILIES

FAMILY_TEXT: Final[Mapping[str, str]] = {
    "finger": "one narrow tail with parallel sides",
    "taper": "a tail that narrows from the hub to the tip",
    "paddle": "a narrow neck with a broad end",
    "cloverleaf": "three round leaves",
    "hook": "a tail with a foot to one side",
    "offset": "a tail beside the axis",
    "hammer": "a neck with a crossbar at its tip",
    "fork": "a tail split by a slot",
}
BOTTOM_TEXT: Final[Mapping[str, str]] = {
    "closed": "the edge opposite the tail is whole",
    "open": "the edge opposite the tail is cut out",
}
QUESTION_ABOUT: Final[Mapping[str, str]] = {
    "facing-unknown": "facing",
    "family-unsure": "family",
    "bottom-unsure": "bottom",
    "coin-not-named": "coin",
}
# What to do, for warnings whose own text only states what is the case.
ADVICE: Final[Mapping[str, str]] = {
    "no-focal-length": "take the phone's own file, not a copy from a chat",
    "few-pixels": "take the phone's own file, not a smaller copy",
    "not-measured": "use a calliper where you need it",
    "several-coins": "if sizes look wrong, leave one coin in the picture",
    "coin-half-seen": "free the coin's whole rim, keep shadow and glare off it",
    "cylinder-half-seen": "keep shadow and glare off the cylinder's edge",
}
# Said quietly: they widen a ± or name a choice made, and leave nothing to look at on the part.
QUIET: Final = frozenset(
    {"no-focal-length", "few-pixels", "first-picture", "cylinder-diameter-assumed", "coin-half-seen"}
)
# Why there is no reading at all; beside these, doubts about a coin can wait for the next photo.
NO_READING: Final = frozenset({"no-part", "not-a-cam", "several-parts", "cut-off", "no-outline", "blurred"})
MOST_ANSWERS: Final = 4
SAME_PERCENT: Final = 0.1  # two coins whose sizes differ by less serve alike


@dataclass(frozen=True, slots=True)
class Question:
    """Something a person with the part in the hand sees at once.

    `about` is ``"facing"``, ``"family"``, ``"bottom"``, ``"hand"`` or ``"coin"``; `answers` are pairs of a value and its
    words (none for a coin: any of the table); `option` is how to say it to the command.
    """

    about: str
    ask: str
    how: str
    answers: tuple[tuple[str, str], ...]
    option: str


def questions_of(reading: Mapping[str, Any]) -> tuple[Question, ...]:
    """What to ask about a reading (``camdial.reading/1``), the answer that changes most first."""
    if not reading.get("pattern"):
        return ()
    asked = {about for warning in reading["warnings"] if (about := question_about(warning)) is not None}
    found = []
    strange = next((w["text"] for w in reading["warnings"] if _is_strange(w, reading)), None)
    if strange is not None:
        how = f"{strange[:1].upper()}{strange[1:]}. If it is another coin, name it."
        found.append(
            Question("coin", "Is the right coin named?", how, (), "Say --coin NAME; camdial coins lists them.")
        )
    elif "coin" in asked:
        how = "A coin gives the sizes once it is named. Without it the clock positions hold, but there are no lengths."
        found.append(
            Question("coin", "Which coin lies beside it?", how, (), "Say --coin NAME; camdial coins lists them.")
        )
    if "facing" in asked:
        found.append(_facing())
    family = reading["family"]
    if "family" in asked:
        labels = _labels(reading, "family", FAMILIES)
        answers = tuple((label, f"{label}: {FAMILY_TEXT[label]}") for label in labels)
        how = "Compare with the part in your hand, tail up."
        found.append(Question("family", "Which outline is it?", how, answers, _fits("family", labels)))
    elif family["label"] in HANDED_FAMILIES and (reading.get("hand") or {}).get("label") == "none":
        what = "foot" if family["label"] == "hook" else "tail"
        answers = (("left", "left"), ("right", "right"))
        how = "Hold it screw side towards you, tail up."
        found.append(Question("hand", f"On which side is the {what}?", how, answers, _fits("hand", ["left", "right"])))
    if "bottom" in asked:
        answers = tuple((label, f"{label}: {BOTTOM_TEXT[label]}") for label in BOTTOMS)
        how = "Look at the hub's edge opposite the tail."
        found.append(Question("bottom", "Is the bottom open or closed?", how, answers, _fits("bottom", list(BOTTOMS))))
    return tuple(found)


def _facing() -> Question:
    # That screw heads leave rings on the face they sit on: common practice, no source.
    how = (
        "Hold the cam tail up with the screw side towards you: the side with countersinks, screw heads or the rings "
        "they have worn. The other side is flat and lay on the cylinder's plug."
    )
    answers = (("screw", "the screw side was up"), ("plug", "the plug side was up"))
    return Question("facing", "Which side was up in the photo?", how, answers, "Say --facing screw or --facing plug.")


def _fits(name: str, labels: list[str]) -> str:
    """How to say a word that is seen on the part: it counts when parts are compared."""
    return f"camdial fits takes --measured {name}={'|'.join(labels)}."


def _labels(reading: Mapping[str, Any], name: str, allowed: tuple[str, ...]) -> list[str]:
    """The labels that are still possible, most probable first."""
    word = reading[name]
    labels = list(word.get("plausible") or [word["label"]])
    for warning in reading["warnings"]:
        if question_about(warning) == name:
            labels += [one for one in allowed if re.search(rf"\b{one}\b", warning["text"]) and one not in labels]
    return labels[:MOST_ANSWERS]


def _is_strange(warning: Mapping[str, str], reading: Mapping[str, Any]) -> bool:
    """A size that no cam has, by a coin that may be another."""
    return warning["code"] == "size-unusual" and (reading.get("scale") or {}).get("kind") == "coin"


def question_about(warning: Mapping[str, str]) -> str | None:
    """Which question a warning leads to, or None."""
    if warning["code"] == "words-disagree":
        return next((name for name in ("family", "bottom") if f"part's {name}" in warning["text"]), None)
    return QUESTION_ABOUT.get(warning["code"])


def checks_of(reading: Mapping[str, Any]) -> tuple[str, ...]:
    """What to look at that no question covers, each with what to do."""
    rows = [w for w in reading["warnings"] if w["code"] not in QUIET]
    if reading.get("pattern"):
        rows = [w for w in rows if question_about(w) is None and not _is_strange(w, reading)]
    else:
        rows = [w for w in rows if w["code"] in NO_READING] or rows
    return tuple(dict.fromkeys(told_with_advice(w) for w in rows))


def remarks_of(reading: Mapping[str, Any]) -> tuple[str, ...]:
    """What was assumed, and how to do better next time."""
    said = [told_with_advice(w) for w in reading["warnings"] if w["code"] in QUIET]
    return tuple(dict.fromkeys([*said, *_twins(reading)]))


def _twins(reading: Mapping[str, Any]) -> list[str]:
    """A word on coins so near in size to the one named that no photo tells them apart."""
    scale = reading.get("scale") or {}
    coin = COINS.get(str(scale.get("reference"))) if scale.get("kind") == "coin" else None
    if coin is None:
        return []
    alike, off = [], []
    for other in (COINS[name] for name in twins(coin)):
        percent = 100.0 * (other.diameter_mm / coin.diameter_mm - 1.0)
        if abs(percent) < SAME_PERCENT:
            alike.append(other.id)
        else:
            off.append(f"{other.id} ({abs(percent):.1f} % {'larger' if percent > 0 else 'smaller'})")
    said = [f"{', '.join(alike)} would serve as well: the same size as {coin.id}"] if alike else []
    if off:
        said.append(
            f"no photo tells {coin.id} from {', '.join(off)}: lengths are off by as much if another one lies there"
        )
    return said


def told_with_advice(warning: Mapping[str, str]) -> str:
    """A warning's sentence; with what to do, where it does not say that itself."""
    advice = ADVICE.get(warning["code"])
    return warning["text"] if advice is None else f"{warning['text']}; {advice}"


# ------------------------------------------------------------------------------------------- what a person has said


def with_told(reading: Mapping[str, Any], told: Mapping[str, str]) -> dict[str, Any]:
    """The reading with words that a person has seen on the part in place of those read.

    Parameters
    ----------
    reading : mapping
        The JSON object of schema ``camdial.reading/1``.
    told : mapping of str to str
        ``facing``, ``family``, ``bottom`` or ``hand`` (seen from the screw side) and the word. A side other than the one
        read is passed over: it moves every position and is told to `vision.pipeline.read_photo` instead.

    Returns
    -------
    dict
        Again of that schema. The words told are certain, the warnings about them gone; what else was open stays open.
    """
    changed: dict[str, Any] = dict(reading)
    if not reading.get("pattern"):
        return changed
    warnings = list(reading["warnings"])
    for name in ("family", "bottom", "facing"):
        if name in told and (name != "facing" or told[name] == reading["facing"]["label"]):
            changed[name] = _certain(reading[name], told[name])
            warnings = [w for w in warnings if question_about(w) != name]
    before, after = reading["family"]["label"], changed["family"]["label"]
    if "family" in told and after not in HANDED_FAMILIES:
        changed["hand"] = {"label": "none", "probability": 1.0}
    elif "hand" in told and after in HANDED_FAMILIES:
        changed["hand"] = {"label": told["hand"], "probability": 1.0}
    if (before in HANDED_FAMILIES) != (after in HANDED_FAMILIES):
        text = f"12 o'clock was laid as for {before}; for {after} it may lie a little to one side: compare with the picture"
        warnings.append({"code": "tail-unsure", "text": text})
    changed["warnings"] = warnings
    if len(warnings) < len(reading["warnings"]):
        open_still = any(w["code"] not in QUIET for w in warnings)
        settled = not open_still and reading["scale"] is not None
        changed["outcome"] = "read" if settled else reading["outcome"]
    return changed


def _certain(word: Mapping[str, Any], label: str) -> dict[str, Any]:
    certain: dict[str, Any] = {"label": label, "probability": 1.0}
    if "plausible" in word:
        certain["plausible"] = [label]
    if "probabilities" in word:
        certain["probabilities"] = {
            name: float(name == label) for name in dict.fromkeys([*word["probabilities"], label])
        }
    return certain
