"""What people write from the screens, on a copy of the invented cell: upload, face, answer, and another process."""

import pytest

from dashboard.entry import FaceEntry, LengthUnit, face_row, moment
from spc.settings import load_settings
from spc.store.store import Store
from tests.browser.conftest import screens, settled

pytestmark = pytest.mark.browser
OWN = (
    "time,operator,lap,grit um,minutes,flatness um,part number,serial\n"
    "2026-06-26 19:00,Iversen,CI-1,15,7,0.31,SP-20,N-1\n"
    "2026-06-26 19:10,Iversen,CI-1,15,8,0.29,SP-20,N-2\n"
    "2026-06-26 19:20,Iversen,CI-1,15,7,see note,SP-20,N-3\n"
)


@pytest.fixture
def cell(demo_copy):
    with screens(demo_copy) as url:
        yield url, demo_copy


def faces(store, lap):
    with Store.open(store) as opened:
        return opened.faces(lap=lap)


def test_a_file_is_seen_before_it_is_taken_in_and_then_changes_the_board(at, cell):
    url, store = cell
    before = len(faces(store, "CI-1"))
    with Store.open(store) as opened:
        waiting = len(opened.quarantine())
    page = at(f"{url}/log")
    page.set_input_files("input[type=file]", {"name": "own.csv", "mimeType": "text/csv", "buffer": OWN.encode()})
    page.get_by_text("own.csv holds 2 faces and no events; 1 row would wait for a person.").wait_for()
    assert "encoding utf-8" in page.inner_text("[data-testid=stMain]")
    assert len(faces(store, "CI-1")) == before  # nothing is kept yet
    page.get_by_role("button", name="Take in 3 rows").click()
    page.get_by_text("Taken in from own.csv: 2 faces and 1 row to settle.").wait_for()
    assert len(faces(store, "CI-1")) == before + 2
    page.get_by_text(f"Rows that wait ({waiting + 1})").wait_for()


def test_a_face_is_logged_in_two_taps_and_shown(at, cell):
    url, store = cell
    before = len(faces(store, "CI-2"))
    page = at(f"{url}/lap?lap=CI-2", size="portrait")
    form = page.locator(".st-key-lap-side")
    form.get_by_test_id("stButtonGroup").first.get_by_role("button").or_(
        form.get_by_test_id("stButtonGroup").first.get_by_role("radio")
    ).first.click()
    page.get_by_role("button", name="Log this face").click()
    page.get_by_text("Logged:", exact=False).wait_for()
    settled(page)
    assert len(faces(store, "CI-2")) == before + 1


def test_a_signal_is_answered_in_one_tap(at, cell):
    url, store = cell
    page = at(f"{url}/lap?lap=CE-1", size="portrait")
    page.locator("[class*=st-key-signal-]").first.wait_for()
    signals = page.locator("[class*=st-key-signal-]").count()
    page.get_by_role("button", name="Handed to lead").first.click()
    page.wait_for_function(f"document.querySelectorAll('[class*=st-key-signal-]').length < {signals}")
    with Store.open(store) as opened:
        kept = opened.reactions(lap="CE-1")
    assert kept["action"].tolist() == ["handed to lead"] and kept["who"].iloc[0]


def test_the_screen_redraws_when_another_process_appends(at, cell):
    url, store = cell
    page = at(url)
    shown = page.locator(".lc-facts").first.inner_text()
    site = load_settings(store.parent / "lapcell.toml")
    entry = FaceEntry("1", minutes=7, operator="Okafor", grit="15 um", part="SP-20", serial="LIVE-1")
    row = face_row(entry, lap="CI-1", unit=LengthUnit("band", "helium"), site=site, at=moment(site))
    with Store.open(store) as opened:
        opened.append_face(row, who="Okafor")
    page.wait_for_function("old => document.querySelector('.lc-facts').innerText !== old", arg=shown)
    settled(page)


def test_an_empty_log_offers_the_demo_and_an_own_file(at, tmp_path):
    with screens(tmp_path / "lapcell.db") as url:
        page = at(url)
        assert page.inner_text("h1") == "This log is empty."
        page.get_by_role("link", name="Take in a file").click()
        page.get_by_text("Nothing has been taken in yet.").wait_for()
        page = at(url)
        page.get_by_role("button", name="Fill this log with the invented cell").click()
        page.locator("article.lc-lap").first.wait_for(timeout=90_000)
        settled(page)


def test_a_wall_that_loses_the_log_says_so_and_since_when(at, demo_copy):
    with screens(demo_copy) as url:
        page = at(f"{url}/?wall=1", size="wall")
        assert not page.locator(".lc-lost").is_visible()
        shown = page.locator(".lc-kicker").first.inner_text()
    page.locator(".lc-lost").wait_for(state="visible")
    said = page.locator(".lc-lost").inner_text()
    assert (
        said.startswith("No connection to the log. What is shown is of ") and said.rstrip(".").split("of ")[-1] in shown
    )
