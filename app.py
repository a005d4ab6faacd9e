"""The page's navigation; `camdial page` starts it."""

import streamlit as st

from shop.pages import compare, free, parts, photo, read

st.set_page_config(
    page_title="camdial", page_icon=":material/schedule:", layout="wide", initial_sidebar_state="collapsed"
)
st.navigation(
    [
        st.Page(read.show, title="Read a photo", url_path="read", default=True),
        st.Page(compare.show, title="Compare two", url_path="compare"),
        st.Page(parts.show, title="My list", url_path="list"),
        st.Page(free.show, title="Stuck screw", url_path="free"),
        st.Page(photo.show, title="Good photos", url_path="photo"),
    ],
    position="top",
).run()
