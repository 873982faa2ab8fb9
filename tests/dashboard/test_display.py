"""How a person reads the screens: which light is on can be seen."""

import re

import pytest
from streamlit.testing.v1 import AppTest

from tests.dashboard.conftest import text


def foot():
    from dashboard import data
    from dashboard.parts.display import display_choice, take_on_light
    from dashboard.parts.page import Page
    from dashboard.theme import LIGHT
    from dashboard.units import display_unit
    from spc.report.locale import LOCALES

    take_on_light()
    now = data.snapshot()
    display_choice(Page(now, data.settings(now), LIGHT, display_unit("um"), numbers=LOCALES["en"]))


@pytest.mark.parametrize(("asked", "on"), [(None, "As this device"), ("dark", "Dark"), ("light", "Light")])
def test_the_light_that_is_on_is_marked_and_no_other(empty_store, asked, on):
    page = AppTest.from_function(foot, default_timeout=30)
    if asked:
        page.query_params["light"] = asked
    page.run()
    assert not page.exception, page.exception
    links = re.findall(r"<a ([^>]*)>([^<]*)</a>", text(page))
    assert [label.removeprefix("\u2713 ") for _, label in links] == ["As this device", "Light", "Dark"]
    assert [label for facts, label in links if 'aria-current="true"' in facts] == [f"\u2713 {on}"]
