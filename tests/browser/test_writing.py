"""What people write from the screens, on a copy of the invented cell: upload, face, answer, and another process."""

import numpy as np
import pytest

from dashboard.entry import FaceEntry, LengthUnit, face_row
from spc.board.site_clock import moment_to_log
from spc.settings import load_settings
from spc.store.store import Store
from tests.browser.conftest import beside, screens, settled, sign, unfold

pytestmark = pytest.mark.browser
OWN = (
    "time,operator,lap,grit um,minutes,flatness um,part number,serial\n"
    "2026-06-26 19:00,Iversen,CI-1,15,7,0.31,SP-20,N-1\n"
    "2026-06-26 19:10,Iversen,CI-1,15,8,0.29,SP-20,N-2\n"
    "2026-06-26 19:20,Iversen,CI-1,15,7,see note,SP-20,N-3\n"
)


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
    page.get_by_text("encoding utf-8", exact=False).first.wait_for()
    unfold(page, "The file is read wrongly? Say how")
    page.get_by_role("combobox", name="Dates are").click()
    page.get_by_role("option", name="year, month, day").click()
    settled(page)
    look_elsewhere_and_back(page, "Log")
    page.get_by_text("own.csv, given before, is still here; nothing of it is taken in yet.").wait_for()
    page.get_by_text("own.csv holds 2 faces and no events; 1 row would wait for a person.").wait_for()
    unfold(page, "The file is read wrongly? Say how")
    assert page.get_by_role("combobox", name="Dates are").input_value() == "year, month, day"
    assert len(faces(store, "CI-1")) == before  # nothing is kept yet
    page.get_by_text("Say first who signs this.").wait_for()
    sign(page, "Lena")
    page.get_by_role("button", name="Take in 3 rows").click()
    page.get_by_text("Taken in from own.csv: 2 faces and 1 row to settle.").wait_for()
    assert len(faces(store, "CI-1")) == before + 2
    page.get_by_text(f"Rows that wait ({waiting + 1})").click()
    why = page.get_by_label("How you know")
    why.fill("asked her")
    page.get_by_role("button", name="Clear what is typed").wait_for()
    look_elsewhere_and_back(page, "Log")
    why.wait_for()  # the page opens at the section that was left
    assert why.input_value() == "asked her"


def look_elsewhere_and_back(page, view):
    page.get_by_role("link", name="Shift", exact=True).click()
    page.wait_for_selector(".lc-counts")
    settled(page)
    page.get_by_role("link", name=view, exact=True).click()
    page.wait_for_selector(".lc-counts", state="detached")
    settled(page)


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


def test_what_was_logged_is_taken_back_in_one_tap(at, cell):
    url, store = cell
    before = faces(store, "DI-2")["face_id"].tolist()
    page = at(f"{url}/lap?lap=DI-2", size="tablet")
    page.get_by_label("or type it").fill("1.5")
    page.get_by_role("button", name="Log this face").click()
    page.get_by_role("button", name="Undo").click()
    page.get_by_text("Taken back:", exact=False).wait_for()
    settled(page)
    assert faces(store, "DI-2")["face_id"].tolist() == before


def test_what_came_of_a_tap_stands_still_under_the_hand_while_the_page_counts_it(at, cell):
    """The word of a tap is drawn before the report that counts it, and nothing moves between the two."""
    page = at(f"{cell[0]}/lap?lap=DI-2", size="tablet")
    logged = page.locator(".lc-facts").inner_text()
    page.evaluate(_WATCH_THE_UNDO)
    page.get_by_label("or type it").fill("2")
    page.get_by_role("button", name="Clear what is typed").wait_for()  # it goes with the form, below the word
    page.get_by_role("button", name="Log this face").click()
    page.wait_for_function("was => window.seen.length && window.seen.at(-1).faces !== was", arg=logged)
    settled(page)
    seen = page.evaluate("window.seen")
    assert seen[0]["faces"] == logged  # said first, counted later
    assert {at["forms"] for at in seen} == {1} and np.ptp([at["top"] for at in seen]) <= 1, seen


