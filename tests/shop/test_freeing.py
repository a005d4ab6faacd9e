"""The adviser: every combination answered safely, every method reachable, guesses never silent, drawings to scale."""

from __future__ import annotations

import itertools
import json
import math
import re
import xml.etree.ElementTree as ET
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
import pytest

from shop.drawing import ENLARGED, Section, draw_section, svg
from shop.fasteners import find_drill
from shop.freeing import Situation, advise, choose, situation_from_words
from shop.freeing_text import SCHEMA, advice_json, advice_text, figures, limit_text
from shop.methods import (
    CONDITIONS,
    LAST_RESORT,
    PLACES,
    SAVEABLE,
    Knowledge,
    MethodsError,
    knowledge_from_toml,
    load_knowledge,
)
from shop.screw_at_hand import (
    Numbers,
    Screw,
    guess_screw,
    holes_of_reading,
    numbers_for,
    screw_from_reading,
)
from shop.threads import CAM_SCREWS, THREADS, find_thread
from vision.quantity import NotMeasured, Quantity
from vision.reading import Outline, PhotoFacts, Reading, ScrewHole

KNOWN = load_knowledge()
TOOLS = tuple(KNOWN.tools)
SAVES = tuple(frozenset(s) for n in range(3) for s in itertools.combinations(SAVEABLE, n))
SIX = Screw(find_thread("#6-32"), "slotted-82")


def text_of_methods() -> str:
    return resources.files("shop").joinpath("data", "methods.toml").read_text("utf-8")


@cache
def everything() -> dict[tuple[str, str, frozenset[str], frozenset[str]], tuple[str, ...]]:
    """The answer for every condition × place × save-wish × set of tools, screw known."""
    numbers = numbers_for(SIX)
    answers = {}
    for size in range(len(TOOLS) + 1):
        for tools in map(frozenset, itertools.combinations(TOOLS, size)):
            for condition, place, save in itertools.product(CONDITIONS, PLACES, SAVES):
                chosen, _ = choose(Situation(condition, tools, save, place), numbers, KNOWN)
                answers[condition, place, save, tools] = tuple(method.id for method in chosen)
    return answers


def test_every_combination_is_answered_from_mild_to_harsh_with_what_is_at_hand() -> None:
    answers = everything()
    assert len(answers) == 2 ** len(TOOLS) * len(CONDITIONS) * len(PLACES) * len(SAVES)
    methods = KNOWN.methods
    for condition, chosen in {(key[0], chosen) for key, chosen in answers.items()}:  # what the answer alone must obey
        assert chosen and chosen[-1] == LAST_RESORT
        ranks = [KNOWN.order[condition].index(name) for name in chosen]
        assert ranks == sorted(set(ranks))
        harshness = [methods[name].harshness for name in chosen]
        assert harshness == sorted(harshness)
        assert "grip-stub" not in chosen or condition == "head-gone" or "drill-head" in chosen
    safe = frozenset({"vise", "eye-protection"})
    forceful = {method.id for method in methods.values() if method.strikes or method.cuts}
    destroying = {method.id for method in methods.values() if "screw" in method.loses}
    assert {"drill-head", "extractor", "fresh-slot"} <= forceful and "face-blows" in forceful
    for (condition, place, save, tools), chosen in answers.items():
        have = tools | {"vise"} if place == "vise" else tools
        for name in chosen:
            for group in methods[name].needs:
                assert not group.isdisjoint(have)
        names = set(chosen)
        assert safe <= have or names.isdisjoint(forceful)  # chips fly: never by hand, never without eye protection
        assert "screw" not in save or condition == "head-gone" or names.isdisjoint(destroying)
        assert "fresh-slot" not in names or "cam" not in save or "disc" in have  # a straight blade runs into the cam


