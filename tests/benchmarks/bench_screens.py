"""The screens under load: first screen, what is logged at a million faces, memory over loads and sessions.

Needs a Chromium for what is measured from outside. Figures are in the extra info of each row:
`pytest tests/benchmarks/bench_screens.py -o python_files='bench_*.py' -s`. LAPCELL_BENCH_FACES and LAPCELL_BENCH_LOADS
make it smaller.
"""

import os
import time
from datetime import UTC, timedelta
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from demo_data.scenario import build
from spc.board.board import Board
from spc.board.kept import write_behind
from spc.log.intake import ingest
from spc.settings import load_settings
from spc.store.store import Store
from tests.benchmarks.million_faces import LAPS, write_log
from tests.browser.conftest import at, browser, idle_tabs, screens, settled  # noqa: F401  fixtures used here
from tests.dashboard.view_script import one_view

N_FACES = int(os.environ.get("LAPCELL_BENCH_FACES", "1000000"))
N_LOADS = int(os.environ.get("LAPCELL_BENCH_LOADS", "200"))
N_SESSIONS = 20


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("screens")
    before, os.environ["LAPCELL_CACHE"] = os.environ["LAPCELL_CACHE"], str(made / "kept")
    write_behind(2.0)  # as the server does
    yield made
    write_behind(0.0)
    os.environ["LAPCELL_CACHE"] = before


@pytest.fixture(scope="module")
def demo(folder):
    made = build(folder / "demo")
    Board(made.store_path, load_settings(made.settings_path)).shift()  # as `lapcell demo` does
    time.sleep(4.0)  # until it is written down
    return made.store_path


@pytest.fixture(scope="module")
def million(folder):
    """A store of a million faces on 24 laps with its settings, named in the environment as `lapcell serve` does."""
    place = folder / "million"
    place.mkdir()
    settings = write_log(place / "log.csv", n_faces=N_FACES)
    lines = ['time_zone = "UTC"', f"clock = {settings.clock.isoformat()}"]
    for lap in settings.laps:
        lines += ["[[lap]]", f'name = "{lap.name}"', f'material = "{lap.material}"', f'home_grit = "{lap.home_grit}"']
    (place / "lapcell.toml").write_text("\n".join(lines), encoding="utf-8")
    with Store.open(place / "lapcell.db") as store:
        assert ingest(store, place / "log.csv", name="log.csv", settings=settings).faces == N_FACES
        store.set_limit("*", "flatness", upper_um=0.6, upper_text="2 bands", who="benchmark", why="invented")
    os.environ["LAPCELL_STORE"] = str(place / "lapcell.db")
    yield place / "lapcell.db"
    del os.environ["LAPCELL_STORE"]


def page_of(view):
    page = AppTest.from_function(one_view, kwargs={"view": view}, default_timeout=600)
    if view == "lap":
        page.query_params["lap"] = LAPS[2]
    page.run()
    assert not page.exception
    return page


@pytest.mark.parametrize("view", ["shift", "lap"])
def test_rerun_of_a_page(benchmark, million, view):
    page = page_of(view)
    benchmark.pedantic(page.run, rounds=10, warmup_rounds=1)
    assert not page.exception


def test_what_is_logged_from_the_form(benchmark, million):
    """From the press of a button to the page that shows a face counted, an event logged, either taken back."""
    page = page_of("lap")
    page.session_state[f"ways-{LAPS[2]}"] = "Event"  # its fields are drawn when they are asked for
    page.run()
    numbers = iter(range(1, 1000))
    took: dict[str, list[float]] = {}

    def press(label):
        began = time.perf_counter()
        next(button for button in page.button if button.label == label).click().run()
        return time.perf_counter() - began

    def one_round():
        typed = next(field for field in page.text_input if str(field.key).startswith(f"typed-face-{LAPS[2]}-"))
        typed.set_value(f"{1 + next(numbers) / 100:g}")  # another reading each time: no tap too many
        took.setdefault("face", []).append(press("Log this face"))
        took.setdefault("face undone", []).append(press("Undo"))
        next(group for group in page.pills if group.label == "What was done").set_value("cleaned")
        took.setdefault("event", []).append(press("Log this event"))

    benchmark.pedantic(one_round, rounds=6, warmup_rounds=1)
    assert not page.exception and not page.error
    tell(benchmark, took)


def test_the_shift_after_a_face(benchmark, million):
    """The shift view drawn again after a face came from elsewhere."""
    page = page_of("shift")
    settings = load_settings(million.parent / "lapcell.toml")
    numbers = iter(range(1, 1000))

    def a_face():
        moment = settings.clock.replace(tzinfo=UTC) - timedelta(seconds=900 - next(numbers))
        face = {"lap": LAPS[5], "time_utc": moment, "part": "SP-10", "minutes": 9.0, "flatness_text": "0.3"}
        with Store.open(million) as store:
            store.append_face(face | {"flatness_low_um": 0.25, "flatness_high_um": 0.35}, who="benchmark")

    benchmark.pedantic(page.run, setup=a_face, rounds=6, warmup_rounds=1)
    assert not page.exception


