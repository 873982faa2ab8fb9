"""What a quality engineer does in the proof view, in a real browser: look, freeze, keep a study, carry reports away."""

import io
import json
import zipfile

import pytest

from spc.store.store import Store
from tests.browser.conftest import resize, settled, sign, unfold
from tests.browser.test_access import findings

pytestmark = pytest.mark.browser
SECTIONS = {
    "Chart": "What this chart is",
    "Wear": "Faces lapped again",
    "Past day": "judged",
    "Index": "Studies kept",
    "Dimension": "In order of time on DI-1",
    "Reading": "Is it fit for the limit?",
    "Acceptance": "Bad accepted against good rejected",
    "Variation": "reading to reading",
    "Age": "What each planned age costs",
    "Limits": "Set a limit",
    "How we know": "All of them are made again",
    "Words": "capability index",
}


def saved(page, name):
    """The bytes of a file that a button gives."""
    with page.expect_download() as caught:
        page.get_by_role("button", name=name, exact=True).first.click()
    return caught.value.path().read_bytes()


def sideways(page):
    return page.evaluate(
        "() => { const main = document.querySelector('[data-testid=stMain]');"
        " return main.scrollWidth - main.clientWidth }"
    )


@pytest.mark.parametrize("section", SECTIONS)
def test_a_section_opens_from_its_link_fits_a_tablet_and_axe_finds_nothing_of_ours_in_the_dark(at, cell, section):
    lap = "CI-1" if section == "Age" else "DI-1"  # too few cycles of the other ended worn
    page = at(f"{cell[0]}/proof?lap={lap}&section={section}", size="portrait", dark=True)
    page.get_by_text(SECTIONS[section]).first.wait_for()
    settled(page)
    told = page.get_by_text("in words and numbers").count()
    page.wait_for_function("many => document.querySelectorAll('.js-plotly-plot .xtitle').length >= many", arg=told)
    assert sideways(page) <= 0
    for picture in page.locator(".js-plotly-plot").all():
        titles = picture.locator(".xtitle, .ytitle, .y2title").all_text_contents()
        assert titles and all(title.strip() for title in titles)
    assert page.locator(".js-plotly-plot").count() == told
    resize(page, "desktop")
    assert findings(page) == {}


def test_limits_are_frozen_with_a_reading_left_out_and_its_cause(at, cell):
    url, store = cell
    page = at(f"{url}/proof?lap=CU-2&section=Chart")
    sign(page, "Q. Engineer")
    unfold(page, "Freeze limits from a closed list of readings")
    page.get_by_role("button", name="Freeze", exact=True).click()
    page.get_by_text("Frozen limits are signed and explained: say who, and why.").wait_for()
    settled(page)
    leave_out = page.get_by_label("Readings to leave out")
    leave_out.hover()  # the list of readings closes when the page is scrolled
    leave_out.click()
    page.get_by_role("option").nth(1).click()
    page.keyboard.press("Escape")
    page.get_by_label("Cause of leaving them out").fill("flat not clean")
    page.get_by_label("Why", exact=True).fill("new slurry settled")
    page.get_by_text("Freeze even if the analysis has doubts").click()
    page.get_by_role("button", name="Freeze", exact=True).click()
    page.get_by_text("Revision 1 frozen").wait_for()
    with Store.open(store) as opened:
        frozen = opened.baselines(lap="CU-2", sign="flatness")
    assert [one.why for one in frozen] == ["new slurry settled"]
    assert [cause for _, cause in frozen[0].model["excluded"]] == ["flat not clean"]
    unfold(page, "What the revisions left out")
    page.get_by_text("flat not clean").first.wait_for()


def test_reports_are_carried_away_and_read_by_other_programs(at, cell):
    import openpyxl
    import pypdf

    page = at(f"{cell[0]}/proof?lap=CI-1&section=Index&unit=um")
    assert findings(page) == {}
    sentence = page.locator(".lc-subject h2").first.inner_text().replace("\u00a0", " ")
    pdf = pypdf.PdfReader(io.BytesIO(saved(page, "PDF")))
    text = " ".join(" ".join(sheet.extract_text().split()) for sheet in pdf.pages)
    assert len(pdf.pages) >= 2 and "SP-20" in text and sentence.split(":")[0] in text
    book = openpyxl.load_workbook(io.BytesIO(saved(page, "XLSX")))
    cells = [value for sheet in book for row in sheet.iter_rows(values_only=True) for value in row]
    assert any(isinstance(value, float) for value in cells) and any("SP-20" in str(value) for value in cells)
    assert not [value for value in cells if isinstance(value, str) and value.startswith("=")]
    assert json.loads(saved(page, "JSON"))
    assert b"<html" in saved(page, "HTML") and b"SP-20" in saved(page, "CSV")


def test_a_study_is_kept_and_made_again_to_the_same_bytes(at, cell):
    url, store = cell
    page = at(f"{url}/proof?lap=CE-1&section=Index")
    sign(page, "Q. Engineer")
    page.get_by_label("Name of the study").fill("Series release")
    page.get_by_role("button", name="Keep this study").click()
    page.get_by_text("Kept as Series release, version 1, with its list of readings.").wait_for()
    files = []
    for again in (False, True):
        if again:
            page = at(f"{url}/proof?lap=CE-1&section=Index", tab=page)
        page.get_by_label("Make one again").scroll_into_view_if_needed()
        page.wait_for_timeout(500)  # a menu closes when the page still scrolls
        page.get_by_label("Make one again").click()
        page.get_by_role("option", name="Series release, version 1").click()
        page.get_by_text("Every reading of its list stands in the log today as it was kept.").wait_for()
        settled(page)
        with page.expect_download() as caught:
            page.locator(".st-key-downloads-kept").get_by_role("button", name="PDF").click()
        files.append(caught.value.path().read_bytes())
    assert files[0] == files[1] and files[0].startswith(b"%PDF")
    with Store.open(store) as opened:
        assert [(name, version) for name, version, _ in opened.studies()] == [("Series release", 1)]


def test_several_part_numbers_come_as_one_bundle(at, cell):
    page = at(f"{cell[0]}/proof?lap=CI-1&section=Index")
    unfold(page, "Several part numbers at once")
    page.get_by_label("Part numbers", exact=True).click()
    for _ in range(2):
        page.keyboard.press("ArrowDown")
        page.keyboard.press("Enter")
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Write 2 reports").click()
    page.get_by_role("button", name="Keep the bundle (ZIP)").wait_for()
    settled(page)
    bundle = zipfile.ZipFile(io.BytesIO(saved(page, "Keep the bundle (ZIP)")))
    assert len(bundle.namelist()) == 2 and all(bundle.read(name).startswith(b"%PDF") for name in bundle.namelist())