@pytest.mark.parametrize(
    "screw",
    [Screw(), Screw(find_thread("#6-32"), "slotted-82", Quantity(6.3, 0.8)), Screw(find_thread("#8-32"), "other")],
)
def test_without_safe_figures_nothing_is_drilled_whatever_the_tools(screw: Screw) -> None:
    numbers = numbers_for(screw)
    cutting = ("vise", "eye-protection", "driver", "hammer", "disc", "saw", "drill", "pliers", "extractor")
    for size in range(len(cutting) + 1):
        for tools in map(frozenset, itertools.combinations(cutting, size)):
            for condition, place, save in itertools.product(CONDITIONS, PLACES, SAVES):
                chosen, left_out = choose(Situation(condition, tools, save, place), numbers, KNOWN)
                ids = [method.id for method in chosen]
                assert ids[-1] == LAST_RESORT and "drill-head" not in ids
                assert condition == "head-gone" or "grip-stub" not in ids
                if "cam" in save and isinstance(numbers.slot, NotMeasured):
                    assert "fresh-slot" not in ids
                assert len(ids) + len(left_out) == len(KNOWN.order[condition])  # nothing is dropped without a reason
                assert all(item.reason for item in left_out)


def test_more_tools_never_take_a_method_away() -> None:
    answers = everything()
    for (condition, place, save, tools), chosen in answers.items():
        for tool in set(TOOLS) - tools:
            if tool in ("vise", "eye-protection", "driver"):  # the ones that most methods wait for
                assert set(chosen) <= set(answers[condition, place, save, tools | {tool}])


def test_every_method_is_reachable_and_has_stop_rule_and_caution() -> None:
    reached = {name for chosen in everything().values() for name in chosen}
    assert reached == set(KNOWN.methods)
    for method in KNOWN.methods.values():
        assert method.stop and method.cautions and method.force and method.never and method.may_cost
        assert all(name in KNOWN.cautions for name in method.cautions)
    assert all(len(set(KNOWN.order[c])) == len(KNOWN.order[c]) for c in CONDITIONS)


@pytest.mark.parametrize("condition", CONDITIONS)
@pytest.mark.parametrize("place", PLACES)
def test_cautions_stand_before_everything_else(condition: str, place: str) -> None:
    advice = advise(Situation(condition, frozenset(TOOLS), frozenset(), place), SIX)
    record = advice_json(advice)
    assert record["schema"] == SCHEMA and list(record)[1] == "cautions"
    cautions = {caution["id"]: caution for caution in record["cautions"]}
    assert next(iter(cautions)) == "eyes" and {"eyes", "vise", "key-out", "keyway", "door"} <= set(cautions)
    # Eyes: 29 CFR 1910.133, ANSI/ISEA Z87.1; doors: NFPA 80 and NFPA 101, as doorsafety.com lists codes and standards
    assert "1910.133" in cautions["eyes"]["basis"] and "Z87.1" in cautions["eyes"]["basis"]
    assert "NFPA 80" in cautions["door"]["basis"] and "NFPA 101" in cautions["door"]["basis"]
    assert "authority having jurisdiction" in cautions["door"]["text"] and "license" in cautions["door"]["text"]
    assert ("open-door" in cautions) is (place == "door")
    text = advice_text(advice)
    assert (
        text.index(cautions["eyes"]["text"])
        < text.index(cautions["door"]["text"])
        < text.index(KNOWN.methods[LAST_RESORT].do[0])
    )
    for method in advice.methods:
        assert set(method.cautions) <= set(cautions)


def test_texts_are_short_enough_to_be_read() -> None:
    for caution in KNOWN.cautions.values():
        assert len(caution.text) <= 160
    for method in KNOWN.methods.values():
        assert len(method.do) <= 4 and all(
            len(text) <= 125 for text in (*method.do, method.force, method.never, method.stop)
        )


# The order in which the trade tries things (common practice, no source).
def test_order_of_methods_is_the_trades() -> None:
    assert KNOWN.order["wont-turn"][:7] == (
        "fitting-driver",
        "face-blows",
        "impact-driver",
        "press-and-turn",
        "blow-and-turn",
        "penetrating-fluid",
        "gentle-heat",
    )
    assert KNOWN.order["head-damaged"][:5] == ("rubber-sheet", "fresh-slot", "drill-head", "grip-stub", "extractor")
    assert "on the cam's face, over the screws" in KNOWN.methods["face-blows"].force.lower()
    assert "nowhere else" in KNOWN.methods["face-blows"].never.lower()


