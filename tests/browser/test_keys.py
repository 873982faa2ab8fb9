"""The keys alone, as a person with a scanner or without a mouse uses them: Enter sends, and the cursor stays put."""

import pytest

from spc.store.store import Store
from tests.browser.conftest import screens, settled, sign

pytestmark = pytest.mark.browser


def has_the_cursor(page, label):
    """Wait until a line or a button has the cursor."""
    page.wait_for_function(
        "label => (document.activeElement.ariaLabel || document.activeElement.innerText).startsWith(label)", arg=label
    )
    settled(page)


def texts(store, lap):
    with Store.open(store) as opened:
        return opened.faces(lap=lap)["flatness_text"].tolist()


def test_from_an_empty_log_to_the_third_face_by_hand_with_one_entry_for_each_enter(at, tmp_path):
    store = tmp_path / "lapcell.db"
    with screens(store) as url:
        page = at(url)
        page.get_by_role("link", name="Log the first face").click()
        page.get_by_label("Name of the new lap").wait_for()
        sign(page, "Bo")
        page.get_by_label("Name of the new lap").fill("CI-1")
        page.keyboard.press("Enter")
        page.wait_for_url("**/lap?lap=CI-1")
        page.get_by_label("Flatness, unit not known").wait_for()
        settled(page)
        page.get_by_label("Flatness, unit not known").fill("0.6 um")
        page.keyboard.press("Enter")
        page.get_by_text("Logged: 0.6").wait_for()
        has_the_cursor(page, "or type it")
        page.keyboard.type("0.7")
        page.keyboard.press("Enter")
        page.keyboard.press("Enter")  # a hand that bounces
        page.keyboard.type("0.8")  # and one that does not wait for the form begun anew
        page.locator(".st-key-last-logged").get_by_text("0.7").wait_for()
        page.wait_for_function("() => document.activeElement.value === '0.8'")
        settled(page)
        assert page.locator(".lc-refused").count() == 0
        page.get_by_role("button", name="Log this face").focus()
        page.keyboard.press("Enter")
        page.get_by_text("Logged: 0.8").wait_for()
        has_the_cursor(page, "Log this face")
        assert texts(store, "CI-1") == ["0.6 um", "0.7", "0.8"]
        page.get_by_role("tab", name="Event").click()
        page.locator("[class*=st-key-kind-event-CI-1]").get_by_text("recharged", exact=True).click()
        page.get_by_text("Grit, minutes, note").click()
        page.get_by_label("Grit now on the lap").fill("9 um")
        page.keyboard.press("Enter")
        page.get_by_text("Logged: CI-1 recharged.").wait_for()
        settled(page)
        with Store.open(store) as opened:
            assert opened.events(lap="CI-1")[["event", "grit"]].to_numpy().tolist() == [["recharged", "9 um"]]
