"""Every view at every size on the invented cell: the sentence is there and nothing runs off the side."""

import pytest

from dashboard.theme import DARK
from tests.browser.conftest import SIZES, resize, settled, unfold
from tests.browser.test_access import findings

pytestmark = pytest.mark.browser
VIEWS = {"shift": "/", "lap": "/lap?lap=CI-1", "proof": "/proof?lap=CI-1", "log": "/log", "tour": "/tour"}


# How far the page can be scrolled sideways, in pixels.
SIDEWAYS = (
    "(() => { const main = document.querySelector('[data-testid=stMain]');"
    " return Math.max(main.scrollWidth - main.clientWidth, document.documentElement.scrollWidth - innerWidth) })()"
)


@pytest.mark.parametrize("view", VIEWS)
def test_a_view_shows_its_sentence_fits_every_size_and_axe_finds_nothing_of_ours(at, demo_url, view):
    page = at(demo_url + VIEWS[view])
    assert len(page.inner_text("h1").strip()) > 10
    assert page.locator("h1").count() == 1
    assert page.get_by_role("button", name="Deploy").count() == 0
    assert findings(page) == {}
    for size in ("desktop", "tablet", "portrait", "zoomed"):  # the last: a desktop at 200 %
        resize(page, size)
        page.wait_for_function(f"{SIDEWAYS} <= 0")
    resize(page, "desktop")
    page.emulate_media(color_scheme="dark")  # the device turns dark, and nobody writes to the log
    page.wait_for_function(
        "ink => getComputedStyle(document.documentElement).getPropertyValue('--lc-ink') === ink", arg=DARK.ink
    )
    assert is_dark(page)
    settled(page)
    page.wait_for_timeout(500)  # a colour that is changing goes through paler ones
    assert findings(page) == {}
    edge = page.locator("[data-testid=stTopNavLink][aria-current]").evaluate("link => getComputedStyle(link).boxShadow")
    ink = ", ".join(str(int(DARK.bar_ink[at : at + 2], 16)) for at in (1, 3, 5))
    assert edge.startswith(f"rgb({ink})")  # which page is open, where paper and top row are alike


def test_the_shift_view_lists_every_lap_with_word_and_shape(at, demo_url):
    page = at(demo_url)
    rows = page.locator("article.lc-lap")
    assert rows.count() == 10
    for row in rows.all():
        word = row.locator(".lc-state b").inner_text()
        assert word in ("held", "due", "watch", "cutting", "resting")
        shape = row.locator(f".lc-mark-{word}")
        assert "svg" in shape.evaluate("mark => getComputedStyle(mark).backgroundImage")


def test_the_link_names_the_lap_even_where_none_was_asked_for(at, demo_url):
    page = at(f"{demo_url}/lap")
    page.wait_for_url("**/lap?lap=*")
    assert page.get_by_label("Lap", exact=True).input_value() == page.url.split("lap=")[-1]


@pytest.mark.parametrize("name", ["CI-9", "<script>alert(1)</script>", "../../x", "=1+1"])
def test_a_wrong_lap_name_is_said_as_typed(at, demo_url, name):
    from urllib.parse import quote

    page = at(f"{demo_url}/lap?lap={quote(name, safe='')}")
    assert page.inner_text("h1") == f"There is no lap called {name}."
    assert "lap=" in page.url  # the link still says what was asked
    assert findings(page) == {}


def test_the_cycle_picture_is_drawn_with_axis_titles_its_sentence_and_its_table(at, demo_url):
    page = at(demo_url + VIEWS["lap"])
    plot = page.locator(".st-key-cycle .js-plotly-plot")
    plot.get_by_text("faces since reconditioning").wait_for()
    plot.get_by_text("flatness, bands, helium lamp").or_(plot.get_by_text("flatness, µm")).wait_for()
    assert page.locator(".st-key-cycle canvas").count() == 0  # vector, not a bitmap
    unfold(page, "This cycle in words and numbers")
    page.get_by_test_id("stDataFrame").first.wait_for()
    label = page.locator(".st-key-cycle [aria-label]").first.get_attribute("aria-label")
    shown = page.locator(".st-key-lap-picture .lc-lines").inner_text()
    assert "CI-1" in label and label in shown.replace("\u00a0", " ").replace("µ", "u")


