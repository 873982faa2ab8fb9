"""A lap that is fresh: what the cycle before it showed is closed, whether its own faces were read or not."""

import numpy as np
import pandas as pd
import pytest

from spc.board.bow_signals import running_bow
from spc.board.cell_charts import chart_cell
from spc.board.cell_view import look_at_cell
from spc.board.lap_report import report_of
from spc.board.open_signals import open_signals
from spc.board.room_history import NO_ROOM, RoomOfLap, look_at_room
from spc.board.wear_report import wear_finding
from spc.chart.stream import SIGNS
from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.commands.planted_cell import PlantedCell, told

SITE = Settings(time_zone="UTC", date_order="ymd", decimal=".")
CYCLE, WORN = 30, 8  # faces
COLUMNS = {"flatness": "flatness um", "minutes": "minutes", "removal rate": "thickness after um", "finish": "Ra um"}
READINGS = ["minutes", "flatness um", "Ra um", "thickness before um", "thickness after um"]


def worn_log(*, blank=None, fresh=1, turning=False):
    """Four cycles, the last of which turns bad in every sign and is ended; then fresh faces, without one reading."""
    rng, at, rows = np.random.default_rng(12), pd.Timestamp("2026-03-02 06:00"), []

    def event():
        rows.append({"time": at - pd.Timedelta(minutes=20), "lap": "K1", "event": "reconditioned"})

    def face(age, bad, bow=None):
        nonlocal at
        minutes, up = 12 * np.exp(0.1 * rng.normal()), 3.0 if bad else 1.0
        size = up * 0.3 * np.exp(0.012 * age + 0.1 * rng.normal())
        values = minutes * up, size if bow is None else abs(bow), up * 0.1 * np.exp(0.1 * rng.normal()), 5000.0
        removed = 0.4 * minutes * np.exp(0.1 * rng.normal())
        row = {"time": at, "lap": "K1", "part": "P1", "serial": f"S{len(rows)}", "shape": "", "event": ""}
        row |= dict(zip(READINGS, [*values, 5000.0 - removed], strict=True))
        if bow is not None:
            row["shape"] = "convex" if bow > 0 else "concave"
        rows.append(row)
        at += pd.Timedelta(hours=1)

    for cycle in range(4):
        event()
        for age in range(CYCLE):
            bow = 0.5 - 0.03 * age + 0.02 * rng.normal() if turning and cycle == 3 else None
            face(age, bad=not turning and cycle == 3 and age >= CYCLE - WORN, bow=bow)
    begins = len(rows)
    event()
    for age in range(fresh):
        face(age, bad=False)
    log = pd.DataFrame(rows).round(dict.fromkeys(READINGS, 4))
    if blank is not None:
        log.loc[begins:, COLUMNS[blank]] = np.nan
    before = log.iloc[:begins]
    return tuple(each.assign(time=each["time"].dt.strftime("%Y-%m-%d %H:%M")) for each in (before, log))


def look(path, log):
    with Store.open(path) as store:
        taken = ingest(store, log.to_csv(index=False).encode(), name="l.csv", settings=SITE, who="Q")
        assert not taken.refused and not taken.quarantined, taken
        view = look_at_cell(store, SITE)
    return view, chart_cell(view)


@pytest.mark.parametrize("sign", SIGNS)
def test_a_reconditioning_closes_the_signals_of_a_sign_not_read_since(tmp_path, sign):
    worn, log = worn_log(blank=sign)
    view, cell = look(tmp_path / "worn.db", worn)
    assert sign in {s.sign for s in open_signals(view, cell, "K1")}
    view, cell = look(tmp_path / "fresh.db", log)
    chart = cell.charts["K1", sign]
    assert len(chart.replayed.stream) == 4 * CYCLE and not chart.replayed.stream.running().any()
    assert chart.sentence.startswith(f"trial limits from {4 * CYCLE} readings of earlier cycles")
    assert not open_signals(view, cell, "K1")
    report = report_of(view, cell, "K1", room=look_at_room(view, cell))
    assert (report.signals, report.unusual_wear, report.age_faces) == ((), "", 1)


def aside(view, faces):
    """The room moved while the last faces were read."""
    at = view.faces_of("K1")["sort_us"].to_numpy()[-faces:]
    stretch = ((int(at[0]), int(at[-1]) + 1),)
    return RoomOfLap(alarm="", beyond=False, aside=stretch, ended=stretch, unworn=stretch, shifts=(("today", "high"),))


def test_a_fresh_cycle_set_aside_whole_does_not_bring_the_one_before_back(tmp_path):
    worn, log = worn_log(fresh=5)
    view, cell = look(tmp_path / "worn.db", worn)
    assert wear_finding(view, cell, "K1")
    view, cell = look(tmp_path / "fresh.db", log)
    room = aside(view, 5)
    assert "flatness" not in {s.sign for s in open_signals(view, cell, "K1", room=room)}
    assert wear_finding(view, cell, "K1", room=room) == ""


