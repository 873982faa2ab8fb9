"""The log view in a real browser: rows settled one by one, and names that try to be something else."""

from datetime import UTC, datetime, timedelta
from urllib.parse import quote

import pytest

from dashboard.entry import FaceEntry, LengthUnit, face_row
from spc.log.intake import ingest
from spc.settings import KnownLap, Settings
from spc.store.store import Store
from tests.browser.conftest import screens, settled, sign

pytestmark = pytest.mark.browser
OWN = (
    "time,operator,lap,grit um,minutes,flatness um,part,serial\n"
    "2026-03-04 06:10,R. Oduya,CI-1,15,12,0.31,plate,S-1\n"
    "2026-03-04 06:20,R. Oduya,CI-1,15,12,see note,plate,S-2\n"
    "2026-03-04 06:30,R. Oduya,C1-1,15,12,0.33,plate,S-3\n"
    "2026-03-04 06:40,R. Oduya,CI-1,15,12,test,plate,S-4\n"
)
HOSTILE = {
    "html": "<img src=x onerror=window.hit=1><script>window.hit=1</script>",
    "formula": "=HYPERLINK(1+1)",
    "emoji": "\U0001f527 lap \U0001f469\u200d\U0001f3ed",
    "right to left": "\u05dc\u05d5\u05d7 \u202e321",
    "markdown": "**bold** [link](http://localhost/x) $x$ :red[y]",
    "long": "L" * 5_000,
}


@pytest.fixture
def waiting(tmp_path):
    """A store whose site knows one lap, with three rows that wait."""
    (tmp_path / "lapcell.toml").write_text('[[lap]]\nname = "CI-1"\n', encoding="utf-8")
    with Store.open(tmp_path / "lapcell.db") as store:
        ingest(store, OWN.encode(), name="own.csv", settings=Settings(laps=(KnownLap("CI-1"),)), who="A")
        assert len(store.quarantine()) == 3
    with screens(tmp_path / "lapcell.db") as url:
        yield url, tmp_path / "lapcell.db"


def test_waiting_rows_are_settled_by_keyboard_one_way_each(at, waiting):
    url, store = waiting
    page = at(f"{url}/log?section=rows", size="portrait")
    page.get_by_text("06:20,R. Oduya,CI-1,15,12,see note").first.wait_for()
    page.get_by_role("button", name="Next row").wait_for()
    settled(page)
    sign(page, "Lena")
    page.wait_for_timeout(1000)  # until the page listens to the keys it shows
    page.keyboard.press("Alt+n")
    page.locator("pre.lc-raw").get_by_text("C1-1").wait_for()
    settled(page)
    page.keyboard.press("Alt+b")
    page.locator("pre.lc-raw").get_by_text("see note").wait_for()
    settled(page)
    page.get_by_label("flatness um").fill("0.35")
    page.get_by_label("How you know").fill("the note says 0.35")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.get_by_text("is taken in as put right.").wait_for()
    settled(page)
    page.get_by_label("is another way of writing").click()
    page.get_by_role("option", name="CI-1").click()
    page.get_by_role("button", name="Approve the alias").click()
    page.get_by_text("C1-1 is read as CI-1 from now on; 1 row settled.").wait_for()
    settled(page)
    page.get_by_label("Why it is not to be taken in").fill("test row")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.get_by_text("No row waits for a person.").wait_for()
    with Store.open(store) as opened:
        assert opened.faces(lap="CI-1")["flatness_text"].tolist() == ["0.31", "0.35", "0.33"]
        settled_how = opened.quarantine(open_only=False)["how"].tolist()
        assert opened.alias_history()["approved_by"].tolist() == ["Lena"]  # the very first name typed signs
    assert sorted(settled_how) == ["alias", "discarded", "fixed"]
    page = at(f"{url}/log?section=edits", tab=page)
    page.get_by_text("Ways of writing a lap").wait_for()


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """Screens over a log whose laps and parts carry names that try to be something else."""
    folder = tmp_path_factory.mktemp("hostile")
    at = datetime(2026, 3, 4, 6, 0, tzinfo=UTC)
    with Store.open(folder / "lapcell.db") as store:
        for number, name in enumerate(list(HOSTILE.values()) * 6):
            entry = FaceEntry(
                f"0.{31 + number // 6}", minutes=12, operator=name, grit="15 um", part=name, serial=f"S{number}"
            )
            row = face_row(
                entry, lap=name, unit=LengthUnit("um", ""), site=Settings(), at=at + timedelta(minutes=number)
            )
            store.append_face(row | {"note": name}, who=name)
        names = set(store.laps()["lap"])
        store.set_limit(
            HOSTILE["html"], "flatness", upper_um=0.6, upper_text="<i>2</i> bands", who="<u>A</u>", why="=1+1"
        )
    with screens(folder / "lapcell.db") as url:
        yield url, names


@pytest.mark.parametrize("kind", HOSTILE)
def test_a_name_is_shown_as_text_and_nothing_in_it_runs(at, hostile, kind):
    url, names = hostile
    name = HOSTILE[kind]
    assert name in names
    page = None
    for view in ("lap", "proof", "proof?section=Index"):
        path, _, query = view.partition("?")
        page = at(f"{url}/{path}?lap={quote(name[:1800], safe='')}{'&' + query if query else ''}", tab=page)
        assert page.evaluate("() => window.hit") is None
        assert page.locator("main img, [data-testid=stMain] img").count() == 0
        assert name[:40] in page.inner_text("h1").replace("\u00a0", " ") or name[:40] in page.evaluate(
            "() => [...document.querySelectorAll('input')].map(e => e.value).join(' ')"
        )
        main = page.locator("[data-testid=stMain]")
        assert main.evaluate("main => main.scrollWidth - main.clientWidth") <= 0


@pytest.mark.parametrize("place", ["/", "/log?section=taken", "/proof?section=Limits", "/log?log-section=health"])
def test_lists_of_such_names_run_nothing(at, hostile, place):
    page = at(hostile[0] + place)
    settled(page)
    assert page.evaluate("() => window.hit") is None
    assert page.locator("[data-testid=stMain] img, [data-testid=stMain] script").count() == 0