def drilling(screw: Screw) -> tuple[bool, Numbers, str]:
    advice = advise(Situation("head-damaged", frozenset(TOOLS), frozenset({"cam"}), "vise"), screw)
    reason = next((item.reason for item in advice.left_out if item.method.id == "drill-head"), "")
    return any(method.id == "drill-head" for method in advice.methods), advice.numbers, reason


def test_no_drill_is_named_for_an_unknown_screw() -> None:
    for screw in (
        Screw(),
        Screw(find_thread("#6-32"), "other"),
        Screw(find_thread("#6-32"), "slotted-82", Quantity(6.3, 0.8)),
    ):
        possible, numbers, reason = drilling(screw)
        assert not possible and isinstance(numbers.drills, NotMeasured) and reason.startswith("no safe figures")
        assert "drill-head" not in [
            m["id"] for m in advice_json(advise(Situation("wont-turn", frozenset(TOOLS)), screw))["methods"]
        ]


@pytest.mark.parametrize("name", sorted(THREADS))
@pytest.mark.parametrize("point", [118.0, 135.0])
def test_no_advised_drill_is_larger_than_the_head_or_smaller_than_the_shank(name: str, point: float) -> None:
    thread = THREADS[name]
    for edge in (None, Quantity(thread.major_mm * 1.8, 0.03), Quantity(thread.major_mm * 1.75, 0.1)):
        for save in SAVES:
            screw = Screw(thread, head_mm=edge, point_deg=point)
            record = advice_json(advise(Situation("head-damaged", frozenset(TOOLS), save, "vise"), screw))
            numbers = record["numbers"]
            for drill in numbers["drills"]:
                assert thread.major_mm < drill["diameter_mm"] < numbers["head"]["smallest_mm"] + 1e-3
                assert drill["stop_mm"] <= drill["parts_at_mm"]["value"] - drill["parts_at_mm"]["u95"] + 2e-3
            named = [row for m in record["methods"] for row in m["figures"] if row[0] in ("Drill", "Or drill")]
            drilled = any(m["id"] == "drill-head" for m in record["methods"])
            assert len(named) == (len(numbers["drills"]) if drilled else 0)
            for _, value in named:
                mm = float(re.search(r"= (\d+\.\d+) mm", value)[1])  # type: ignore[index]
                assert thread.major_mm < mm < numbers["head"]["smallest_mm"]


def test_a_named_drill_outside_the_window_is_refused_with_the_reason() -> None:
    possible, _, reason = drilling(Screw(find_thread("#8-32"), "slotted-82", drill=find_drill("#30")))
    assert not possible and "does not cover" in reason
    possible, numbers, _ = drilling(Screw(find_thread("#8-32"), "slotted-82", drill=find_drill("#18")))
    assert possible and isinstance(numbers.drills, tuple) and numbers.drills[0].drill.name == "#18"


def test_a_hole_too_small_for_the_screw_is_no_basis_for_figures() -> None:
    possible, numbers, reason = drilling(Screw(find_thread("#8-32"), "slotted-82", hole_mm=Quantity(3.3, 0.03)))
    assert not possible and "does not pass a hole" in reason and isinstance(numbers.slot, NotMeasured)


def test_limits_are_rounded_down_in_both_units() -> None:
    assert limit_text(2.399, inch=True) == "2.39 mm (0.094 in)"
    assert limit_text(2.35, inch=True) == "2.35 mm (0.092 in)"  # 0.09252 in: never rounded up
    assert limit_text(1.85, inch=False) == "1.85 mm"


