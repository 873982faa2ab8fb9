"""Lives of cycles under one grit: a lap that has gone over to a finer grit wears at another pace. All made up."""

import shutil
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from spc.board.board import Board
from spc.board.cell_charts import chart_cell
from spc.board.cell_view import look_at_cell
from spc.board.lap_age import age_of_lap
from spc.board.lap_clocks import _unusable, clocks_of_lap
from spc.board.lap_memo import LapMemo
from spc.board.lap_paths import past_paths, running_cycle
from spc.board.lives import grit_to_come, grits_counted, lives_under, running_grit, sisters_of
from spc.board.room_history import NO_ROOM, look_at_room
from spc.board.study_age import planned_age
from spc.board.study_plan import StudyPlan
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.store.many_faces import append_faces
from tests.spc.wear.made_up_log import events_frame, faces_frame

COARSE, FINE = "15 um", "3 um"
ANY = frozenset()
SITE = Settings(time_zone="UTC", planned_cost=1.0, unplanned_cost=4.0)


@pytest.fixture(scope="module")
def store_path(tmp_path_factory):
    """Two sisters: six cycles of 30 faces under the coarse grit, then six of 10 under the fine one; one runs."""
    path = tmp_path_factory.mktemp("lives") / "cell.db"
    with Store.open(path) as store:
        for lap in ("R1", "R2"):
            store.set_lap(lap, material="cast iron", home_grit=COARSE, who="QE")
            at = datetime(2026, 2, 2, 6, tzinfo=UTC)
            for cycle in range(12):
                at += timedelta(minutes=10)
                store.append_event({"lap": lap, "event": "reconditioned", "time_utc": at, "reason": "worn"}, who="QE")
                grit, count = (COARSE, 30 + cycle % 3) if cycle < 6 else (FINE, 10 + cycle % 3)
                faces = []
                for number in range(4 if cycle == 11 else count):
                    at += timedelta(minutes=10)
                    face = {"lap": lap, "serial": f"{cycle}-{number}", "time_utc": at, "minutes": 6.0, "grit": grit}
                    faces.append(face | {"flatness_low_um": 0.1, "flatness_high_um": 0.2})
                append_faces(store, faces, who="Ann")
    return path


