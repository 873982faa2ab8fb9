"""Reports as a browser shows and prints them: seen by everybody, and broken between pages where a reader would."""

import io
import json
import os
import subprocess
import sys
import unicodedata

import pypdf
import pytest

from tests.browser.test_access import findings

pytestmark = pytest.mark.browser
NARROW = {"width": 400, "height": 700}


@pytest.fixture(scope="module")
def written(demo, tmp_path_factory):
    """The handover and a study of the invented cell, as pages."""
    folder = tmp_path_factory.mktemp("reports")
    for order in (["handover", "--out", str(folder / "handover")], ["report", "GA-08", "--out", str(folder)]):
        command = [sys.executable, "-m", "spc.cli", *order, "--store", str(demo), "--format", "html,json"]
        subprocess.run(command, env=os.environ, cwd=folder, capture_output=True, check=False, timeout=120)
    return {name: folder / f"{name}.html" for name in ("handover", "GA-08-flatness")}


@pytest.fixture
def opened(browser):
    context = browser.new_context(bypass_csp=True)
    yield lambda path: (page := context.new_page(), page.goto(path.as_uri()))[0]
    context.close()


def printed(page, paper):
    pages = pypdf.PdfReader(io.BytesIO(page.pdf(format=paper, prefer_css_page_size=True))).pages
    return ["".join(unicodedata.normalize("NFKC", one.extract_text()).split()) for one in pages]


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_handover_prints_on_one_page(written, opened, paper):
    (only,) = printed(opened(written["handover"]), paper)
    assert "Shifthandover" in only and "page1of1" in only


def test_a_short_table_is_printed_on_one_page(written, opened):
    pages = printed(opened(written["GA-08-flatness"]), "A4")
    document = json.loads(written["GA-08-flatness"].with_suffix(".json").read_text())
    blocks = [block for section in document["sections"] + document["appendix"] for block in section["blocks"]]
    tables = [block for block in blocks if block["block"] == "table" and 2 <= len(block["rows"]) <= 8]
    assert len(tables) >= 8
    for table in tables:
        last = "".join(next(cell for cell in reversed(table["rows"][-1]) if isinstance(cell, str) and cell).split())
        title = "".join(table["title"].split())
        assert any(title in page and last in page.split(title)[1] for page in pages), table["title"]


@pytest.mark.parametrize("name", ["handover", "GA-08-flatness"])
def test_everybody_can_read_a_report_and_nothing_is_wider_than_the_screen(written, opened, name):
    page = opened(written[name])
    assert findings(page) == {}
    page.set_viewport_size(NARROW)
    assert page.evaluate("document.documentElement.scrollWidth") <= NARROW["width"]


@pytest.mark.parametrize("size", ["tablet", "portrait"])
def test_a_lead_prints_the_handover_from_the_shift_view(at, demo_url, size):
    page = at(demo_url, size=size)
    sentence = "".join(page.inner_text("h1").split())
    texts = {}
    for form in ("PDF", "HTML"):
        with page.expect_download() as caught:
            page.get_by_role("button", name=f"{form} to ").click()
        assert caught.value.suggested_filename == f"handover-late-shift-of-2026-06-26.{form.lower()}"
        texts[form] = caught.value.path()
    (only,) = pypdf.PdfReader(texts["PDF"]).pages
    assert sentence in "".join(only.extract_text().split())
    words = "".join(texts["HTML"].read_text(encoding="utf-8").split())
    assert sentence in words and "Held:nothinggoesontheselaps" in words and "bynobodynamed" in words
    small = "() => [...document.querySelectorAll('.st-key-handover button')].filter(e => e.offsetParent)"
    small += ".filter(e => e.offsetHeight < 44).length"
    assert page.evaluate(small) == 0