def test_a_form_that_turned_before_a_reconditioning_is_not_turning_since(tmp_path):
    worn, log = worn_log(fresh=5, turning=True)
    view, _ = look(tmp_path / "worn.db", worn)

    assert running_bow(view, "K1", NO_ROOM).turning
    view, cell = look(tmp_path / "fresh.db", log)
    assert running_bow(view, "K1", aside(view, 5)).readings == 0


def twisted(lap, cycle, age, row):
    row["shape"] = "twist" if cycle == 4 else "convex"


def test_faces_that_twist_from_the_first_of_their_cycle_are_put_against_the_cycles_before(tmp_path):
    (signal,) = told(PlantedCell(3, fault=twisted, last=8).store(tmp_path), "due", "--lap", "L1")["signals"]
    assert signal["sentence"].startswith("L1: 8 of its last 8 faces read as twist, 0 of 96 before.")


def test_a_log_whose_only_form_is_twist_says_how_often_twist_is_called_falsely(tmp_path):
    def seldom(lap, cycle, age, row):
        row["shape"] = "twist" if age % 7 == 0 else ""

    path = PlantedCell(2, fault=seldom, cycles=2).store(tmp_path)
    assert "read as twist that have not" in told(path, "due")["false_calls"]


def again(lap, cycle, age, row):
    row["attempt"] = "2" if cycle == 4 and age >= 8 else "1"


@pytest.mark.parametrize("swapped", [False, True])
def test_faces_lapped_again_call_a_lap_in_use_and_none_that_rests_worn(tmp_path, swapped):
    cell = PlantedCell(3, fault=again)
    if swapped:
        cell.rows.append({"time": cell.rows[-1]["time"], "lap": "L1", "event": "swapped", "reason": "worn"})
    report = told(cell.store(tmp_path), "due", "--lap", "L1")
    assert (report["state"] == "resting") == swapped
    assert [s["sign"] for s in report["signals"]] == ([] if swapped else ["re-lap share"])


@pytest.mark.parametrize(
    ("last", "said"), [(20, "its last readings are all equal"), (0, "no reading of this cycle counts yet")]
)
def test_past_cycles_of_equal_readings_do_not_tell_how_a_lap_wears(tmp_path, last, said):
    def still(lap, cycle, age, row):
        row["flatness um"] = "0.5"

    report = told(PlantedCell(1, last=last, fault=still).store(tmp_path), "due", "--lap", "L1")
    sentence = report["sentence"]
    assert sentence.startswith("L1: the readings do not move. Check the reading") and said in sentence
    assert (report["faces_left"]["status"], report["faces_left"]["past_cycles"]) == ("refused", 4)


@pytest.mark.parametrize(("silent", "minutes"), [(0, 80.0), (4, 80.0), (5, None), (20, None)])
def test_minutes_that_are_not_logged_are_not_left_out_of_those_lapped(tmp_path, silent, minutes):
    def four(lap, cycle, age, row):
        row["minutes"] = "" if cycle == 4 and age < silent else "4"

    report = told(PlantedCell(1, fault=four).store(tmp_path), "due", "--lap", "L1")
    assert (report["age_faces"], report["age_minutes"]) == (20, minutes)


def test_a_lap_that_turns_and_twists_says_both_and_one_answer_settles_both(tmp_path):
    worn, _ = worn_log(turning=True)
    worn.loc[worn.index[-8:], "shape"] = "twist"
    view, cell = look(tmp_path / "both.db", worn)
    report = report_of(view, cell, "K1", room=look_at_room(view, cell))
    (form,) = [signal for signal in report.signals if signal.sign == "bow"]
    assert "the form has turned from convex to concave" in form.sentence
    assert "Beside it, 8 of its last 8 faces read as twist, 0 of 22 before. Look first at how" in form.sentence
    assert form.rule == "the form is turning, and the faces read as twist"
    assert form.since_faces == CYCLE - 1  # since the first reading, where the turn began: the earlier of the two
    with Store.open(tmp_path / "both.db") as store:
        number = store.record_signal(
            lap=form.lap, sign=form.sign, rule=form.rule, severity=form.severity, sentence=form.sentence,
            face_id=form.face_id, who="Q",
        )  # fmt: skip
        store.answer_signal(number, check_done="", cause="unknown", action="none", result="", who="Q")
        view = look_at_cell(store, SITE)
    cell = chart_cell(view)
    report = report_of(view, cell, "K1", room=look_at_room(view, cell))
    assert "bow" not in {signal.sign for signal in report.signals}