@pytest.fixture
def view(store_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    with Store.open(store_path) as store:
        yield look_at_cell(store, SITE)


def test_lives_are_those_under_the_running_grit(view):
    assert sisters_of(view, "R1") == ["R1", "R2"] and running_grit(view, "R1") == FINE
    lives = lives_under(view, ["R1", "R2"], frozenset({FINE}))
    assert set(lives["grit"]) == {FINE} and len(lives) == 12
    assert len(lives_under(view, ["R1", "R2"], ANY)) == 24


def test_the_age_of_least_cost_is_of_the_running_grit(view):
    room = look_at_room(view, chart_cell(view))
    found = age_of_lap(view, "R1", room=room, planned_cost=1.0, worn_cost=4.0)
    assert found.grit == FINE and found.plan.lifetimes.worn == 10
    assert 8 <= found.plan.age.age <= 13  # the worn cycles under it lasted 10 to 12 faces
    assert (
        found.remarks[0]
        == "These are the cycles under 3 um; 12 cycles under another grit, or under several, are not counted."
    )
    study = planned_age(view, StudyPlan("P1"), ["R1", "R2"])
    assert study.faces == pytest.approx(found.plan.age.age, abs=1.0) and "costs in the site's settings" in study.source


def test_clocks_are_compared_on_the_same_cycles(view):
    assert clocks_of_lap(view, "R1").cycles == 10


@pytest.mark.parametrize("row", [5, 2])
def test_in_a_log_of_dates_alone_the_rows_say_which_grit_came_last(row):
    faces = faces_frame([{"sort_us": 0, "grit": FINE, "row_number": n} for n in (1, 3, 4)])
    told = {"event": "grit changed", "grit": COARSE, "sort_us": 0, "intake_id": 1, "row_number": row}
    events = events_frame([told])
    view = SimpleNamespace(memo=LapMemo(), events_of=lambda lap: events, lapped_of=lambda lap: faces)
    assert (running_grit(view, "A"), grit_to_come(view, "A")) == ((COARSE, COARSE) if row == 5 else (FINE, ""))


def test_a_lap_without_a_face_runs_with_the_grit_that_its_log_names():
    faces, events = faces_frame([{}]).iloc[:0], [{"event": "grit changed", "grit": FINE, "sort_us": 1}]
    timeless = {"event": "grit changed", "grit": COARSE, "sort_us": 2, "time_text": "", "time_utc": pd.NaT}
    told = events_frame([*events, timeless])
    view = SimpleNamespace(memo=LapMemo(), events_of=lambda lap: told, lapped_of=lambda lap: faces)
    assert running_grit(view, "A") == grit_to_come(view, "A") == FINE


@pytest.mark.parametrize(("missing", "said"), [(0.3, "30% of the lappings"), (0.004, "some lappings"), (0.0, "some")])
def test_a_clock_left_out_says_how_much_it_misses(missing, said):
    rows = pd.DataFrame({"age_faces": [0.0, 1.0], "age_minutes": [0.0, np.nan], "age_minutes_missing": [0.0, missing]})
    assert _unusable("minutes", [rows]).startswith(said)


def test_laps_without_a_group_are_no_sisters_in_a_study_either(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    with Store.open(tmp_path / "cell.db") as store:
        for lap, count in (("A", 8), ("B", 40)):
            at = datetime(2026, 2, 2, 6, tzinfo=UTC)
            for cycle in range(8):
                store.append_event({"lap": lap, "event": "reconditioned", "time_utc": at, "reason": "worn"}, who="QE")
                faces = []
                for number in range(count + cycle % 3):
                    at += timedelta(minutes=10)
                    face = {"lap": lap, "serial": f"{cycle}-{number}", "time_utc": at, "minutes": 6.0, "grit": FINE}
                    faces.append(face | {"flatness_low_um": 0.1, "flatness_high_um": 0.2})
                append_faces(store, faces, who="Ann")
                at += timedelta(minutes=10)
        view = look_at_cell(store, SITE)
        no_costs = look_at_cell(store, Settings(time_zone="UTC", costs_fault="cell.toml: `costs` must be a table"))
    by_median = planned_age(no_costs, StudyPlan("P1"), ["A"]).source
    assert by_median.startswith("median age at which") and by_median.endswith("; cell.toml: `costs` must be a table")
    alone = planned_age(view, StudyPlan("P1"), ["A"])
    assert "costs in the site's settings" in alone.source and alone.faces < 12
    both = planned_age(view, StudyPlan("P1"), ["A", "B"])
    assert "median age at which these laps were reconditioned" in both.source and 8 < both.faces < 42


def test_a_change_of_grit_after_the_last_face_takes_the_forecast_with_it(store_path, tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    path = shutil.copy(store_path, tmp_path / "cell.db")
    with Store.open(path) as store:
        before = running_cycle(look_at_cell(store, SITE), "R1", NO_ROOM)
        assert before.grit == FINE and before.own.sizes.age.size == 4
        at = datetime(2026, 6, 1, 6, tzinfo=UTC)
        store.append_event({"lap": "R1", "event": "grit changed", "grit": COARSE, "time_utc": at}, who="Ann")
        view = look_at_cell(store, SITE)
        after = running_cycle(view, "R1", NO_ROOM)
        assert after.grit == running_grit(view, "R1") == COARSE and after.own.sizes.age.size == 0
        assert len(after.rows) == len(before.rows)  # the wear of the cycle is as old as it was
        ages = [path.age[-1] for path in past_paths(view, "R1", after.grit, float("nan")).sizes]
        assert len(ages) == 12 and min(ages) > 20  # cycles under the coarse grit, by their length
        again = {"lap": "R1", "serial": "11-3", "kind": "repeat", "time_utc": at.replace(minute=30), "grit": FINE}
        store.append_face(again | {"flatness_low_um": 0.1, "flatness_high_um": 0.2}, who="Bo")
        assert running_cycle(look_at_cell(store, SITE), "R1", NO_ROOM).grit == COARSE  # read again, not lapped
        face = {"lap": "R1", "serial": "new", "time_utc": at.replace(hour=7), "minutes": 6.0, "grit": COARSE}
        store.append_face(face | {"flatness_low_um": 0.1, "flatness_high_um": 0.2}, who="Ann")
        assert running_cycle(look_at_cell(store, SITE), "R1", NO_ROOM).own.sizes.age.size == 1


def test_a_lap_is_headed_by_the_grit_that_runs(store_path, tmp_path, monkeypatch):
    """Registered with the fine one: after a logged change it is told by the other, on faces without a grit too."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    path = shutil.copy(store_path, tmp_path / "cell.db")
    at = datetime(2026, 6, 1, 6, tzinfo=UTC)

    def report():
        return Board(path, SITE).lap("R1")

    with Store.open(path) as store:
        for spelled in ("3 mic", FINE):
            store.set_lap("R1", home_grit=spelled, who="QE")
            assert (report().grit, report().registered_grit) == (FINE, "")
        store.append_event({"lap": "R1", "event": "grit changed", "grit": COARSE, "time_utc": at}, who="Ann")
        for hour in (7, 8):
            told = report()
            assert (told.grit, told.registered_grit) == (COARSE, FINE)
            assert f"R1 runs with {COARSE}, and is registered with {FINE}." in told.data_health
            face = {"lap": "R1", "serial": f"new {hour}", "time_utc": at.replace(hour=hour), "minutes": 6.0}
            store.append_face(face | {"flatness_low_um": 0.1, "flatness_high_um": 0.2}, who="Ann")
        assert running_grit(look_at_cell(store, SITE), "R1") == COARSE
        store.append_face(face | {"serial": "named", "time_utc": at.replace(hour=9), "grit": FINE}, who="Ann")
    assert (report().grit, report().registered_grit) == (FINE, "")


def test_a_cycle_that_ran_with_two_grits_is_a_life_under_neither(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    with Store.open(tmp_path / "cell.db") as store:
        store.set_lap("R1", material="cast iron", home_grit=FINE, who="QE")
        at = datetime(2026, 2, 2, 6, tzinfo=UTC)
        for cycle in range(4):
            at += timedelta(minutes=10)
            store.append_event({"lap": "R1", "event": "reconditioned", "time_utc": at, "reason": "worn"}, who="QE")
            faces = []
            for number in range(12):
                at += timedelta(minutes=10)
                grit = COARSE if cycle == 1 and number < 6 else FINE
                face = {"lap": "R1", "serial": f"{cycle}-{number}", "time_utc": at, "minutes": 6.0, "grit": grit}
                faces.append(face | {"flatness_low_um": 0.1, "flatness_high_um": 0.2})
            append_faces(store, faces, who="Ann")
        view = look_at_cell(store, SITE)
    assert grits_counted(view, ["R1"], FINE) == {FINE}
    assert lives_under(view, ["R1"], frozenset({FINE}))["cycle"].tolist() == [1, 3, 4]
    assert lives_under(view, ["R1"], ANY)["cycle"].tolist() == [1, 2, 3, 4]


@pytest.mark.parametrize("running", [4, 9])  # faces of the running cycle: before its change of grit, and after
def test_cycles_that_each_go_through_two_grits_are_lives_of_both(running, tmp_path, monkeypatch):
    """Three cycles under the coarse grit, then six that change to the fine one after six faces, or wear out before."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    lasts = [30, 31, 32, 12, 13, 5, 14, 12, 15, running]
    with Store.open(tmp_path / "cell.db") as store:
        store.set_lap("R1", material="cast iron", home_grit=FINE, who="QE")
        at = datetime(2026, 2, 2, 6, tzinfo=UTC)
        for cycle, life in enumerate(lasts):
            at += timedelta(minutes=10)
            store.append_event({"lap": "R1", "event": "reconditioned", "time_utc": at, "reason": "worn"}, who="QE")
            faces = []
            for number in range(life):
                at += timedelta(minutes=10)
                grit = FINE if cycle > 2 and number >= 6 else COARSE
                face = {"lap": "R1", "serial": f"{cycle}-{number}", "time_utc": at, "minutes": 6.0, "grit": grit}
                faces.append(face | {"flatness_low_um": 0.1, "flatness_high_um": 0.2})
            append_faces(store, faces, who="Ann")
        view = look_at_cell(store, SITE)
    found = age_of_lap(view, "R1", room=look_at_room(view, chart_cell(view)), planned_cost=1.0, worn_cost=4.0)
    assert found.grit == "15 um and 3 um" and found.cycles["faces"].tolist() == lasts[3:]
    assert found.cycles["grit"].tolist()[:3] == ["15 um, 3 um", "15 um, 3 um", "15 um"]  # the third wore out before
    assert (found.plan.lifetimes.worn, found.plan.lifetimes.running) == (6, 1) and found.plan.fit.status == "fitted"
    ran = FINE if running > 6 else COARSE
    assert found.remarks[0] == (
        f"These cycles go through 15 um and 3 um, and too few ran with {ran} alone: a life is all faces from one "
        "reconditioning to the next, whichever grit ran. 3 cycles under others are not counted."
    )
    study = planned_age(view, StudyPlan("P1"), ["R1"])
    assert study.faces == pytest.approx(found.plan.age.age, abs=1.0) and "costs in the site's settings" in study.source


@pytest.fixture
def limited(tmp_path, monkeypatch):
    """A store with a limit of 0.6 um, and after how many faces the readings of eight cycles go over it."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    rng = np.random.default_rng(23)
    with Store.open(tmp_path / "cell.db") as store:
        store.set_limit("*", "flatness", upper_um=0.6, upper_text="0.6 um", who="QE")
        yield store, rng, rng.uniform(13, 19, 8)


@pytest.mark.parametrize(
    "said", [{"found_late": True}, {"reason": "worn"}, {}, {"planned": True}, {"reason": "any old words"}]
)
def test_a_life_ends_where_the_faces_went_over_their_limit_however_the_cycle_was_ended(said, limited):
    """Readings go over 0.6 um after 13 to 19 faces; the lap is reconditioned after 22 to 26."""
    store, rng, crossed = limited
    at = datetime(2026, 2, 2, 6, tzinfo=UTC)
    store.append_event({"lap": "R1", "event": "reconditioned", "time_utc": at, "planned": True}, who="QE")
    for cycle, life in enumerate(crossed):
        faces = []
        for number in range(int(rng.integers(22, 27))):
            at += timedelta(minutes=10)
            read = 0.2 + 0.4 * (number + 1) / life + rng.normal(0, 0.01)
            face = {"lap": "R1", "part": "P1", "serial": f"{cycle}-{number}", "time_utc": at, "minutes": 6.0}
            faces.append(face | {"flatness_low_um": read, "flatness_high_um": read})
        append_faces(store, faces, who="Ann")
        at += timedelta(minutes=10)
        store.append_event({"lap": "R1", "event": "reconditioned", "time_utc": at} | said, who="QE")
    view = look_at_cell(store, SITE)
    lives = lives_under(view, ["R1"], ANY).iloc[:8]
    assert lives["over_limit"].all()
    assert (lives["low_faces"] <= crossed + 1).all() and (crossed - 1 <= lives["high_faces"]).all()
    assert (lives["high_faces"] - lives["low_faces"] <= 3).all()
    found = age_of_lap(view, "R1", room=look_at_room(view, chart_cell(view)), planned_cost=1.0, worn_cost=4.0)
    assert found.plan.lifetimes.worn == 8 and found.plan.age.age < 16
    assert any(line.startswith("In 8 of the 8 cycles the faces read over their limit") for line in found.remarks)


def test_where_faces_are_lapped_until_they_are_good_a_life_ends_where_first_passes_went_over(limited):
    """As the faces left are told: the second pass puts every face right, and hides how worn the lap is."""
    store, rng, crossed = limited
    at = datetime(2026, 2, 2, 6, tzinfo=UTC)
    for cycle, life in enumerate(crossed):
        store.append_event({"lap": "R1", "event": "reconditioned", "time_utc": at, "planned": True}, who="QE")
        faces, age = [], 0
        for number in range(22):
            for attempt in (1, 2):
                at += timedelta(minutes=10)
                age += 1
                read = 0.2 + 0.4 * age / life + rng.normal(0, 0.01) if attempt == 1 else 0.5
                face = {"lap": "R1", "part": "P1", "serial": f"{cycle}-{number}", "time_utc": at, "minutes": 6.0}
                faces.append(face | {"attempt": attempt, "flatness_low_um": read, "flatness_high_um": read})
                if read < 0.6:
                    break
        append_faces(store, faces, who="Ann")
        at += timedelta(minutes=10)
    view = look_at_cell(store, SITE)
    lives = lives_under(view, ["R1"], ANY)
    assert lives["over_limit"].all() and lives["ended"].tolist() == ["planned"] * 7 + ["running"]
    assert (lives["low_faces"] <= crossed + 1).all() and (crossed - 1 <= lives["high_faces"]).all()
    assert (lives["high_faces"] - lives["low_faces"] <= 3).all()


def test_laps_that_do_not_last_alike_are_told_so_beside_the_age_of_all(tmp_path, monkeypatch):
    """Slow wears out after 40 to 46 faces, Fast after 10 to 14, New twice only: one age for all is far from any."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    lasts = {"Slow": [40 + n for n in range(7)], "Fast": [10 + n % 5 for n in range(7)], "New": [41, 44]}
    with Store.open(tmp_path / "cell.db") as store:
        for lap, lives in lasts.items():
            store.set_lap(lap, material="cast iron", home_grit=COARSE, who="QE")
            at = datetime(2026, 2, 2, 6, tzinfo=UTC)
            for cycle, life in enumerate(lives):
                at += timedelta(minutes=10)
                store.append_event({"lap": lap, "event": "reconditioned", "time_utc": at, "reason": "worn"}, who="QE")
                faces = []
                for number in range(life):
                    at += timedelta(minutes=10)
                    face = {"lap": lap, "serial": f"{cycle}-{number}", "time_utc": at, "minutes": 6.0, "grit": COARSE}
                    faces.append(face | {"flatness_low_um": 0.1, "flatness_high_um": 0.2})
                append_faces(store, faces, who="Ann")
            at += timedelta(minutes=10)
            store.append_event({"lap": lap, "event": "reconditioned", "time_utc": at, "reason": "worn"}, who="QE")
        view = look_at_cell(store, SITE)
    room = look_at_room(view, chart_cell(view))
    said = {lap: age_of_lap(view, lap, room=room, planned_cost=1.0, worn_cost=4.0).remarks[0] for lap in lasts}
    assert all(line.startswith("The cycles of these laps do not last alike (p ") for line in said.values())
    for lap, low, high in (("Slow", 30, 42), ("Fast", 6, 11)):
        least = float(said[lap].split("(least at ")[1].split(")")[0])
        assert f"By the cycles of {lap} alone: " in said[lap] and low <= least <= high
    told = "no age can be told: 2 of 2 cycles ended worn; a law of life needs at least 5 (between 41 and 44 faces)."
    assert said["New"].endswith(told)


def test_laps_that_last_alike_are_told_of_together(view):
    found = age_of_lap(view, "R1", room=look_at_room(view, chart_cell(view)), planned_cost=1.0, worn_cost=4.0)
    assert not [line for line in found.remarks if "last alike" in line]
