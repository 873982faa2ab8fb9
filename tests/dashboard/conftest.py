"""A store of an invented bench for the page tests, and boards that need no statistics to be waited for."""

import functools
import html
import re
import shutil
import sys
from datetime import UTC, datetime, timedelta

import pytest
from streamlit.components.v2 import manifest_scanner

from dashboard.entry import FaceEntry, LengthUnit, face_row
from spc.board import board as board_module
from spc.settings import Settings
from spc.store.store import Store
from tests.dashboard import fixtures

BANDS = LengthUnit("band", "helium")
READINGS = ("0.5", "<0.5", "1", "0.5", "1", "1.5", "1", "1.5", "2", "1.5", "2", "2.5")


def fill(path, *, laps=("CI-1", "DI-2"), readings=READINGS, part="seal plate"):
    """Write a few faces per lap, seven minutes apart."""
    at = datetime(2026, 3, 4, 6, 0, tzinfo=UTC)
    with Store.open(path) as store:
        for lap in laps:
            for number, typed in enumerate(readings):
                at += timedelta(minutes=7)
                entry = FaceEntry(typed, minutes=12, operator="R. Oduya", grit="15 um", part=part)
                entry = FaceEntry(**{**_fields(entry), "serial": f"{lap}-{number}"})
                store.append_face(face_row(entry, lap=lap, unit=BANDS, site=Settings(), at=at), who="R. Oduya")


def _fields(entry):
    return {name: getattr(entry, name) for name in entry.__slots__}


def text(page):
    """The HTML of all cards; names are kept from breaking by a span, which says nothing."""
    shown = " ".join(element.proto.body for element in page.get("html"))
    return re.sub(r'<span class="lc-whole">(.*?)</span>', r"\1", shown)


def refusals(page):
    """What a page says it did not take, as read out."""
    found = re.findall(r'<p class="lc-notice lc-refused" role="alert">(.*?)</p>', text(page))
    return [html.unescape(re.sub(r"<.*?>", "", one)).replace("\u00a0", " ") for one in found]


@pytest.fixture(autouse=True)
def own_main(monkeypatch):
    """A page that runs takes the place of the main module, from which a process of a later test would start."""
    monkeypatch.setitem(sys.modules, "__main__", sys.modules["__main__"])


@pytest.fixture(scope="session", autouse=True)
def packages_searched_once():
    """Each page that a test opens would search all installed packages for parts of screens, a third of a second."""
    with pytest.MonkeyPatch.context() as patched:
        search = functools.cache(manifest_scanner.scan_component_manifests)
        patched.setattr(manifest_scanner, "scan_component_manifests", search)
        yield


@pytest.fixture
def empty_store(tmp_path, monkeypatch):
    path = tmp_path / "lapcell.db"
    monkeypatch.setenv("LAPCELL_STORE", str(path))
    monkeypatch.delenv("LAPCELL_SETTINGS", raising=False)
    return path


@pytest.fixture(scope="session")
def filled_once(tmp_path_factory):
    path = tmp_path_factory.mktemp("filled") / "lapcell.db"
    fill(path)
    assert [file.name for file in path.parent.iterdir()] == ["lapcell.db"]  # all of the store is in the file copied
    return path


@pytest.fixture
def filled_store(empty_store, filled_once):
    shutil.copy(filled_once, empty_store)
    return empty_store


@pytest.fixture
def board(monkeypatch):
    """The boards of the fixtures in place of the computed ones."""
    put(monkeypatch, fixtures.shift())


def put(monkeypatch, shift, **lap):
    class Board(board_module.Board):
        def lap(self, name):
            return fixtures.lap(lap=name, **lap)

        def shift(self):
            return shift

    monkeypatch.setattr(board_module, "Board", Board)