def test_wishes_and_gaps_are_said_not_swallowed() -> None:
    advice = advise(Situation("head-damaged", frozenset({"vise", "driver"}), frozenset({"screw"}), "bench"), SIX)
    reasons = {item.method.id: item for item in advice.left_out}
    assert reasons["rubber-sheet"].missing == ("rubber",)
    assert "costs the screw" in reasons["drill-head"].reason
    assert any("far less than replacing a cylinder" in note for note in advice.notes)
    assert any("Worth fetching: Thin rubber sheet" in note for note in advice.notes)
    gone = advise(Situation("head-gone", frozenset(TOOLS), frozenset({"screw"}), "vise"), SIX)
    assert [m.id for m in gone.methods] == ["grip-stub", "extractor", LAST_RESORT]
    assert any("past saving" in note for note in gone.notes)
    record = advice_json(gone)  # no drill and no slot for a head that is not there; the stub and the core stay
    assert record["numbers"]["drills"] == [] and record["numbers"]["slot"] is None and record["numbers"]["grip"]
    core = dict(map(tuple, record["methods"][1]["figures"]))["Stay inside the screw's core"]
    assert core == "Ø 2.64 mm (0.104 in)"  # 0.1380 − 1.25 · 0.8660 · 1/32 = 0.10417 in, rounded down
    assert [m["figures"][0][0] for m in record["methods"][:2]] == [
        "Stub out of the plug",
        "Stay inside the screw's core",
    ]


def test_a_straight_blade_is_not_advised_when_the_cam_is_to_be_saved() -> None:
    tools = frozenset({"vise", "eye-protection", "driver", "saw"})
    ids = [m.id for m in advise(Situation("head-damaged", tools, frozenset(), "bench"), SIX).methods]
    saving = [m.id for m in advise(Situation("head-damaged", tools, frozenset({"cam"}), "bench"), SIX).methods]
    assert "fresh-slot" in ids and "fresh-slot" not in saving


def test_figures_of_the_fresh_slot_spare_the_cam_only_if_asked() -> None:
    slot = KNOWN.methods["fresh-slot"]
    names = [row[0] for row in figures(slot, numbers_for(SIX), Situation("head-damaged"))]
    saving = [row[0] for row in figures(slot, numbers_for(SIX), Situation("head-damaged", save=frozenset({"cam"})))]
    assert "Deepest slot that leaves enough head" in names and "Deepest slot that leaves enough head" not in saving
    assert any("cam spared" in name for name in saving)


def test_words_that_are_not_known_are_refused_with_what_is_allowed() -> None:
    turn = {"condition": "wont-turn"}
    for words in (
        {"condition": "stuck"},
        turn | {"tools": ["sledge"]},
        turn | {"place": "car"},
        turn | {"save": ["door"]},
    ):
        with pytest.raises(ValueError, match="allowed: "):
            situation_from_words(words)
    assert situation_from_words({"condition": "wont-turn", "tools": ["all"]}).tools == frozenset(TOOLS)


# ---------------------------------------------------------------------------------------------- the size, guessed


def reading(*holes: tuple[Quantity | None, Quantity | None]) -> dict[str, Any]:
    rows = tuple(
        ScrewHole("2", (10.0, 10.0), Quantity(61.0, 0.5), Quantity(4.5, 0.03), diameter, sink)
        for diameter, sink in holes
    )
    outline = Outline((0.0, 0.0), (0.0, -10.0), np.zeros((3, 2)))
    photo = PhotoFacts("bench.jpg", "0" * 64, 100, 100)
    result: dict[str, Any] = json.loads(Reading("read", photo, holes=rows, outline=outline).dumps())
    return result


def test_guesses_add_up_and_name_the_size_the_hole_was_made_for() -> None:
    for name in CAM_SCREWS:
        thread = THREADS[name]
        if thread.clearance is None:
            continue
        guesses = guess_screw([(Quantity(thread.clearance.normal_mm, 0.03), None)])
        assert sum(g.probability for g in guesses) == pytest.approx(1.0)
        sizes = [g.size for g in guesses if g.probability > 0.05]
        assert thread.size in sizes  # ASME B18.2.8 and ISO 273 normal holes: the size is among the likely ones
        impossible = [
            g for g in guesses if g.size and find_thread(g.thread).major_mm > thread.clearance.normal_mm + 0.2
        ]
        assert all(g.probability < 1e-3 for g in impossible)  # a screw does not pass a smaller hole
    assert guess_screw([(None, None)]) == ()
    odd = guess_screw([(Quantity(7.0, 0.03), None)])
    assert odd[0].size == "" and odd[0].probability > 0.8