def test_no_word_of_the_cycle_picture_is_cut_off_on_a_tablet(at, demo_url):
    page = at(demo_url + "/lap?lap=CU-2", size="tablet")
    page.locator(".st-key-cycle .js-plotly-plot").get_by_text("faces left").wait_for()
    outside = page.evaluate(
        """() => {
            const plot = document.querySelector('.st-key-cycle .js-plotly-plot').getBoundingClientRect();
            return [...document.querySelectorAll('.st-key-cycle .js-plotly-plot text')]
                .filter(text => text.textContent.trim() && text.getBoundingClientRect().width > 0)
                .filter(text => { const box = text.getBoundingClientRect();
                    return box.left < plot.left - 1 || box.right > plot.right + 1; })
                .map(text => text.textContent);
        }"""
    )
    assert outside == []


def test_the_unit_follows_the_link(at, demo_url):
    page = at(f"{demo_url}/lap?lap=CI-1&unit=uin")
    assert "unit=uin" in page.url
    page.locator(".st-key-cycle .js-plotly-plot").get_by_text("flatness, µin").wait_for()


def test_the_choices_stay_in_the_link_from_page_to_page(at, demo_url):
    page = at(f"{demo_url}/?unit=uin&numbers=de&light=dark")
    page.get_by_role("link", name="Open CI-1").click()
    page.wait_for_url("**/lap?*")
    page.locator(".st-key-cycle .js-plotly-plot").get_by_text("flatness, µin").wait_for()
    for said in ("unit=uin", "numbers=de", "lap=CI-1", "light=dark"):
        page.wait_for_url(f"**{said}*")
    page.get_by_role("link", name="Shift", exact=True).click()
    page.wait_for_selector(".lc-counts")
    page.wait_for_url("**unit=uin*")
    page.wait_for_url("**numbers=de*")
    page.wait_for_url("**light=dark*")
    assert is_dark(page)
    assert is_dark(at(page.url))


def test_units_numbers_and_light_are_chosen_at_the_foot(at, demo_url):
    page = at(f"{demo_url}/lap?lap=CI-1")
    page.get_by_role("button", name="Units, numbers, light").click()
    page.get_by_label("Show lengths in").click()
    page.get_by_role("option", name="µin").click()
    page.wait_for_url("**unit=uin*")
    page.locator(".st-key-cycle .js-plotly-plot").get_by_text("flatness, µin").wait_for()
    if not page.get_by_role("link", name="Dark").is_visible():
        page.get_by_role("button", name="Units, numbers, light").click()
    page.get_by_role("link", name="Dark").click()
    page.wait_for_url("**light=dark*")
    page.wait_for_selector("h1")
    settled(page)
    assert is_dark(page) and "unit=uin" in page.url and "lap=CI-1" in page.url


def is_dark(page):
    page.wait_for_function("() => getComputedStyle(document.querySelector('h1')).color.match(/\\d+/g)[0] > 200")
    return True


def test_everything_to_press_is_large_enough_for_gloves(at, demo_url):
    page = at(demo_url + "/lap?lap=CE-1", size="tablet")
    small = page.evaluate(
        "() => [...document.querySelectorAll('[data-testid=stMain] button, [data-testid=stMain] summary,"
        " [data-testid=stMain] input[type=text], [data-testid=stMain] input[type=number], [data-testid=stPageLink] a,"
        " [data-testid=stTopNavLink], [role=tab]')].filter(e => e.offsetParent && e.offsetHeight < 44)"
        ".map(e => `${e.innerText || e.ariaLabel} ${e.offsetHeight}`)"
    )
    assert small == []


def test_the_wall_has_no_chrome_and_large_type(at, demo_url):
    page = at(f"{demo_url}/?wall=1", size="wall")
    for part in ("stHeader", "stSidebar", "stToolbar"):
        found = page.locator(f"[data-testid={part}]")
        assert found.count() == 0 or not found.first.is_visible()
    assert page.locator("[data-testid=stMain] button:visible, [data-testid=stMain] a:visible").count() == 0
    assert page.evaluate("() => parseFloat(getComputedStyle(document.querySelector('.lc-lap-name b')).fontSize)") >= 24
    assert findings(page) == {}
    _, height = SIZES["wall"]
    assert page.evaluate(SIDEWAYS) <= 0
    assert page.evaluate("() => document.querySelector('[data-testid=stMain]').scrollHeight") <= height
    below = "() => Math.max(...[...document.querySelectorAll('.lc-quiet')].map(e => e.getBoundingClientRect().bottom))"
    assert page.evaluate(below) > 0.8 * height  # a step larger, and a line more in a row may not fit
    names = page.evaluate(
        "() => ['.lc-lap-name b', '.lc-rest > span:last-child'].map(one =>"
        " Math.round(document.querySelector(one).getBoundingClientRect().left))"
    )
    assert abs(names[0] - names[1]) <= 1  # the laps that need nobody stand in the column of those that do
