"""A screw that will not come out: which methods are possible here, mildest first, with the figures for this screw.

The texts live in `data/methods.toml`; this chooses among them and never suggests what the tools at hand, the wishes or
the figures do not allow. Cautions come first in every answer.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from shop.fasteners import HEAD_KINDS
from shop.head_geometry import HeadMeasure
from shop.methods import (
    CONDITIONS,
    HEAD_IS_OFF,
    LAST_RESORT,
    PLACES,
    SAVEABLE,
    Caution,
    Knowledge,
    Method,
    load_knowledge,
)
from shop.screw_at_hand import Numbers, Screw, numbers_for
from vision.quantity import NotMeasured

NOT_AT_HAND: Final = "not at hand"


@dataclass(frozen=True, slots=True)
class Situation:
    """What is wrong, what is at hand, what must be saved, and where the cylinder is.

    Raises
    ------
    ValueError
        If a word is not known; the message says what is allowed.
    """

    condition: str
    tools: frozenset[str] = frozenset()
    save: frozenset[str] = frozenset()
    place: str = "bench"

    def __post_init__(self) -> None:
        if self.condition not in CONDITIONS:
            raise ValueError(f"condition {self.condition!r} is not known; allowed: {', '.join(CONDITIONS)}")
        if self.place not in PLACES:
            raise ValueError(f"place {self.place!r} is not known; allowed: {', '.join(PLACES)}")
        known = load_knowledge().tools
        for word, allowed in ((self.tools, known), (self.save, SAVEABLE)):
            if word - set(allowed):
                raise ValueError(
                    f"{', '.join(sorted(word - set(allowed)))} is not known; allowed: {', '.join(allowed)}"
                )

    @property
    def at_hand(self) -> frozenset[str]:
        """The tools at hand; a cylinder in the vise is in a vise."""
        return self.tools | {"vise"} if self.place == "vise" else self.tools


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A method that is not possible now, why, and the tools that would make it so (empty: no tool helps)."""

    method: Method
    reason: str
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Advice:
    """The answer: cautions, what comes before, methods from mild to harsh, and what was left out and why."""

    situation: Situation
    screw: Screw
    numbers: Numbers
    cautions: tuple[Caution, ...]
    before: tuple[str, ...]
    methods: tuple[Method, ...]
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]


@functools.cache
def _either(group: frozenset[str]) -> str:
    return " or ".join(sorted(group))


def _lacking(method: Method, situation: Situation) -> tuple[str, ...]:
    groups = method.needs_saving_cam if "cam" in situation.save else method.needs
    have = situation.at_hand
    return tuple([_either(group) for group in groups if group.isdisjoint(have)])


def _tool_names(group: str, knowledge: Knowledge) -> str:
    return " or ".join(knowledge.tools[tool] for tool in group.split(" or "))


def _named(item: LeftOut, knowledge: Knowledge) -> LeftOut:
    if not item.missing:
        return item
    names = "; ".join(_tool_names(group, knowledge) for group in item.missing)
    return LeftOut(item.method, f"{NOT_AT_HAND}: {names}", item.missing)


def _objection(method: Method, situation: Situation, numbers: Numbers) -> LeftOut | None:
    lost = method.loses & situation.save
    if situation.condition == HEAD_IS_OFF:
        lost = lost - {"screw"}  # lost already
    if lost:
        return LeftOut(method, f"it costs the {', '.join(sorted(lost))}, which you want to save")
    lacking = _lacking(method, situation)
    if lacking:
        return LeftOut(method, NOT_AT_HAND, lacking)
    if method.needs_numbers and isinstance(numbers.drills, NotMeasured):
        return LeftOut(method, f"no safe figures: {numbers.drills.text}")
    if method.id == "fresh-slot" and "cam" in situation.save:
        slot = numbers.slot
        if isinstance(slot, NotMeasured):
            return LeftOut(method, f"no depth that surely spares the cam: {slot.text}")
        if slot.spares_cam_mm is None:
            return LeftOut(
                method, f"a disc of {slot.disc_mm:g} mm meets the cam before the slot is deep enough; use a smaller one"
            )
    return None


