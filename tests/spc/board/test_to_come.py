"""Faces dated later than now: kept, counted nowhere, and said wherever the lap is judged. Invented logs."""

from datetime import datetime, timedelta

import pytest

from spc.board.cell_view import counted_until_us, look_at_cell
from spc.board.frozen_limits import budget_of_cell, freeze_limits
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.commands.planted_cell import PlantedCell, run, told

LAPS = ("L1", "L2")
LATER = "2098-03-04 15:50"


@pytest.fixture(autouse=True)
def _nothing_kept(monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")


def store_of(folder, *, late, clock=True, serials=True):
    """Two laps; after the newest faces of L1 so many more that a machine with a wrong clock wrote, both over limit."""
    cell = PlantedCell(3, laps=LAPS, cycles=4, last=10)
    path = cell.store(folder, limit="3 um")
    if not clock:  # a site that logs on
        settings = folder / "lapcell.toml"
        settings.write_text("\n".join(line for line in settings.read_text().splitlines() if "clock" not in line))
    head = "time,operator,lap,grit,minutes,flatness um,part,serial\n"
    rows = [f"{LATER[:-1]}{k},Ann,L1,9 um,4.0,9.00,P1,{f'F{k}' * serials}\n" for k in range(late)]
    (folder / "wrong.csv").write_text(head + "".join(rows))
    if late:
        assert told(path, "ingest", str(folder / "wrong.csv"))["accepted"] == late
    return path


@pytest.mark.parametrize("clock", [True, False])
def test_faces_of_the_future_count_nowhere_and_are_said(tmp_path, clock):
    for name in ("sound", "wrong"):
        (tmp_path / name).mkdir()
    sound = store_of(tmp_path / "sound", late=0, clock=clock)
    path = store_of(tmp_path / "wrong", late=2, clock=clock)
    before, after = told(sound, "due", "--lap", "L1"), told(path, "due", "--lap", "L1")
    for same in ("state", "sentence", "faces_left", "signals", "age_faces", "last_face"):
        assert after[same] == before[same]
    (said,) = (line for line in after["data_health"] if "later than" in line)
    assert said.startswith(f"2 faces of L1 are dated up to {LATER[:-1]}1 (row 2 of wrong.csv), later than ")
    assert "kept, but counted nowhere until then." in said
    cure = "take `clock` out of them where logging goes on;" if clock else "Look at the clock of the machine that wrote"
    assert cure in said
    assert not [line for line in told(path, "due", "--lap", "L2")["data_health"] if "later than" in line]
    for output in (run(path, "due", "--lap", "L1").output, run(path, "chart", "L1").output):
        assert said.rstrip(".") in output
    shift = told(path, "due")
    assert shift["stale"].startswith("2 faces of L1 are dated later than ") and cure in shift["stale"]
    assert shift["stale"] in run(path, "due").output
    page = tmp_path / "page.html"
    run(path, "handover", "--out", str(page))
    assert "2 faces of L1 are dated later than " in page.read_text()


@pytest.mark.parametrize("serials", [True, False])
def test_the_cure_that_is_told_cures(tmp_path, serials):
    path = store_of(tmp_path, late=2, clock=False, serials=serials)
    assert "2 faces of L1 are dated later than now" in told(path, "due")["stale"]
    log = tmp_path / "wrong.csv"
    log.write_text(log.read_text().replace(LATER[:4], "2026"))
    assert told(path, "ingest", str(log))["files"][0]["new_versions"] == 2
    assert "later than now" not in told(path, "due")["stale"]
    after = told(path, "due", "--lap", "L1")
    assert (after["state"], after["age_faces"], after["last_face"]) == ("held", 12, "2026-03-04 15:51")


def test_a_cell_whose_every_face_is_to_come_is_not_said_to_have_none(tmp_path):
    path = store_of(tmp_path, late=1)
    (tmp_path / "lapcell.toml").write_text('clock = 2026-03-01T06:00:00\ntime_zone = "UTC"\n')
    shift = told(path, "due")
    assert shift["sentence"] == "No face counts yet."
    assert shift["stale"].startswith("165 faces of L1 and L2 are dated later than the site's clock (2026-03-01 06:00)")


def test_events_after_a_clock_that_stands_still_are_said_too(tmp_path):
    """Minutes after it, where faces go on after it too: a log looked at afterwards, or a clock left in by mistake."""
    path = store_of(tmp_path, late=1)
    for minute, said in ((1, "L1 is logged as swapped at "), (2, "2 events of L1 are dated up to ")):
        add = ("events", "add", "L1", "swapped", "--time", f"2026-03-04 16:0{minute}", "--who", "Ann")
        assert run(path, *add).exit_code == 0
        lap = told(path, "due", "--lap", "L1")
        assert lap["state"] != "resting" and len([s for s in lap["data_health"] if s.startswith(said)]) == 1
    assert "later than the site's clock (2026-03-04 15:58)" in lap["data_health"][0]


def test_limits_are_frozen_from_what_counts(tmp_path):
    """One face of the far future would leave the eight weeks before it empty, and the budget with them."""
    for name in ("sound", "wrong"):
        (tmp_path / name).mkdir()
    frozen = []
    for name, late in (("sound", 0), ("wrong", 2)):
        with Store.open(store_of(tmp_path / name, late=late)) as store:
            site = Settings(time_zone="UTC")
            budget = budget_of_cell(store, site)
            said = {"lap": "L1", "sign": "flatness", "who": "QE", "why": "first", "knowingly": True}
            frozen.append((budget.points_per_week, freeze_limits(store, site, **said).sentence))
    assert frozen[0] == frozen[1]


def test_a_log_without_a_zone_may_be_ahead_of_the_clock(tmp_path):
    """Up to 26 hours, by the real clock; by one that is set, not at all."""
    site = Settings()
    ahead = datetime.now().astimezone() + timedelta(hours=23)
    with Store.open(tmp_path / "lapcell.db") as store:
        store.append_face({"lap": "L1", "serial": "S1", "time_utc": ahead}, who="Ann")
        assert len(look_at_cell(store, site).faces_of("L1")) == 1
        clock = datetime.now().replace(microsecond=0)
        view = look_at_cell(store, Settings(clock=clock))
        assert len(view.faces_of("L1")) == 0 and view.faces_to_come["L1"].faces == 1
    assert counted_until_us(Settings(clock=datetime(1970, 1, 1))) == 1