_WATCH_THE_UNDO = """() => {
    window.seen = [];
    const look = () => {
        const undo = document.querySelector('.st-key-last-logged');
        const buttons = [...document.querySelectorAll('.st-key-lap-side [class*=st-key-send-face]')];
        if (undo) window.seen.push({
            top: Math.round(undo.getBoundingClientRect().top),
            forms: buttons.filter(button => button.getBoundingClientRect().height > 0).length,
            faces: document.querySelector('.lc-facts').innerText,
        });
    };
    new MutationObserver(look).observe(document.body, {subtree: true, childList: true, characterData: true});
}"""


def test_a_tap_in_the_very_moment_of_a_beat_of_the_page_counts_once(at, cell, browser):
    """The browser sends it with the beat, and then by itself."""
    url, store = cell
    before = len(faces(store, "DI-2"))
    context = browser.new_context()
    context.add_init_script(_BEAT_AT_EVERY_CLICK)
    page = at(f"{url}/lap?lap=DI-2", size="tablet", tab=context.new_page())
    page.get_by_label("or type it").fill("3")
    page.get_by_role("button", name="Log this face").click()
    page.locator(".st-key-last-logged").wait_for()
    settled(page)
    assert page.evaluate("window.beats") == 1
    assert page.locator(".st-key-last-logged p").first.inner_text() == "Logged: 3 light bands on DI-2."
    page.get_by_role("button", name="Undo").click()
    page.get_by_text("Taken back:", exact=False).wait_for()
    settled(page)
    assert page.evaluate("window.beats") == 2 and page.locator(".lc-refused").count() == 0
    assert len(faces(store, "DI-2")) == before
    context.close()


_BEAT_AT_EVERY_CLICK = """
    window.beats = 0;
    let beat;
    const every = window.setInterval;
    window.setInterval = (act, ms) => { if (ms === 2000) beat = act; return every(act, ms); };
    window.addEventListener("click", () => {
        if (beat && document.activeElement.closest('[class*=st-key-]')) { beat(); window.beats += 1; }
    });
"""


def test_a_glove_that_taps_twice_writes_once(at, cell):
    url, store = cell
    before = len(faces(store, "DI-1"))
    page = at(f"{url}/lap?lap=DI-1", size="tablet")
    logged = page.locator(".lc-facts").inner_text()
    page.get_by_label("or type it").fill("0.5")
    page.get_by_role("button", name="Log this face").dblclick()
    page.get_by_text("Logged: 0.5", exact=False).or_(page.get_by_text("was logged a moment ago")).first.wait_for()
    # An answer given before the page has counted the face would not cover it, and the signal would be asked again.
    page.wait_for_function("was => document.querySelector('.lc-facts').innerText !== was", arg=logged)
    settled(page)
    assert page.locator(".lc-refused").count() == 0 and len(faces(store, "DI-1")) == before + 1
    signals = page.locator("[class*=st-key-signal-]").count()
    page.get_by_role("button", name="Not found").first.dblclick(delay=20)
    page.wait_for_function(f"document.querySelectorAll('[class*=st-key-signal-]').length < {signals}")
    settled(page)
    with Store.open(store) as opened:
        assert opened.reactions(lap="DI-1")["action"].tolist() == ["none"]


def test_an_event_is_logged_in_three_taps(at, cell):
    url, store = cell
    page = at(f"{url}/lap?lap=CU-2", size="tablet")
    with Store.open(store) as opened:
        before = len(opened.events(lap="CU-2"))
    page.get_by_role("tab", name="Event").click()
    page.locator("[class*=st-key-kind-event-CU-2]").get_by_text("recharged", exact=True).click()
    page.get_by_role("button", name="Log this event").click()
    page.get_by_text("Logged: CU-2 recharged.").wait_for()
    settled(page)
    with Store.open(store) as opened:
        assert len(opened.events(lap="CU-2")) == before + 1


