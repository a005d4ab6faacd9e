"""The page's navigation; `camdial page` starts it."""

import streamlit as st

from shop.pages import compare, free, look, parts, photo, read

st.set_page_config(page_title="camdial", page_icon=look.icon(), layout="wide", initial_sidebar_state="collapsed")
pages = [
    st.Page(read.show, title="Read a photo", url_path="read", default=True),
    st.Page(compare.show, title="Compare two", url_path="compare"),
    st.Page(parts.show, title="My list", url_path="list"),
    st.Page(free.show, title="Stuck screw", url_path="free"),
    st.Page(photo.show, title="Good photos", url_path="photo"),
]
here = st.navigation(pages, position="top")
here.run()
with st.container(horizontal=True, key="all-pages"):  # a phone folds the bar at the top away
    for page in pages:
        if page.title != here.title:
            st.page_link(page)