def test_a_tap_in_a_browser(benchmark, million, browser):  # noqa: F811  the fixture
    """From the tap to the word of it with its undo, and to the page that counts it; a million faces."""
    took: dict[str, list[float]] = {}
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    page = context.new_page()

    def tap(what, button, shown):
        logged = page.locator(".lc-facts").inner_text()
        began = time.perf_counter()
        page.get_by_role("button", name=button).click()
        page.get_by_text(shown).first.wait_for()
        took.setdefault(f"{what} answered", []).append(time.perf_counter() - began)
        page.wait_for_function("was => document.querySelector('.lc-facts').innerText !== was", arg=logged)
        took.setdefault(f"{what} counted", []).append(time.perf_counter() - began)
        settled(page)
        time.sleep(4.5)  # until the pulse has come by

    def all_taps():
        with screens(million) as url:
            page.goto(f"{url}/lap?lap={LAPS[2]}")
            page.wait_for_selector("h1", timeout=120_000)
            settled(page)
            time.sleep(10.0)  # the cell is looked at behind the first page
            for reading in ("1", "1.5", "2", "0.5", "1", "1.5"):
                page.get_by_label("or type it").fill(reading)
                page.get_by_role("button", name="Log this face").focus()
                time.sleep(0.5)
                tap("face", "Log this face", f"Logged: {reading} light")
            tap("undone face", "Undo", "Taken back:")
            for way, button in (("Event", "Log this event"), ("Correct last face", "Keep the correction")):
                began = time.perf_counter()
                page.get_by_role("tab", name=way).click()
                page.get_by_role("button", name=button).wait_for()
                took.setdefault("other fields in sight", []).append(time.perf_counter() - began)
                settled(page)

    benchmark.pedantic(all_taps, rounds=1)
    tell(benchmark, took)
    context.close()


@pytest.mark.parametrize("kept", [True, False], ids=["kept", "nothing kept"])
def test_first_screen_after_the_start(benchmark, demo, browser, folder, monkeypatch, kept):  # noqa: F811  the fixture
    """From the start of `lapcell serve` to the laps in order of need; with the results of earlier runs, and without."""
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    page = context.new_page()
    took: dict[str, list[float]] = {}
    numbers = iter(range(1000))

    def start():
        if not kept:
            monkeypatch.setenv("LAPCELL_CACHE", str(folder / f"nothing-{next(numbers)}"))
        began = time.perf_counter()
        with screens(demo) as url:
            took.setdefault("server answers", []).append(time.perf_counter() - began)
            page.goto(url, wait_until="commit")
            page.wait_for_selector("article.lc-lap", timeout=120_000)
            took.setdefault("first words", []).append(time.perf_counter() - began)
            page.wait_for_selector("#root article.lc-lap", timeout=120_000)
            took.setdefault("live view", []).append(time.perf_counter() - began)
            time.sleep(4.0)  # what was made for the page is written down when nobody waits for it
            page.goto("about:blank")

    benchmark.pedantic(start, rounds=5 if kept else 2, warmup_rounds=int(kept))
    tell(benchmark, took)
    context.close()


def tell(benchmark, took):
    """Put what was measured inside a round beside the row, and print it."""
    benchmark.extra_info["seconds"] = took
    for name, seconds in took.items():
        print(f"\n{name}: {', '.join(f'{s:.2f}' for s in seconds)} s", end="")


def test_memory_over_loads_and_sessions(benchmark, demo, at):  # noqa: F811  the fixture
    loads = ["/", "/lap?lap=CI-1", "/lap?lap=CE-1", "/log", "/?wall=1"]
    seen: dict[str, float] = {}

    def load_all():
        with screens(demo) as url:
            page = at(url)
            for number in range(N_LOADS):
                page.goto(url + loads[number % len(loads)])
                page.wait_for_selector("h1")
                settled(page)
                if number + 1 in (N_LOADS // 10, N_LOADS // 2, N_LOADS):
                    seen[f"after {number + 1} loads"] = resident_mib(url)
            others = [at(url + loads[number % len(loads)]) for number in range(N_SESSIONS - 1)]
            seen[f"with {len(others) + 1} sessions"] = resident_mib(url)

    benchmark.pedantic(load_all, rounds=1)
    benchmark.extra_info["resident_mib"] = seen
    print("\n" + ", ".join(f"{name} {mib:.0f} MiB" for name, mib in seen.items()))


def resident_mib(url):
    """Memory of the server behind an address, by its port in the command line."""
    port = url.rsplit(":", 1)[1]
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            words = (entry / "cmdline").read_bytes().split(b"\0")
            if b"dashboard.start" in words and port.encode() in words:
                status = (entry / "status").read_text(encoding="utf-8")
                return int(status.split("VmRSS:")[1].split()[0]) / 1024
        except OSError:
            continue
    raise RuntimeError(f"no server found for {url}")