def test_what_is_half_typed_in_a_form_is_still_there_after_a_look_at_another(at, cell):
    page = at(f"{cell[0]}/lap?lap=CI-3", size="tablet")
    for tab, field, name in (("Event", "Note", "note-event"), ("Correct last face", "Why it is corrected", "why-mend")):
        page.get_by_role("tab", name=tab).click()
        if tab == "Event":
            page.locator("[class*=st-key-kind-event-CI-3]").get_by_text("recharged", exact=True).click()
            page.get_by_text("Grit, minutes, note").click()
        typed = page.locator(f"[class*=st-key-{name}]").get_by_label(field)
        typed.fill("half typed")
        page.get_by_role("tab", name="Face", exact=True).click()
        settled(page)
        page.get_by_role("button", name="Log this face").wait_for(state="visible")
        page.get_by_role("tab", name=tab).click()
        settled(page)
        assert typed.input_value() == "half typed"
    page.get_by_role("tab", name="Event").click()
    chosen = page.locator(
        "[class*=st-key-kind-event-CI-3] [aria-checked=true], [class*=st-key-kind-event-CI-3] [aria-pressed=true]"
    )
    assert chosen.all_inner_texts() == ["recharged"]
    settled(page)  # of two tabs tapped within a tenth of a second the framework now and then keeps the first
    page.get_by_role("tab", name="Face", exact=True).click()
    page.get_by_label("or type it").fill("1.5")
    cleared = page.get_by_role("button", name="Clear what is typed").locator("visible=true")
    cleared.wait_for()
    logged = len(faces(cell[1], "CI-3"))
    page.get_by_role("link", name="Shift", exact=True).click()
    page.wait_for_selector(".lc-counts")
    append(cell[1], "CI-3", serial="LIVE-3")  # another face comes meanwhile
    page.get_by_role("link", name="Lap", exact=True).click()
    page.get_by_role("button", name="Log this face").wait_for()
    settled(page)
    assert page.get_by_label("or type it").input_value() == "1.5"
    page.get_by_role("tab", name="Event").click()
    assert chosen.all_inner_texts() == ["recharged"]
    assert page.locator("[class*=st-key-note-event]").get_by_label("Note").input_value() == "half typed"
    cleared.click()
    chosen.wait_for(state="detached")
    settled(page)
    page.get_by_role("tab", name="Face", exact=True).click()
    page.get_by_role("button", name="Start from it").click()
    page.get_by_text("Newer on CI-3", exact=False).wait_for(state="detached")
    assert page.get_by_label("or type it").input_value() == ""
    assert len(faces(cell[1], "CI-3")) == logged + 1  # nothing half typed has become data


def test_an_event_tapped_twice_is_written_once(at, cell):
    url, store = cell
    page = at(f"{url}/lap?lap=CI-2", size="tablet")
    with Store.open(store) as opened:
        before = len(opened.events(lap="CI-2"))
    page.get_by_role("tab", name="Event").click()
    page.locator("[class*=st-key-kind-event-CI-2]").get_by_text("recharged", exact=True).click()
    page.get_by_role("button", name="Log this event").dblclick()
    page.get_by_text("Logged: CI-2 recharged.").or_(page.get_by_text("was logged a moment ago")).first.wait_for()
    settled(page)
    assert page.locator(".lc-refused").count() == 0
    with Store.open(store) as opened:
        assert len(opened.events(lap="CI-2")) == before + 1


