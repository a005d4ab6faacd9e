"""The shop's list for the page: opened once a process, at the place the command or the environment names."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from shop.cli_common import list_place
from shop.store import Store, open_store


@st.cache_resource(show_spinner=False)
def _store(place: str) -> Store:
    if "://" not in place:
        Path(place).expanduser().parent.mkdir(parents=True, exist_ok=True)
    return open_store(place)


def opened() -> Store:
    """The shop's list. Raises `shop.store.StoreError`."""
    return _store(list_place(None))
