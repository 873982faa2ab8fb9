"""The only cached reader: everything a screen shows is read here, keyed by the store, its revision and the settings."""

import os
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import pandas as pd
import streamlit as st

from dashboard.where import settings_file, slot_now, store_path
from spc.board.results import LapReport, ShiftReport
from spc.log.moments import with_shown_times
from spc.measure.shown import ShownLength
from spc.settings import Settings, load_settings
from spc.store.store import Store

if TYPE_CHECKING:
    from spc.board.board import Board
    from spc.board.frozen_limits import ShownRevision
    from spc.board.lap_age import LapAge
    from spc.board.lap_chart import ChartReport
    from spc.wear.clock_choice import ClockChoice

__all__ = [
    "Snapshot",
    "aliases",
    "answers",
    "board",
    "chart",
    "intakes",
    "lap_age",
    "lap_names",
    "lap_report",
    "limit_history",
    "look_ahead",
    "newest_us",
    "open_store",
    "operators",
    "parts",
    "recent_faces",
    "revision",
    "revisions",
    "settings",
    "shift_report",
    "snapshot",
    "typed_readings",
    "waiting",
    "watch_problems",
    "watched_folder",
    "wear_clocks",
]

Report = TypeVar("Report", LapReport, ShiftReport)

_LOOKING = "Looking at every lap; the first look at a log takes longest."
_REPORTED = "lc_reported"  # session key: the lap last reported on here, '' = the shift
_MOST_BOARDS = 2


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What one run of a page reads: equal snapshots give equal pages, so it keys the cache."""

    store: str
    revision: int
    settings: str  # path, '' = none
    settings_stamp: int  # nanoseconds of the settings file's last change, 0 = none
    slot: int  # stretch of the wall clock


_LOCK = threading.Lock()
_BOARDS: "OrderedDict[Snapshot, Board]" = OrderedDict()


def snapshot() -> Snapshot:
    """Return the state of the store and settings now."""
    path, stamp = settings_file()
    return Snapshot(str(store_path()), revision(), path, stamp, slot_now(_settings(path, stamp)))


def revision() -> int:
    """Return the store's revision: it grows with every change, whoever made it. Never cached."""
    with open_store() as store:
        return store.revision()


def open_store() -> Store:
    """Open the store of record for one piece of work; use it as a context manager."""
    return Store.open(store_path())


def settings(now: Snapshot) -> Settings:
    """Return the site settings in force."""
    return _settings(now.settings, now.settings_stamp)


@st.cache_data(max_entries=64, show_spinner=False)
def lap_names(now: Snapshot) -> list[str]:
    """Return every lap that has a face, an event or an entry of its own."""
    with open_store() as store:
        return [str(name) for name in store.laps()["lap"]]


@st.cache_data(max_entries=64, show_spinner=False)
def recent_faces(now: Snapshot, lap: str) -> pd.DataFrame:
    """Return one lap's newest 200 faces and repeat readings, with times as people read them."""
    with open_store() as store:
        return with_shown_times(store.faces(lap=lap, last=200), settings(now))


@st.cache_data(max_entries=64, show_spinner=False)
def newest_us(now: Snapshot, lap: str) -> int | None:
    """Return the moment of one lap's newest row, face or event, in microseconds since 1970; None = no row."""
    with open_store() as store:
        return store.newest_us(lap)


@st.cache_data(max_entries=4, ttl=60, show_spinner=False)
def operators(store_path: str) -> list[str]:
    """Return who logged the newest 200 faces of each lap, most often first; at most a minute old."""
    with Store.open(store_path) as store:
        names = pd.concat([store.faces(lap=lap, last=200)["operator"] for lap in store.laps()["lap"]] or [pd.Series()])
    return [str(name) for name in names[names != ""].value_counts().index]


@st.cache_data(max_entries=16, show_spinner=False)
def aliases(now: Snapshot) -> dict[str, str]:
    """Return the approved ways of writing a lap: as typed to name."""
    with open_store() as store:
        return store.aliases()


@st.cache_data(max_entries=64, show_spinner=False)
def answers(now: Snapshot, subject: str) -> pd.DataFrame:
    """Return the answers in force and what each answered, newest first; `subject` a lap or the room, '' = all."""
    with open_store() as store:
        kept, signals = store.reactions(lap=subject or None), store.signals(lap=subject or None)
    return kept.merge(signals[["signal_id", "sentence"]], on="signal_id").iloc[::-1]


@st.cache_data(max_entries=8, show_spinner=False)
def intakes(now: Snapshot) -> pd.DataFrame:
    """Return every delivery, oldest first."""
    with open_store() as store:
        return store.intakes()


@st.cache_data(max_entries=64, show_spinner=False)
def parts(now: Snapshot, lap: str) -> list[str]:
    """Return the part numbers lapped on a lap, most faces first."""
    with open_store() as store:
        names = store.faces(lap=lap, last=3_000)["part"]
    return [str(name) for name in names[names != ""].value_counts().index]


