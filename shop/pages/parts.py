"""The shop's list as a table to search and to edit, with CSV in and out."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from importlib import resources
from typing import Any, Final

import streamlit as st

from shop.pages import look
from shop.pages.store import opened
from shop.parts import COLUMNS, PartsError, PartsFile, part_from_texts, part_to_texts, read_csv, write_csv
from shop.search import search
from shop.store import Store, StoredPart, StoreError
from vision.vocabulary import BOTTOMS, FAMILIES, HANDS

TITLES: Final = {
    "part": "part", "family": "outline", "bottom": "bottom", "hand": "hand", "reach_mm": "reach mm", "hub_diameter_mm": "hub mm",
    "tail_width_mm": "tail mm", "thickness_mm": "thick mm", "holes": "holes: angle@radius:Ø", "screw": "screw", "bin": "bin",
    "stock": "stock", "note": "note",
}  # fmt: skip
SHOWN_PROBLEMS: Final = 12
FIRST: Final = ("part", "family", "bottom", "hand", "reach_mm", "holes", "screw", "bin", "stock")
ORDER: Final = (*FIRST, *(column for column in COLUMNS if column not in FIRST))


def show() -> None:
    """Draw the page."""
    st.html(look.style())
    st.html(
        look.lead(
            "My list",
            "The parts your shop keeps. Edit a cell and save; every change is logged, and a row taken out is put away, not lost.",
        )
    )
    try:
        store = opened()
        stored = store.list_stored()
    except StoreError as error:
        st.error(look.first_up(str(error)), icon=":material/error:")
        return
    said = st.session_state.pop("parts-said", None)
    if said:
        st.success(said, icon=":material/check:")
    if stored:
        _table(store, stored)
    _bring_in(store, empty=not stored)
    if stored:
        held = io.StringIO(newline="")
        write_csv([entry.part for entry in stored], held)
        st.download_button(
            "Download the list (CSV)", held.getvalue().encode("utf-8-sig"), "parts.csv", "text/csv", on_click="ignore"
        )


def _table(store: Store, stored: Sequence[StoredPart]) -> None:
    question = st.text_input("Search", placeholder="two holes, 3 and 9, open bottom", key="question")
    shown = list(stored)
    if question.strip():
        found = search([entry.part for entry in stored], question)
        numbers = {part.part for part in found.parts}
        shown = [entry for entry in stored if entry.part.part in numbers]
        st.html(
            look.note(
                f"Understood: {', '.join(found.understood) or 'everything'}. {len(shown)} of {len(stored)} parts."
            )
        )
    editor = f"editor-{st.session_state.get('parts-round', 0)}-{hash(question)}"
    st.data_editor(
        [part_to_texts(entry.part) for entry in shown],
        key=editor,
        num_rows="dynamic",
        hide_index=True,
        width="stretch",
        height=min(38 * (len(shown) + 2) + 4, 520),
        column_order=ORDER,
        column_config={
            **{column: st.column_config.TextColumn(title) for column, title in TITLES.items()},
            "family": st.column_config.SelectboxColumn(TITLES["family"], options=FAMILIES),
            "bottom": st.column_config.SelectboxColumn(TITLES["bottom"], options=BOTTOMS),
            "hand": st.column_config.SelectboxColumn(TITLES["hand"], options=HANDS),
        },
        alt="The parts of the list",
    )
    edits: Mapping[str, Any] = st.session_state.get(editor, {})
    count = sum(len(edits.get(kind, ())) for kind in ("edited_rows", "added_rows", "deleted_rows"))
    with st.container(horizontal=True, vertical_alignment="center"):
        if st.button(f"Save {count} change{'' if count == 1 else 's'}", type="primary", disabled=not count):
            _save(store, shown, edits)
        if count and st.button("Undo"):
            _next_round()
            st.rerun()


def _save(store: Store, shown: Sequence[StoredPart], edits: Mapping[str, Any]) -> None:
    """Write each changed row, refusing what someone else changed meanwhile; rows taken out are put away."""
    problems: list[str] = []
    done = 0
    for row, cells in edits.get("edited_rows", {}).items():
        entry = shown[int(row)]
        done += _try(
            problems, entry.part.part, lambda e=entry, c=cells: store.edit(e.part.part, _texts(c), version=e.version)
        )
    for cells in edits.get("added_rows", ()):
        texts = _texts(cells)
        done += _try(problems, texts.get("part") or "new row", lambda t=texts: store.add(part_from_texts(t)))
    for row in edits.get("deleted_rows", ()):
        entry = shown[int(row)]
        done += _try(problems, entry.part.part, lambda e=entry: store.archive(e.part.part, version=e.version))
    for problem in problems:
        st.error(problem, icon=":material/error:")
    if not problems:
        st.session_state["parts-said"] = f"{done} saved."
        _next_round()
        st.rerun()


def _try(problems: list[str], name: str, change: Any) -> int:
    try:
        change()
    except PartsError as error:
        problems += [f"{name}, {problem}" for problem in error.problems]
    except StoreError as error:
        problems.append(f"{name}: {error}")
    else:
        return 1
    return 0


def _texts(cells: Mapping[str, Any]) -> dict[str, str]:
    return {name: "" if value is None else str(value) for name, value in cells.items() if name in COLUMNS}


def _next_round() -> None:
    st.session_state["parts-round"] = st.session_state.get("parts-round", 0) + 1


def _bring_in(store: Store, *, empty: bool) -> None:
    with st.expander("Bring in a CSV file", expanded=empty):
        st.html(
            look.note(
                f"One header row, one row a part. Columns: {', '.join(COLUMNS)}. A number that is there already is updated."
            )
        )
        file = st.file_uploader("CSV file", type=["csv", "txt"], key=f"csv-{st.session_state.get('parts-round', 0)}")
        if file is not None:
            _import(store, read_csv(file.getvalue()))
        if empty and st.button("Start with the example list of an invented shop"):
            demo = resources.files("shop").joinpath("data", "demo_parts.csv").read_bytes()
            store.import_parts(read_csv(demo).parts)
            st.session_state["parts-said"] = "The example list is in."
            _next_round()
            st.rerun()


def _import(store: Store, found: PartsFile) -> None:
    for problem in found.problems[:SHOWN_PROBLEMS]:
        st.error(look.first_up(str(problem)), icon=":material/error:")
    if found.problems:
        st.html(look.note(f"{len(found.problems)} cells need mending; nothing was taken in."))
        return
    if st.button(f"Take in {len(found.parts)} parts", type="primary"):
        try:
            result = store.import_parts(found.parts)
        except StoreError as error:
            st.error(look.first_up(str(error)), icon=":material/error:")
            return
        st.session_state["parts-said"] = f"{result.added} added, {result.updated} changed, {result.unchanged} the same."
        _next_round()
        st.rerun()
