"""Accessibility, by axe in the running page, and by keyboard alone."""

import pytest

from tests.browser.conftest import settled

pytestmark = pytest.mark.browser
# Every view and section is judged by `findings` where another test of it has it open.
# Findings in elements that the framework draws and this project cannot change; each with its reason.
FRAMEWORK = {
    (
        "presentation-role-conflict",
        "stFileUploaderDropzone",
    ): "the framework gives its drop zone a role and a label at once",
}


def findings(page):
    """Serious and lesser findings of axe, each with the rule and the elements."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    ours = {
        item["id"]: [
            f"{node['target']} {node['html'][:160]}"
            for node in item["nodes"]
            if not any(item["id"] == rule and part in node["html"] for rule, part in FRAMEWORK)
        ]
        for item in found
    }
    return {rule: nodes for rule, nodes in ours.items() if nodes}


def test_a_lap_opens_from_the_board_by_keyboard_and_its_link_opens_it_again(at, demo_url):
    page = at(demo_url)
    for _ in range(40):
        page.keyboard.press("Tab")
        here = page.evaluate("() => document.activeElement.innerText || ''")
        if here.startswith("Open "):
            break
    else:
        pytest.fail("no lap's link was reached in 40 steps")
    page.keyboard.press("Enter")
    page.wait_for_url("**/lap?lap=*")
    page.wait_for_selector(".lc-facts")
    settled(page)
    assert page.get_by_label("Lap", exact=True).input_value() == here.removeprefix("Open ").strip()
    what_is_opened_over_the_page_is_walked_into_and_out_of(page)
    nothing_walked_to_backwards_is_under_the_top_row(page)
    sentence = page.inner_text("h1")
    assert at(page.url, tab=page).inner_text("h1") == sentence


def focused(page):
    return page.evaluate("() => document.activeElement.innerText.split('\\n')[0]")


def what_is_opened_over_the_page_is_walked_into_and_out_of(page):
    opener = page.get_by_role("button", name="Something else").first
    opener.focus()
    page.keyboard.press("Enter")
    page.wait_for_function("() => document.activeElement.closest('[data-testid=stPopoverBody]')")
    first = focused(page)
    page.keyboard.press("Shift+Tab")
    assert focused(page) == "Something else" != first
    page.get_by_role("button", name="Keep these words").focus()
    page.keyboard.press("Tab")
    assert focused(page) == "Bad wipe"  # what comes after it in the page, not the end of the page
    page.get_by_role("button", name=first).focus()
    page.keyboard.press("Escape")
    page.get_by_test_id("stPopoverBody").wait_for(state="detached")
    assert focused(page) == "Something else"


def nothing_walked_to_backwards_is_under_the_top_row(page):
    """WCAG 2.2, 2.4.11: what has the focus is not hidden by what stays in place."""
    page.get_by_role("button", name="Units, numbers, light").focus()
    below = page.get_by_test_id("stHeader").bounding_box()["height"]
    for _ in range(60):
        page.keyboard.press("Shift+Tab")
        top, within = page.evaluate(
            "() => [document.activeElement.getBoundingClientRect().top,"
            " Boolean(document.activeElement.closest('[data-testid=stMainBlockContainer]'))]"
        )
        if not within:
            break
        assert top >= below, focused(page)
    else:
        pytest.fail("the top of the page was not reached")
