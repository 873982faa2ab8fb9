"""What the age of one lap says of the lives behind it that nobody logged."""

from datetime import UTC, datetime, timedelta

import pytest

from spc.board.cell_charts import chart_cell
from spc.board.cell_view import look_at_cell
from spc.board.lap_age import age_of_lap
from spc.board.room_history import look_at_room
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.store.many_faces import append_faces

LIVES = ((9, "worn"), (12, ""), (10, "worn"), (11, ""), (4, ""))  # faces of each cycle of K1, and why it was ended


@pytest.fixture
def store(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    at = datetime(2026, 3, 2, 6, tzinfo=UTC)
    with Store.open(tmp_path / "lapcell.db") as opened:
        opened.append_event({"lap": "K1", "event": "reconditioned", "time_utc": at, "planned": True}, who="QE")
        for cycle, (count, reason) in enumerate(LIVES):
            faces = []
            for number in range(count):
                at += timedelta(minutes=10)
                faces.append({"lap": "K1", "serial": f"{cycle}-{number}", "time_utc": at, "minutes": 6.0})
            append_faces(opened, faces, who="Ann")
            at += timedelta(minutes=10)
            if cycle < len(LIVES) - 1:
                said = {"lap": "K1", "event": "reconditioned", "time_utc": at, "reason": reason}
                opened.append_event(said, who="QE")
        yield opened


def found(store, **costs):
    view = look_at_cell(store, Settings(time_zone="UTC"))
    room = look_at_room(view, chart_cell(view))
    return age_of_lap(view, "K1", room=room, **({"planned_cost": 1.0, "worn_cost": 4.0} | costs))


def test_the_lives_are_those_logged_and_what_nobody_said_of_them_is_told(store):
    told = found(store)
    assert (told.laps, told.grit) == (("K1",), "")
    assert told.cycles["faces"].tolist() == [count for count, _ in LIVES]
    assert (told.plan.lifetimes.worn, told.plan.lifetimes.running) == (4, 1)
    assert told.remarks == (
        "2 of the 4 worn cycles ended with no reason logged and count as worn at the last face, even where that read "
        "under the limit.",
    )


def test_a_lap_without_a_group_is_told_to_stand_alone_where_there_are_others(store):
    store.append_face({"lap": "K2", "serial": "other", "minutes": 6.0}, who="Ann")
    told = found(store)
    assert told.laps == ("K1",) and told.remarks[0].startswith("K1 has no material and no home grit on record, so its")
    store.set_lap("K1", material="cast iron", home_grit="9 um", who="QE")
    assert not [line for line in found(store).remarks if "no material" in line]


def test_a_sister_is_named_where_cycles_of_hers_are_pooled_and_not_where_all_ran_under_another_grit(store):
    for lap in ("K1", "K2"):
        store.set_lap(lap, material="cast iron", group="plates", who="QE")
    at = datetime(2026, 6, 1, 6, tzinfo=UTC)
    store.append_face({"lap": "K1", "serial": "last", "time_utc": at, "minutes": 6.0, "grit": "9 um"}, who="Ann")
    store.append_face({"lap": "K2", "serial": "other", "time_utc": at, "minutes": 6.0, "grit": "3 um"}, who="Ann")
    assert found(store).laps == ("K1",)
    store.append_event({"lap": "K2", "event": "reconditioned", "time_utc": at + timedelta(hours=1)}, who="QE")
    store.append_face({"lap": "K2", "serial": "next", "time_utc": at + timedelta(hours=2), "grit": "9 um"}, who="Ann")
    assert found(store).laps == ("K1", "K2")


def test_costs_that_cannot_be_are_refused(store):
    with pytest.raises(ValueError, match="cost"):
        found(store, worn_cost=-1.0)