def test_a_hold_is_handed_to_the_lead_and_stays_until_it_is_answered(at, cell):
    url, store = cell
    page = at(f"{url}/lap?lap=CE-1", size="portrait")
    page.locator("[class*=st-key-signal-]").first.wait_for()
    signals = page.locator("[class*=st-key-signal-]").count()
    own = page.get_by_label("In your own words")
    page.get_by_role("button", name="Something else").first.click()
    own.fill("a crack at")
    page.wait_for_timeout(1000)  # what is typed is known a moment after the last letter
    page.keyboard.press("Escape")
    look_elsewhere_and_back(page, "Lap")
    page.get_by_role("button", name="Something else").first.click()
    assert own.input_value() == "a crack at"
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Handed to lead").first.click()
    page.get_by_text("Handed to lead by", exact=False).first.wait_for()
    settled(page)
    assert page.locator("[class*=st-key-signal-]").count() == signals
    assert page.inner_text(".lc-headline .lc-state b") == "held"
    page.wait_for_timeout(1000)  # a tap at once would be taken for the same one, landing twice
    page.get_by_role("button", name="Not found").first.click()
    page.wait_for_function(f"document.querySelectorAll('[class*=st-key-signal-]').length < {signals}")
    with Store.open(store) as opened:
        kept = opened.reactions(lap="CE-1")
    assert kept["action"].tolist() == ["handed to lead", "none"] and kept["who"].all()
    settled(page)
    page.wait_for_timeout(1000)  # as above
    page.get_by_role("button", name="Something else").first.click()
    own.fill("a crack")
    own.press("Enter")
    page.wait_for_function("() => document.activeElement.innerText.startsWith('Kept on CE-1: something else: a crack')")
    assert page.get_by_test_id("stPopoverBody").count() == 0  # it is not open for the next signal


def test_two_people_write_at_once_and_each_sees_both(at, cell):
    url, store = cell
    pages = [at(f"{url}/lap?lap=RM-1", size="tablet"), at(f"{url}/lap?lap=RM-1&unit=uin", size="desktop")]
    age = pages[0].locator(".lc-facts > div", has_text="since reconditioning").locator("dd").inner_text()
    for page, reading in zip(pages, ("1", "2"), strict=True):
        page.get_by_label("or type it").fill(reading)
    first, second = pages
    first.get_by_role("button", name="Log this face").click()
    second.get_by_text("Newer on RM-1: 1, SP-20", exact=False).wait_for()
    second.get_by_role("button", name="Log this face").click()  # what was typed stays, whoever wrote meanwhile
    for page in pages:
        page.locator(".lc-facts").get_by_text(f"{int(age.split()[0]) + 2} faces", exact=True).wait_for()
        settled(page)
    assert faces(store, "RM-1")["flatness_text"].tolist()[-2:] == ["1", "2"]
    first.get_by_role("button", name="Start from it").click()
    first.get_by_text("Newer on RM-1", exact=False).wait_for(state="detached")
    assert "unit=uin" in pages[1].url and "unit" not in pages[0].url


def test_a_refusal_stays_while_another_process_writes_and_a_comma_is_what_was_typed(at, cell):
    url, store = cell
    page = at(f"{url}/lap?lap=CU-1&numbers=de", size="tablet")
    signer = page.get_by_role("combobox", name="Signed by").input_value()
    page.get_by_label("Minutes on the lap").first.fill("7,5")
    page.get_by_role("button", name="Log this face").click()
    page.locator(".lc-refused").wait_for()
    append(store, "CU-1", serial="LIVE-2")
    page.get_by_text("Newer on CU-1: 1, SP-20", exact=False).wait_for()  # the page has been drawn again
    settled(page)
    assert page.locator(".lc-refused").all_inner_texts() == ["Flatness is empty: tap a reading or type one."]
    assert (
        page.get_by_role("combobox", name="Signed by").input_value() == signer != "Okafor"
    )  # who logs elsewhere does not sign here
    page.get_by_label("or type it").fill("0,5")
    page.get_by_role("button", name="Log this face").click()
    page.get_by_text("Logged: 0,5", exact=False).wait_for()
    page.locator(".lc-refused").wait_for(state="detached")  # goes with the word that the face is logged, or just after
    settled(page)
    logged = faces(store, "CU-1").sort_values("face_id").iloc[-1]  # both bear the time of a clock that stands still
    assert (logged["flatness_text"], logged["minutes"]) == ("0,5", 7.5)


