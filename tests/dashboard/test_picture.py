"""Pictures come after the words, in their own places."""

from types import SimpleNamespace

from streamlit.testing.v1 import AppTest

from dashboard.parts import picture


def one_page():
    import pandas as pd
    import plotly.graph_objects as go
    import streamlit as st

    from dashboard.parts.picture import show_picture, words_first
    from dashboard.words import speak
    from spc.report.locale import LOCALES

    speak(LOCALES["en"], ())
    with words_first():
        st.html("<p>before</p>")
        table = pd.DataFrame({"x": [1]})
        show_picture(go.Figure, key="one", height=380, sentence="A picture.", table=table, title="One")
        st.html("<p>after</p>")


def order(page):
    return [element.type for element in page.main]


def test_words_come_first(monkeypatch):
    waits = []
    monkeypatch.setattr(picture, "time", SimpleNamespace(sleep=waits.append))
    page = AppTest.from_function(one_page).run()
    assert not page.exception and waits == [picture._FIRST_PAUSE_S]
    first = order(page)
    assert (
        "plotly_chart" in first and first.index("plotly_chart") < len(first) - 1
    )  # in its place, before the last words
    page.run()
    assert not page.exception and waits[1:] == [picture._PAUSE_S]
    assert order(page) == first


def test_a_page_that_fails_leaves_nothing_waiting():
    def failing():
        import streamlit as st

        from dashboard.parts.picture import words_first

        try:
            with words_first():
                raise RuntimeError("nothing to draw")
        except RuntimeError:
            st.html("<p>said</p>")
        st.session_state["left"] = "lc_pictures_wait" in st.session_state

    page = AppTest.from_function(failing).run()
    assert not page.exception and page.session_state["left"] is False