def test_a_countersink_narrows_the_guess() -> None:
    # Hole 3.3 mm: M3 (ISO 273 medium 3.4), #4 (B18.2.8 normal 3.25) or #5; a countersink of 6.4 mm is too wide for the
    # #4 slotted head of B18.6.3 (A max 5.38 mm), too narrow for nothing else.
    alone = {g.size: g.probability for g in guess_screw([(Quantity(3.3, 0.03), None)])}
    sunk = {g.size: g.probability for g in guess_screw([(Quantity(3.3, 0.03), Quantity(6.4, 0.05))])}
    assert sunk["#4"] < alone["#4"] / 2


def test_an_unsure_guess_gives_no_drill_and_says_so() -> None:
    screw = screw_from_reading(reading((Quantity(3.3, 0.035), Quantity(5.6, 0.05)), (Quantity(3.32, 0.035), None)))
    assert screw.working_thread is None and screw.hole_mm is not None and len(screw.guesses) > 2
    possible, numbers, reason = drilling(screw)
    assert not possible and "not sure" in reason and isinstance(numbers.head, NotMeasured)
    record = advice_json(advise(Situation("head-damaged", frozenset(TOOLS)), screw))
    assert record["screw"]["thread"] is None and record["screw"]["guesses"][0]["probability"] < 0.95
    assert any("not sure" in note for note in record["notes"])


def test_a_sure_guess_is_used_but_never_silently() -> None:
    holes = [(Quantity(4.95, 0.02), Quantity(7.6, 0.05))] * 3  # B18.2.8 normal hole and B18.6.3 head of #8
    screw = screw_from_reading(reading(*holes))
    assert screw.guessed and screw.working_thread is not None and screw.working_thread.size == "#8"
    advice = advise(Situation("head-damaged", frozenset(TOOLS), frozenset(), "vise"), screw)
    assert "guessed" in advice.notes[0] and "Confirm" in advice.notes[0]
    assert advice_json(advice)["screw"]["guessed"] is True


def test_the_named_thread_wins_over_the_photo() -> None:
    screw = screw_from_reading(reading((Quantity(3.3, 0.035), None)), Screw(find_thread("#4-40"), "slotted-82"))
    assert screw.working_thread is find_thread("#4-40") and not screw.guessed and screw.guesses == ()


def test_u95_of_the_reading_arrives_as_standard_uncertainty() -> None:
    ((diameter, sink),) = holes_of_reading(reading((Quantity(3.3, 0.04), Quantity(6.1, 0.06))))
    assert diameter == Quantity(3.3, 0.04) and sink == Quantity(6.1, 0.06)
    with pytest.raises(ValueError, match="not a reading"):
        holes_of_reading({"schema": "other"})


# ---------------------------------------------------------------------------------------------- the drawing


def polygon(root: ET.Element, name: str) -> list[tuple[float, float]]:
    element = root.find(f".//{{http://www.w3.org/2000/svg}}polygon[@id='{name}']")
    assert element is not None
    return [(float(x), float(y)) for x, y in (pair.split(",") for pair in element.attrib["points"].split())]


