"""Accessibility, by axe in the running page, and by keyboard alone."""

import io

import numpy as np
import pytest
from PIL import Image

from dashboard.theme import LIGHT
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


# Texts paler than WCAG 2.1, 1.4.3 allows, in the colours the browser drew: axe leaves out those of pictures (SVG) and
# the hints in empty fields.
PALE = r"""() => {
    const light = v => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
    const luminance = c => 0.2126 * light(c[0]) + 0.7152 * light(c[1]) + 0.0722 * light(c[2]);
    const drawn = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
    const parts = colour => {
        drawn.clearRect(0, 0, 1, 1);
        drawn.fillStyle = colour;
        drawn.fillRect(0, 0, 1, 1);
        const [red, green, blue, alpha] = drawn.getImageData(0, 0, 1, 1).data;
        return [red, green, blue, alpha / 255];
    };
    const laid = (over, under, clear = 1) =>
        [0, 1, 2].map(i => over[i] * over[3] * clear + under[i] * (1 - over[3] * clear));
    const up = element => element ? [element, ...up(element.parentElement)] : [];
    const paper = element => up(element).reverse()
        .reduce((under, one) => laid(parts(getComputedStyle(one).backgroundColor), under), [255, 255, 255]);
    const ground = element => { // words in a bar of a picture stand on the bar
        const bar = element.closest(".bartext") && element.closest(".point").querySelector("path");
        const within = bar && bar.getBoundingClientRect().top <= element.getBoundingClientRect().top;
        return within ? laid(parts(getComputedStyle(bar).fill), paper(element)) : paper(element);
    };
    const pale = [];
    const judge = (words, style, colour, clear, under) => {
        const [high, low] = [laid(parts(colour), under, clear), under].map(luminance).sort((a, b) => b - a);
        const size = parseFloat(style.fontSize), large = size >= 24 || (size >= 18.66 && style.fontWeight >= 700);
        const ratio = (high + 0.05) / (low + 0.05);
        if (ratio < (large ? 3 : 4.5)) pale.push(`${words.trim().slice(0, 40)}: ${ratio.toFixed(2)} (${colour})`);
    };
    for (const element of document.querySelectorAll("body *")) {
        const style = getComputedStyle(element), words = [...element.childNodes].filter(node => node.nodeType === 3);
        const said = words.map(node => node.textContent).join("").trim() || element.value || "";
        const clear = up(element).reduce((all, one) => all * getComputedStyle(one).opacity, 1);
        if (style.visibility === "hidden" || !element.getClientRects().length || clear < 0.05) continue;
        const under = ground(element), fill = element instanceof SVGElement;
        if (said) judge(said, style, fill ? style.fill : style.color, clear * (fill ? style.fillOpacity : 1), under);
        else if (element.placeholder) {
            const hint = getComputedStyle(element, "::placeholder");
            judge(element.placeholder, style, hint.color, clear * hint.opacity, under);
        }
    }
    return pale;
}"""


def findings(page):
    """Serious and lesser findings of axe, each with the rule and the elements; and texts that are too pale."""
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
    return {rule: nodes for rule, nodes in (ours | {"pale": page.evaluate(PALE)}).items() if nodes}


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
    what_is_walked_to_backwards_is_seen_and_wears_a_whole_ring(page)
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


def what_is_walked_to_backwards_is_seen_and_wears_a_whole_ring(page):
    """WCAG 2.2, 2.4.11 and 2.4.7: what has the focus is not hidden by what stays in place, and is seen to have it."""
    page.get_by_role("button", name="Units, numbers, light").focus()
    below = page.get_by_test_id("stHeader").bounding_box()["height"]
    kinds = {"help"}  # its own words, which come with the focus, lie over a part of its ring
    for _ in range(60):
        page.keyboard.press("Shift+Tab")
        kind, top, ring = page.evaluate(RING)
        if not kind:
            break
        assert top >= below, focused(page)
        if kind not in kinds:
            assert ring_is_whole(page, ring), f"{kind}: {focused(page)}"
        kinds.add(kind)
    else:
        pytest.fail("the top of the page was not reached")
    assert len(kinds) >= 8, kinds


# What has the focus, in words; its upper edge; and the box of the ring that it or its frame wears.
RING = """() => {
    const at = document.activeElement, worn = of => parseFloat(getComputedStyle(of).outlineWidth) >= 2
        && getComputedStyle(of).outlineStyle !== "none" && Number(getComputedStyle(of).opacity) > 0;
    const within = at.closest("[data-testid=stMainBlockContainer]"), box = at.getBoundingClientRect();
    let frame = at;
    while (frame.parentElement && !worn(frame)) frame = frame.parentElement;
    const { x, y, width, height } = frame.getBoundingClientRect();
    const help = at.closest("[data-testid=stTooltipIcon]");
    const kind = help ? "help" : [at.tagName, at.role, at.type, at.dataset.testid].filter(Boolean).join(" ");
    return [within ? kind : "", box.top, { x, y, width, height }];
}"""


def ring_is_whole(page, box):
    """Whether a line of the ring's colour runs along each side of a box, on the screen."""
    reach = 8
    clip = {"x": box["x"] - reach, "y": box["y"] - reach}
    clip |= {"width": box["width"] + 2 * reach, "height": box["height"] + 2 * reach}
    shown = np.asarray(Image.open(io.BytesIO(page.screenshot(clip=clip))).convert("RGB"), dtype=int)
    worn = (abs(shown - [int(LIGHT.now[at : at + 2], 16) for at in (1, 3, 5)]) <= 2).all(axis=2)
    along, across = worn.mean(axis=0) > 0.6, worn.mean(axis=1) > 0.6
    sides = (along[: 2 * reach], along[-2 * reach :], across[: 2 * reach], across[-2 * reach :])
    return all(side.any() for side in sides)
