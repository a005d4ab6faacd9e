"""The ways to free a screw, read from `data/methods.toml` and checked: knowledge is data, this only holds its shape."""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any, Final

SCHEMA: Final = "camdial.methods/1"
CONDITIONS: Final = ("wont-turn", "head-damaged", "head-gone")
PLACES: Final = ("vise", "bench", "door")
SAVEABLE: Final = ("cam", "screw")
NUMBERS: Final = ("", "slot", "drill", "grip", "core")
LONGEST_TEXT: Final = 170  # characters; longer ones are not read
HEAD_IS_OFF: Final = "head-gone"
LAST_RESORT: Final = "hand-over"  # needs nothing, so that there is always an answer


@dataclass(frozen=True, slots=True)
class Caution:
    """A warning; `basis` names the rule it rests on. `always` ones and those of the place come with every answer."""

    id: str
    text: str
    basis: str = ""
    always: bool = False
    places: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Method:
    """One way to free a screw. Of each group in `needs` one tool is enough; the vise may be where the cylinder is.

    `follows` names the method that takes the head off: without it this one is possible only when the head is gone.
    """

    id: str
    name: str
    harshness: int
    needs: tuple[frozenset[str], ...]
    needs_saving_cam: tuple[frozenset[str], ...]
    do: tuple[str, ...]
    force: str
    never: str
    stop: str
    may_cost: str
    cautions: tuple[str, ...]
    loses: frozenset[str] = frozenset()
    leads_to: str = ""
    follows: str = ""
    numbers: str = ""
    needs_numbers: bool = False
    strikes: bool = False
    cuts: bool = False


@dataclass(frozen=True, slots=True)
class Knowledge:
    """All methods with their tools, cautions and order; common practice unless a caution names its basis."""

    basis: str
    tools: Mapping[str, str]
    cautions: Mapping[str, Caution]
    methods: Mapping[str, Method]
    order: Mapping[str, tuple[str, ...]]
    conditions: Mapping[str, str]
    before: Mapping[str, tuple[str, ...]]
    worth: str


class MethodsError(ValueError):
    """The methods file is not what the adviser can rely on; the message says where."""


def _text(record: Mapping[str, Any], key: str, where: str) -> str:
    value = record.get(key)
    if not isinstance(value, str) or not value.strip():
        raise MethodsError(f"{where}: {key} is missing or empty")
    if len(value) > LONGEST_TEXT:
        raise MethodsError(f"{where}: {key} has {len(value)} characters; at most {LONGEST_TEXT} are read")
    return value


def _texts(record: Mapping[str, Any], key: str, where: str) -> tuple[str, ...]:
    values = record.get(key)
    if not isinstance(values, list) or not values:
        raise MethodsError(f"{where}: {key} must be a list of texts")
    return tuple(_text({key: value}, key, where) for value in values)


def _words(record: Mapping[str, Any], key: str, allowed: object, where: str) -> tuple[str, ...]:
    values = record.get(key, [])
    if not isinstance(values, list):
        raise MethodsError(f"{where}: {key} must be a list")
    for value in values:
        if value not in allowed:  # type: ignore[operator]
            raise MethodsError(f"{where}: {key} names {value!r}, which is not known here")
    return tuple(values)


def _groups(record: Mapping[str, Any], key: str, tools: Mapping[str, str], where: str) -> tuple[frozenset[str], ...]:
    groups = record.get(key)
    if not isinstance(groups, list):
        raise MethodsError(f"{where}: {key} must be a list of groups of tools")
    found = tuple(frozenset(_words({key: group}, key, tools, where)) for group in groups)
    if not all(found):
        raise MethodsError(f"{where}: {key} has an empty group")
    return found