def append(store, lap, *, serial):
    """Another process writes one face."""
    site = load_settings(store.parent / "lapcell.toml")
    entry = FaceEntry("1", minutes=7, operator="Okafor", grit="15 um", part="SP-20", serial=serial)
    row = face_row(entry, lap=lap, unit=LengthUnit("band", "helium"), site=site, at=moment_to_log(site))
    with Store.open(store) as opened:
        opened.append_face(row, who="Okafor")


def test_the_screen_redraws_when_another_process_appends(at, cell):
    url, store = cell
    page = at(url)
    shown = page.locator(".lc-facts").first.inner_text()
    append(store, "CI-1", serial="LIVE-1")
    page.wait_for_function("old => document.querySelector('.lc-facts').innerText !== old", arg=shown)
    settled(page)


def test_an_empty_log_offers_the_demo_and_an_own_file(at, tmp_path, demo):
    with screens(tmp_path / "lapcell.db") as url:
        page = at(url)
        assert page.inner_text("h1") == "This log is empty."
        page.get_by_role("button", name="Take in a file").click()
        page.get_by_text("Nothing has been taken in yet.").wait_for()
        page.get_by_role("link", name="Shift", exact=True).first.click()
        page.get_by_text("This log is empty.").wait_for()
        settled(page)
        unfold(page, "Or fill this log with it")
        page.get_by_role("button", name="Yes, fill this log with the invented cell").click()
        page.get_by_text("Taking in the papers").wait_for()
        page.get_by_role("link", name="Tour").first.click()  # who leaves the page leaves no half-filled log behind
        page.get_by_text("Two minutes, five stops.").wait_for()
        page.get_by_role("link", name="Shift").first.click()
        page.get_by_text("The invented cell is being taken in.").wait_for()
        page.locator("article.lc-lap").first.wait_for(timeout=90_000)
        settled(page)
    with Store.open(tmp_path / "lapcell.db") as filled, Store.open(demo) as whole:
        assert len(filled.faces()) == len(whole.faces()) and len(filled.baselines()) == len(whole.baselines()) > 0


def test_a_wall_says_that_nobody_writes_and_then_that_it_lost_the_log_and_since_when(at, demo_copy):
    settings = demo_copy.parent / "lapcell.toml"
    lines = settings.read_text(encoding="utf-8").splitlines()
    settings.write_text("\n".join(line for line in lines if not line.startswith("clock")), encoding="utf-8")
    with screens(demo_copy) as url:
        page = at(f"{url}/?wall=1", size="wall")
        assert page.locator(".lc-look").first.inner_text().startswith("No new face for ")
        sound = settings.read_text(encoding="utf-8")
        settings.write_text(sound + "\nlamp = ", encoding="utf-8")  # somebody edits the settings and slips
        page.get_by_text("This page cannot be shown.").wait_for()
        assert "not valid TOML" in page.inner_text(".lc-stop")
        settings.write_text(sound, encoding="utf-8")
        page.locator("article.lc-lap").first.wait_for()
        settled(page)
        views = ("/lap?lap=CI-1", "/proof?lap=CI-1", "/log")
        tablets = [at(url + view, size="tablet", tab=beside(page)) for view in views]
        assert not any(one.locator(".lc-lost").is_visible() for one in (page, *tablets))
        shown = page.locator(".lc-kicker").first.inner_text()
        for tablet in tablets:
            tablet.evaluate("document.querySelector('[data-testid=stMain]').scrollTo(0, 1e6)")
    for tablet in tablets:  # what cannot be kept is not typed in vain
        tablet.locator(".lc-lost").wait_for(state="visible")
        assert tablet.locator(".lc-lost").inner_text().endswith("; nothing typed now is kept.")
        assert 0 <= tablet.locator(".lc-lost").bounding_box()["y"] < 768
    page.locator(".lc-lost").wait_for(state="visible")
    said = page.locator(".lc-lost").inner_text()
    assert (
        said.startswith("No connection to the log. What is shown is of ") and said.rstrip(".").split("of ")[-1] in shown
    )
    # Both notices leave room for every lap: nobody scrolls a wall.
    assert page.locator("[data-testid=stMain]").evaluate("main => main.scrollHeight - main.clientHeight") <= 0
