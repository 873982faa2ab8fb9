"""The screens under load: first screen after the start, reruns at a million faces, memory over loads and sessions.

Needs a Chromium for what is measured from outside. Figures are in the extra info of each row:
`pytest tests/benchmarks/bench_screens.py -o python_files='bench_*.py' -s`. LAPCELL_BENCH_FACES and LAPCELL_BENCH_LOADS
make it smaller.
"""

import os
import time
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from demo_data.scenario import build
from spc.board.board import Board
from spc.log.intake import ingest
from spc.settings import load_settings
from spc.store.store import Store
from tests.benchmarks.million_faces import LAPS, write_log
from tests.browser.conftest import at, browser, screens, settled  # noqa: F401  fixtures of the browser tests, used here
from tests.dashboard.view_script import one_view

N_FACES = int(os.environ.get("LAPCELL_BENCH_FACES", "1000000"))
N_LOADS = int(os.environ.get("LAPCELL_BENCH_LOADS", "200"))
N_SESSIONS = 20


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("screens")
    os.environ["LAPCELL_CACHE"] = str(made / "kept")
    yield made
    del os.environ["LAPCELL_CACHE"]


@pytest.fixture(scope="module")
def demo(folder):
    made = build(folder / "demo")
    Board(made.store_path, load_settings(made.settings_path)).shift()  # as `lapcell demo` does
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


def test_a_face_logged_from_the_form(benchmark, million):
    """From the press of the button to the page that shows the face counted."""
    page = page_of("lap")

    def typed():
        next(field for field in page.text_input if str(field.key).startswith(f"typed-{LAPS[2]}-")).set_value("1")
        time.sleep(8.5)  # longer than what is taken for one tap too many

    def press():
        next(button for button in page.button if button.label == "Log this face").click().run()

    benchmark.pedantic(press, setup=typed, rounds=4, warmup_rounds=0)
    assert not page.exception and not page.error


def test_first_screen_after_the_start(benchmark, demo, browser):  # noqa: F811  the fixture
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    page = context.new_page()

    def start():
        with screens(demo) as url:
            page.goto(url)
            page.wait_for_selector("article.lc-lap")
            took.append(time.perf_counter() - began[0])

    def clock():
        began[0] = time.perf_counter()

    began, took = [0.0], []
    benchmark.pedantic(start, setup=clock, rounds=3)
    benchmark.extra_info["first_screen_s"] = took
    print(f"\nfirst screen after {', '.join(f'{s:.2f}' for s in took)} s")
    context.close()


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