def choose(
    situation: Situation, numbers: Numbers, knowledge: Knowledge
) -> tuple[tuple[Method, ...], tuple[LeftOut, ...]]:
    """Methods for a situation in the order of the knowledge, and those left out with the reason."""
    chosen: list[Method] = []
    left_out: list[LeftOut] = []
    for name in knowledge.order[situation.condition]:
        method = knowledge.methods[name]
        objection = _objection(method, situation, numbers)
        head_on = situation.condition != HEAD_IS_OFF and method.follows
        if objection is None and head_on and knowledge.methods[method.follows] not in chosen:
            objection = LeftOut(method, f"only after “{knowledge.methods[method.follows].name}”, which is left out")
        if objection is None:
            chosen.append(method)
        else:
            left_out.append(objection)
    return tuple(chosen), tuple(left_out)


def _cautions(situation: Situation, methods: tuple[Method, ...], knowledge: Knowledge) -> tuple[Caution, ...]:
    named = {name for method in methods for name in method.cautions}
    return tuple(c for c in knowledge.cautions.values() if c.always or situation.place in c.places or c.id in named)


def advise(situation: Situation, screw: Screw | None = None, knowledge: Knowledge | None = None) -> Advice:
    """Advise on a stuck screw.

    Parameters
    ----------
    situation : Situation
    screw : Screw, optional
        What is known of it; without a size no drill is named and the drilling method is left out.
    knowledge : Knowledge, optional
        Other methods than the shipped ones.
    """
    known = knowledge or load_knowledge()
    at_hand = screw or Screw()
    numbers = numbers_for(at_hand)
    if situation.condition == HEAD_IS_OFF and isinstance(numbers.head, HeadMeasure):
        gone = NotMeasured("head-gone", "the head is gone: there is nothing to cut or drill off")
        numbers = replace(numbers, drills=gone, slot=gone)
    methods, unnamed = choose(situation, numbers, known)
    left_out = tuple(_named(item, known) for item in unnamed)
    return Advice(
        situation,
        at_hand,
        numbers,
        _cautions(situation, methods, known),
        known.before[situation.place],
        methods,
        left_out,
        tuple(_notes(situation, at_hand, numbers, methods, left_out, known)),
    )


def _notes(
    situation: Situation,
    screw: Screw,
    numbers: Numbers,
    methods: tuple[Method, ...],
    left_out: tuple[LeftOut, ...],
    knowledge: Knowledge,
) -> list[str]:
    notes: list[str] = []
    if screw.guessed:
        best = screw.guesses[0]
        notes.append(
            f"Screw size guessed from the photo's holes: {best.thread} ({best.probability:.0%}). Confirm it first."
        )
    elif screw.guesses and screw.thread is None:
        likely = ", ".join(f"{g.size or 'another'} {g.probability:.0%}" for g in screw.guesses if g.probability >= 0.02)
        notes.append(
            f"Screw size not sure from the photo's holes: {likely}. Try a known screw of each, then say which."
        )
    head = numbers.head
    if isinstance(head, HeadMeasure):
        if len(head.cones) > 1:
            names = "; ".join(HEAD_KINDS[cone.head.kind].name for cone in head.cones)
            notes.append(f"Head not named: the figures allow for {names}. Say which, and the range narrows.")
        if not head.measured:
            notes.append("Head diameter taken from tables; a calliper across the head gives a deeper safe stop.")
        if head.may_be_undercut:
            limit = max(c.head.undercut_to_length_mm or 0.0 for c in head.cones)
            notes.append(f"A screw up to {limit:.1f} mm long is undercut: its head is lower and may part sooner.")
        if any(cone.head.memory for cone in head.cones):
            notes.append("Some limits of this head are from memory, not from a table: measure before you cut.")
    if "screw" in situation.save:
        if situation.condition == HEAD_IS_OFF:
            notes.append("The screw is past saving: its head is gone.")
        notes.append(knowledge.worth)
    single = [item for item in left_out if len(item.missing) == 1 and item.method.id != LAST_RESORT]
    if single and len(methods) <= 2:
        tool = _tool_names(single[0].missing[0], knowledge)
        notes.append(f"Worth fetching: {tool}. It opens “{single[0].method.name}”.")
    leads = [method for method in methods if method.leads_to]
    if leads:
        notes.append(
            f"Once “{leads[0].name}” has made a sound slot, go on with the list for a screw that will not turn."
        )
    return notes


def situation_from_words(words: Mapping[str, Any]) -> Situation:
    """A situation from plain words, as a page or a command collects them; ``tools: all`` is every tool."""
    tools = words.get("tools", ())
    chosen = frozenset(load_knowledge().tools) if "all" in tools else frozenset(tools)
    return Situation(
        str(words["condition"]), chosen, frozenset(words.get("save", ())), str(words.get("place", "bench"))
    )