def _method(record: Mapping[str, Any], tools: Mapping[str, str], cautions: Mapping[str, Caution]) -> Method:
    where = f"method {record.get('id')}"
    allowed = set(Method.__dataclass_fields__)
    for key in record:
        if key not in allowed:
            raise MethodsError(f"{where}: {key} is no field of a method")
    needs = _groups(record, "needs", tools, where)
    method = Method(
        id=_text(record, "id", where),
        name=_text(record, "name", where),
        harshness=int(record.get("harshness", 0)),
        needs=needs,
        needs_saving_cam=_groups(record, "needs_saving_cam", tools, where) if "needs_saving_cam" in record else needs,
        do=_texts(record, "do", where),
        force=_text(record, "force", where),
        never=_text(record, "never", where),
        stop=_text(record, "stop", where),
        may_cost=_text(record, "may_cost", where),
        cautions=_words(record, "cautions", cautions, where),
        loses=frozenset(_words(record, "loses", SAVEABLE, where)),
        leads_to=str(record.get("leads_to", "")),
        follows=str(record.get("follows", "")),
        numbers=str(record.get("numbers", "")),
        needs_numbers=bool(record.get("needs_numbers", False)),
        strikes=bool(record.get("strikes", False)),
        cuts=bool(record.get("cuts", False)),
    )
    if not 1 <= method.harshness <= 10:
        raise MethodsError(f"{where}: harshness runs from 1 to 10")
    if not method.cautions:
        raise MethodsError(f"{where}: every method needs a caution")
    if method.leads_to and method.leads_to not in CONDITIONS:
        raise MethodsError(f"{where}: leads_to names no condition")
    if method.numbers not in NUMBERS or (method.needs_numbers and not method.numbers):
        raise MethodsError(f"{where}: numbers must be one of {', '.join(NUMBERS[1:])}")
    for needs in (method.needs, method.needs_saving_cam):
        if (method.strikes or method.cuts) and not {frozenset({"vise"}), frozenset({"eye-protection"})} <= set(needs):
            raise MethodsError(f"{where}: striking and cutting need a vise and eye protection")
    if (method.strikes or method.cuts) and "eyes" not in method.cautions:
        raise MethodsError(f"{where}: striking and cutting carry the caution on eyes")
    if method.cuts and "keyway" not in method.cautions:
        raise MethodsError(f"{where}: cutting carries the caution on chips in the keyway")
    return method


def _order(record: Mapping[str, Any], methods: Mapping[str, Method]) -> dict[str, tuple[str, ...]]:
    order: dict[str, tuple[str, ...]] = {}
    for condition in CONDITIONS:
        names = _words(record, condition, methods, "order")
        if not names or names[-1] != LAST_RESORT or methods[LAST_RESORT].needs:
            raise MethodsError(f"order: {condition} must end with {LAST_RESORT}, which needs nothing")
        harshness = [methods[name].harshness for name in names]
        if len(set(names)) != len(names) or harshness != sorted(harshness):
            raise MethodsError(f"order: {condition} must go from mild to harsh, each method once")
        for name in names:
            first = methods[name].follows
            if first and condition != HEAD_IS_OFF and first not in names[: names.index(name)]:
                raise MethodsError(f"order: in {condition}, {name} must come after {first}")
        order[condition] = names
    unused = set(methods) - {name for names in order.values() for name in names}
    if unused:
        raise MethodsError(f"order: no condition leads to {', '.join(sorted(unused))}")
    return order


def knowledge_from_toml(text: str) -> Knowledge:
    """Read and check a methods file.

    Raises
    ------
    MethodsError
        If it is no TOML of this schema, or a method lacks a stop rule, a caution, a place in an order or known tools.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise MethodsError(f"not TOML: {error}") from None
    if data.get("schema") != SCHEMA:
        raise MethodsError(f"schema must be {SCHEMA}")
    tools = {_text(tool, "id", "tool"): _text(tool, "name", "tool") for tool in data.get("tool", [])}
    cautions: dict[str, Caution] = {}
    for record in data.get("caution", []):
        name = _text(record, "id", "caution")
        cautions[name] = Caution(
            name,
            _text(record, "text", f"caution {name}"),
            str(record.get("basis", "")),
            bool(record.get("always", False)),
            _words(record, "places", PLACES, f"caution {name}"),
        )
    methods: dict[str, Method] = {}
    for record in data.get("method", []):
        method = _method(record, tools, cautions)
        if method.id in methods:
            raise MethodsError(f"method {method.id}: written twice")
        methods[method.id] = method
    if LAST_RESORT not in methods:
        raise MethodsError(f"method {LAST_RESORT} is missing")
    return Knowledge(
        basis=_text(data, "basis", "file"),
        tools=tools,
        cautions=cautions,
        methods=methods,
        order=_order(data.get("order", {}), methods),
        conditions={name: _text(data.get("conditions", {}), name, "conditions") for name in CONDITIONS},
        before={place: _texts(data.get("before", {}), place, "before") for place in PLACES},
        worth=_text(data.get("worth", {}), "text", "worth"),
    )


@functools.cache
def load_knowledge() -> Knowledge:
    """The shipped methods, read once."""
    return knowledge_from_toml(resources.files("shop").joinpath("data", "methods.toml").read_text("utf-8"))
