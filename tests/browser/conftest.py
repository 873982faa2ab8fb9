"""A real Chromium against a real server: found or skipped; where browser tests are required, never skipped."""

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from contextlib import contextmanager
from pathlib import Path

import pytest

FLAGS = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
).split()
SIZES = {
    "desktop": (1440, 900),
    "tablet": (1024, 768),
    "portrait": (768, 1024),
    "wall": (1920, 1080),
    "zoomed": (720, 450),
}  # a desktop at 200 %
PATIENCE_MS = 40_000
FAILED = pytest.StashKey[bool]()  # of a test: whether its own part failed


def chromium():
    """Path of a Chromium, or None."""
    named = os.environ.get("LAPCELL_CHROMIUM")
    names = ("chromium", "chromium-browser", "google-chrome")
    return named or next((found for found in map(shutil.which, names) if found), None)


def required():
    """Whether the browser tests must run."""
    return os.environ.get("LAPCELL_BROWSER") == "required" or os.environ.get("CI") == "true"


@pytest.fixture(scope="session")
def browser():
    path = chromium()
    if path is None and not required():
        pytest.skip("no Chromium found; name one in LAPCELL_CHROMIUM")
    if path is None:
        pytest.fail("no Chromium found, and browser tests are required here; name one in LAPCELL_CHROMIUM")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield started
        started.close()


_IDLE_PORTS: list[int] = []  # of servers that have ended: at an address it knows, a tab runs what it has made ready


def port_to_serve_at():
    """A port that nothing listens on: one that a tab may know, where there is one."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        while _IDLE_PORTS:
            try:
                probe.bind(("127.0.0.1", port := _IDLE_PORTS.pop()))
            except OSError:  # another program has it now
                continue
            return port
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextmanager
def screens(store: Path, *options: str):
    """Serve the screens over a store, by the command that people use; gives the address."""
    port = port_to_serve_at()
    environment = {name: value for name, value in os.environ.items() if not name.startswith(("LAPCELL_", "STREAMLIT_"))}
    environment["LAPCELL_CACHE"] = os.environ["LAPCELL_CACHE"]
    command = [sys.executable, "-m", "spc.cli", "serve", "--store", str(store), "--port", str(port), *options]
    log = (store.parent / f"serve-{port}.log").open("w")
    process = subprocess.Popen(command, env=environment, stdout=log, stderr=log, cwd=store.parent)
    url = f"http://localhost:{port}"
    try:
        for _ in range(300):
            try:
                with urllib.request.urlopen(f"{url}/_stcore/health", timeout=2) as answer:
                    if answer.status == 200:
                        break
            except OSError:
                time.sleep(0.1)
        else:
            pytest.fail(f"the screens did not start: {Path(log.name).read_text()}")
        yield url
    finally:
        process.terminate()
        process.wait(timeout=20)
        _IDLE_PORTS.append(port)
        log.close()


@pytest.fixture(scope="session")
def demo(demonstration):
    """Store of the invented cell."""
    return demonstration.store_path


@pytest.fixture(scope="session")
def demo_url(demo):
    """Screens over the invented cell, for tests that only look."""
    with screens(demo) as url:
        yield url


@pytest.fixture
def demo_copy(demo, tmp_path):
    """A copy of the invented cell that a test may write to."""
    return copy_of(demo, tmp_path)


@pytest.fixture(scope="session")
def cell(demo, tmp_path_factory):
    """Screens over a copy of the invented cell that tests write to, each to laps of its own."""
    store = copy_of(demo, tmp_path_factory.mktemp("cell"))
    with screens(store) as url:
        yield url, store


def copy_of(demo, folder):
    for name in ("lapcell.db", "lapcell.toml"):
        shutil.copy(demo.parent / name, folder / name)
    return folder / "lapcell.db"


@pytest.fixture(scope="session")
def idle_tabs(browser):
    """Tabs that no test holds, the warmest last: in one that has run the screens before, a page costs a third."""
    return []


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    if report.when == "call":
        item.stash[FAILED] = report.failed
    return report


@pytest.fixture
def at(browser, idle_tabs, request):
    """Open an address at a named size; fails on any error block the page shows.

    In a tab that remembers no other test, or in the one that is given. What a page said when its test failed is printed
    with the failure.
    """
    held = []

    def open_page(url, *, size="desktop", dark=False, tab=None):
        page = tab or (idle_tabs.pop() if idle_tabs else browser.new_context().new_page())
        if tab is None:
            held.append(page)
        resize(page, size)
        page.emulate_media(color_scheme="dark" if dark else "light")
        page.set_default_timeout(PATIENCE_MS)
        page.goto(url)
        page.wait_for_selector("#lc-opening", state="detached")  # the first words, before the live view
        page.wait_for_selector("h1")
        settled(page)
        return page

    yield open_page
    for page in reversed(held):
        if request.node.stash.get(FAILED, True):
            print(f"{page.url}\n{page.locator('body').inner_text()}")
            page.context.close()
            continue
        for other in page.context.pages:
            if other is not page:
                other.close()
        page.evaluate("() => { localStorage.clear(); sessionStorage.clear() }")
        page.context.clear_cookies()
        page.goto("about:blank")
        idle_tabs.append(page)


def beside(page):
    """Open another tab that lives with a page, and goes with it."""
    with page.expect_popup() as opened:
        page.evaluate("() => void window.open('about:blank')")
    return opened.value


def resize(page, size):
    """Give an open page another named size."""
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    page.wait_for_function(f"innerWidth === {width} && innerHeight === {height}")


def unfold(page, words):
    """Open a folded part of a page and wait until it has grown: while it grows, what is in it slides under a press."""
    part = page.locator("details").filter(has=page.locator("summary", has_text=words))
    part.locator("summary").click()
    part.evaluate("async part => { await Promise.allSettled(part.getAnimations().map(one => one.finished)) }")
    return part


def sign(page, name):
    """Say who writes, by a name that no list offers."""
    box = page.get_by_role("combobox", name="Signed by")
    box.click()
    box.fill(name)
    box.press("Enter")
    settled(page)


def settled(page):
    """Wait until the page has stopped running, then hold that it shows no error."""
    page.wait_for_selector('[data-testid="stApp"][data-test-script-state="notRunning"]')
    assert page.locator('[data-testid="stException"]').count() == 0, page.locator(
        '[data-testid="stException"]'
    ).all_inner_texts()