@pytest.mark.parametrize(
    ("name", "kind"), [("#6-32", "slotted-82"), ("#8-32", "flat-100"), ("M3", "din-90"), ("M4", "iso-90")]
)
def test_drawing_is_to_scale(name: str, kind: str) -> None:
    screw = Screw(find_thread(name), kind)
    numbers = numbers_for(screw)
    section = draw_section(screw, numbers)
    assert (
        isinstance(section, Section) and isinstance(numbers.drills, tuple) and not isinstance(numbers.head, NotMeasured)
    )
    root = ET.fromstring(svg(section))
    _, _, width, height = (float(value) for value in root.attrib["viewBox"].split())
    assert float(root.attrib["width"].removesuffix("mm")) == pytest.approx(ENLARGED * width, abs=0.02)
    assert float(root.attrib["height"].removesuffix("mm")) == pytest.approx(ENLARGED * height, abs=0.02)
    plan, cone, shank = numbers.drills[0], numbers.head.cones[0], numbers.head.thread.major_mm
    head = polygon(root, "head")
    assert head[1][0] - head[0][0] == pytest.approx(cone.edge_mm.value, abs=2e-4)
    assert head[2][0] - head[3][0] == pytest.approx(shank, abs=2e-4)
    angle = 2.0 * math.degrees(math.atan2(head[1][0] - head[2][0], head[2][1] - head[1][1]))
    assert angle == pytest.approx(cone.angle_deg.value, abs=0.05)
    shaft = polygon(root, "shank")
    assert shaft[1][0] - shaft[0][0] == pytest.approx(shank, abs=2e-4)
    drill = polygon(root, "drill")
    assert drill[1][0] - drill[0][0] == pytest.approx(plan.drill.diameter_mm, abs=2e-4)
    assert drill[3] == pytest.approx((0.0, plan.stop_mm), abs=2e-4)
    point = 2.0 * math.degrees(math.atan2(drill[2][0], drill[3][1] - drill[2][1]))
    assert point == pytest.approx(plan.point_deg, abs=0.05)
    lines = {line.attrib.get("id"): line for line in root.iter("{http://www.w3.org/2000/svg}line")}
    assert float(lines["stop"].attrib["y1"]) == pytest.approx(plan.stop_mm, abs=2e-4)
    assert float(lines["parts"].attrib["y1"]) == pytest.approx(plan.parts_at_mm.value, abs=2e-4)
    assert float(lines["latest"].attrib["y1"]) == pytest.approx(plan.latest_mm, abs=2e-4)
    bar = lines["bar"]
    assert float(bar.attrib["x2"]) - float(bar.attrib["x1"]) == pytest.approx(2.0, abs=2e-3)
    cam = polygon(root, "cam-right")
    assert max(y for _, y in cam) == pytest.approx(screw.thickness_mm.value, abs=2e-4)
    heights = [at for _, at in section.placed_levels()]
    assert all(b - a > 0.5 for a, b in itertools.pairwise(heights))  # labels do not cover each other


def test_no_figures_no_drawing() -> None:
    section = draw_section(Screw(), numbers_for(Screw()))
    assert isinstance(section, NotMeasured) and "not known" in section.text


# ---------------------------------------------------------------------------------------------- the data file


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('schema = "camdial.methods/1"', 'schema = "x"', "schema"),
        ('stop = "Two soakings without movement."', 'stop = ""', "stop is missing"),
        ('cautions = ["fluid"]', "cautions = []", "needs a caution"),
        ('cautions = ["fluid"]', 'cautions = ["flood"]', "flood"),
        ('needs = [["vise"], ["eye-protection"], ["pliers"]]', 'needs = [["vise"], ["claw"]]', "claw"),
        (
            'needs = [["vise"], ["eye-protection"], ["drill"], ["hammer"]]',
            'needs = [["drill"]]',
            "vise and eye protection",
        ),
        ('"penetrating-fluid", "gentle-heat",', '"gentle-heat", "penetrating-fluid",', "mild to harsh"),
        ('"penetrating-fluid", "gentle-heat",', '"gentle-heat",', "no condition leads to penetrating-fluid"),
        ('"extractor", "hand-over"]\n\n', '"extractor"]\n\n', "must end with hand-over"),
        ('"drill-head", "grip-stub"', '"grip-stub"', "after drill-head"),
        ("harshness = 10", "harshness = 11", "1 to 10"),
        ('force = "None while it soaks."', 'force = "x"\nforse = "y"', "forse"),
        ("[order]", "[order", "not TOML"),
    ],
)
def test_a_bad_methods_file_is_refused(old: str, new: str, says: str) -> None:
    text = text_of_methods()
    assert isinstance(knowledge_from_toml(text), Knowledge) and old in text
    with pytest.raises(MethodsError, match=says):
        knowledge_from_toml(text.replace(old, new))