@st.cache_data(max_entries=64, show_spinner="Charting")
def chart(now: Snapshot, lap: str, sign: str, part: str, rules: tuple[str, ...], unit: ShownLength) -> "ChartReport":
    """Return the chart of one sign of one lap, its lengths said in a unit; `part` '' = all."""
    from spc.board.lap_chart import chart_report

    view, charts, room = board(now).look()
    return chart_report(view, charts, lap, sign, part=part, rules=rules, asked=unit, room=room.of(lap))


def typed_readings(now: Snapshot, lap: str, sign: str) -> dict[int, str]:
    """Return one lap's readings of a sign as typed, by face number; none for a sign that nobody types."""
    rows = board(now).look()[0].faces_of(lap)
    name = f"{sign}_text"
    return dict(zip(rows["face_id"].tolist(), rows[name].tolist(), strict=True)) if name in rows else {}


@st.cache_data(max_entries=64, show_spinner=False)
def revisions(now: Snapshot, lap: str, sign: str) -> "tuple[ShownRevision, ...]":
    """Return every frozen revision of one chart, oldest first."""
    from spc.board.frozen_limits import show_revision

    with open_store() as store:
        numbers = [record.revision for record in store.baselines(lap=lap, sign=sign)]
        return tuple(show_revision(store, lap=lap, sign=sign, number=number) for number in numbers)


@st.cache_data(max_entries=32, show_spinner="Counting cycles")
def lap_age(now: Snapshot, lap: str, clock: str, planned_cost: float | None, worn_cost: float | None) -> "LapAge":
    """Return the laps of a lap's group, when to recondition them, and what nobody logged of it."""
    from spc.board.lap_age import age_of_lap

    view, _, room = board(now).look()
    return age_of_lap(view, lap, room=room, planned_cost=planned_cost, worn_cost=worn_cost, clock=clock)


@st.cache_data(max_entries=32, show_spinner="Comparing clocks")
def wear_clocks(now: Snapshot, lap: str) -> "ClockChoice":
    """Return which clock foretells the wear of a lap's group best."""
    from spc.board.lap_clocks import clocks_of_lap
    from spc.board.missing import first_doubts

    view, _, room = board(now).look()
    return clocks_of_lap(view, lap, until=first_doubts(view, lap, room))


@st.cache_data(max_entries=8, show_spinner=False)
def limit_history(now: Snapshot) -> pd.DataFrame:
    """Return every revision of every limit, oldest first."""
    with open_store() as store:
        return store.limits(all_revisions=True)


@st.cache_data(max_entries=8, show_spinner=False)
def waiting(now: Snapshot) -> pd.DataFrame:
    """Return the quarantined rows that no person has settled, oldest first."""
    with open_store() as store:
        return store.quarantine()


@st.cache_data(max_entries=8, show_spinner=False)
def watch_problems(now: Snapshot) -> pd.DataFrame:
    """Return what is wrong in watched folders: folder, name ('' = the folder itself), problem, at."""
    with open_store() as store:
        return store.watch_problems()


def watched_folder() -> str:
    """Return the folder that is watched along with these screens; '' for none."""
    return os.environ.get("LAPCELL_WATCH", "")


def lap_report(now: Snapshot, lap: str) -> LapReport:
    """Return one lap's report."""
    return _report(lap, lambda: board(now).lap(lap))


def shift_report(now: Snapshot) -> ShiftReport:
    """Return the shift's report."""
    return _report("", lambda: board(now).shift())


def _report(subject: str, make: Callable[[], Report]) -> Report:
    """Return a report, saying meanwhile that it is made; not where the last one stands until the new one is drawn."""
    if st.session_state.get(_REPORTED) == subject:
        return make()
    with st.spinner(_LOOKING):
        report = make()
    st.session_state[_REPORTED] = subject
    return report


def board(now: Snapshot) -> "Board":
    """Return the board of one state of the store, shared by all sessions: what it gives is never written to."""
    from spc.board.board import Board

    with _LOCK:
        if now not in _BOARDS:
            _BOARDS[now] = Board(Path(now.store), settings(now))
            while len(_BOARDS) > _MOST_BOARDS:
                _BOARDS.popitem(last=False)
        _BOARDS.move_to_end(now)
        return _BOARDS[now]


def look_ahead(now: Snapshot) -> None:
    """Look at the cell behind the first screen, so that the first entry after a start need not wait for it.

    The first screen may come from a report kept between runs; what is learned of each lap here holds for later looks.
    """
    from spc.board.board import Board

    Board(Path(now.store), settings(now)).look()


@lru_cache(maxsize=4)
def _settings(path: str, stamp: int) -> Settings:
    return load_settings(path or None)
