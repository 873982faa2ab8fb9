"""Accessibility, by axe in the running page, and by keyboard alone."""

import pytest

pytestmark = pytest.mark.browser
# The views that `test_views.py` and the sections that `test_proof.py` look at are judged there, where they are open.
VIEWS = {"wall": "/?wall=1", "index": "/proof?lap=CI-1&section=Index", "wrong lap": "/lap?lap=CI-9"}
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


@pytest.mark.parametrize("view", VIEWS)
def test_axe_finds_nothing_of_ours(at, demo_url, view):
    assert findings(at(demo_url + VIEWS[view])) == {}


def test_the_board_can_be_walked_by_keyboard(at, demo_url):
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
