"""A lap swapped out as worn, or retired, that is back with nothing logged is asked after; an invented cell."""

import re
from datetime import datetime, timedelta

import pytest

from tests.spc.commands.planted_cell import PlantedCell, run, told

OUT = "L1 was swapped out as worn at "
ASKED = "with no reconditioning logged between. Was it reconditioned? Say yes or no."


WORN = (1, "swapped", "--reason", "worn")
DAMAGED = (1, "retired", "--reason", "damaged")
BACK = (5, "returned")


@pytest.fixture
def back(tmp_path, monkeypatch, request):
    """Store of a lap that was swapped out as worn and returned, or as said; and how to lap three more faces on it."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    cell = PlantedCell(3)
    path = cell.store(tmp_path, limit="1.5 um")
    last = datetime.fromisoformat(cell.rows[-1]["time"])
    for minute, event, *more in getattr(request, "param", (WORN, BACK)):
        at = f"{last + timedelta(minutes=minute):%Y-%m-%d %H:%M}"
        assert run(path, "events", "add", "L1", event, "--time", at, *more, "--who", "Ann").exit_code == 0

    def lap_on(first=0.42):
        settings = tmp_path / "lapcell.toml"
        settings.write_text(
            re.sub("clock = .*", f"clock = {(last + timedelta(hours=1)).isoformat()}", settings.read_text())
        )
        rows = (
            f"{last + timedelta(minutes=20 + 10 * k):%Y-%m-%d %H:%M},Ann,L1,9 um,4.0,{first + 0.01 * k:.2f},P1,X{k}\n"
            for k in range(3)
        )
        (tmp_path / "more.csv").write_text("time,operator,lap,grit,minutes,flatness um,part,serial\n" + "".join(rows))
        assert told(path, "ingest", str(tmp_path / "more.csv"))["accepted"] == 3

    return path, lap_on


def asked(path):
    report = told(path, "due", "--lap", "L1")
    assert len(report["asked"]) == 1 and report["asked"][0] in report["signals"]
    (question,) = report["asked"]
    assert question["sentence"].startswith(OUT) and question["sentence"].endswith(ASKED)
    assert report["state"] in ("watch", "due") and question["sentence"] in report["sentence"]
    assert "wears as usual" not in report["sentence"] and report["next_step"] == "Say yes or no"
    assert report["faces_left"]["sentence"].startswith("If reconditioned then, ")
    return question, report


def answered(path, said):
    assert run(path, "answer", "L1", "--reconditioned", said, "--who", "Ann").exit_code < 2
    report = told(path, "due", "--lap", "L1")
    assert report["asked"] == [] and not report["faces_left"]["if_reconditioned"]
    return report


def taken_back(path):
    assert run(path, "answer", "L1", "--take-back", "--who", "Ann").exit_code < 2


def test_a_worn_lap_that_is_back_is_asked_after_before_it_laps(back):
    path, lap_on = back
    question, report = asked(path)
    assert " is back in use after face " in question["sentence"] and question["age_faces"] == 20
    assert report["faces_left"]["own_faces"] == 0
    assert answered(path, "yes")["age_faces"] == 0
    (event,) = (one for one in told(path, "events", "list")["events"] if one["note"].startswith("confirmed"))
    assert event["event"] == "reconditioned" and event["note"].endswith("the time is that of its return")
    taken_back(path)
    assert asked(path)[0] == question
    assert answered(path, "no")["age_faces"] == 20
    lap_on()
    assert told(path, "due", "--lap", "L1")["asked"] == []  # the answer holds for the faces that come


def test_a_worn_lap_that_laps_on_is_asked_after(back):
    path, lap_on = back
    lap_on()
    question, report = asked(path)
    assert " has lapped faces since, " in question["sentence"]
    assert (question["since_faces"], report["faces_left"]["own_faces"]) == (2, 3)
    assert answered(path, "no")["age_faces"] == 23
    taken_back(path)
    assert answered(path, "yes")["age_faces"] == 3


@pytest.mark.parametrize("back", [(WORN, BACK, (6, "swapped", "--reason", "worn"), (9, "returned"))], indirect=True)
def test_a_lap_that_went_out_twice_without_lapping_between_is_asked_after_once(back):
    path, lap_on = back
    assert asked(path)[1]["age_faces"] == 20
    lap_on()
    asked(path)
    assert answered(path, "no")["age_faces"] == 23


@pytest.mark.parametrize("back", [(DAMAGED,)], indirect=True)
def test_a_retired_lap_that_laps_on_is_asked_after_before_anything_is_foretold(back):
    path, lap_on = back
    assert told(path, "due", "--lap", "L1")["sentence"].startswith("L1 has been retired (damaged) since 2026-")
    lap_on()
    report = told(path, "due", "--lap", "L1")
    assert report["sentence"].startswith("L1 was retired (damaged) at ") and report["next_step"] == "Say yes or no"
    assert (report["state"], report["faces_left"]["status"]) == ("watch", "refused") and report["age_faces"] == 3
    assert answered(path, "no")["age_faces"] == 23
    assert "returned" in [event["event"] for event in told(path, "events", "list")["events"]]
    taken_back(path)
    report = told(path, "due", "--lap", "L1")
    assert (report["faces_left"]["status"], report["age_faces"]) == ("refused", 3)
    report = answered(path, "yes")
    assert (report["faces_left"]["status"], report["age_faces"]) == ("range", 3)


@pytest.mark.parametrize(("back", "count"), [((DAMAGED, BACK), 1), (((1, "retired"), BACK), 0)], indirect=["back"])
def test_a_retirement_taken_back_is_asked_after_where_the_lap_gave_the_reason(back, count):
    path, _ = back
    report = told(path, "due", "--lap", "L1")
    assert len(report["asked"]) == count == report["sentence"].count(" and is back in use after face ")
    assert report["age_faces"] == 20


def test_no_question_where_the_reconditioning_is_logged_or_the_swap_was_planned(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")

    def swaps(lap, cycle, age, row):
        if age == 10 and cycle in (2, 4):
            event = {"time": row["time"], "lap": lap, "reason": "planned" if cycle == 4 else "worn"}
            done = [{**event, "event": "reconditioned"}] * (cycle == 2)
            return [{**event, "event": "swapped"}, *done, {**event, "event": "returned"}]

    report = told(PlantedCell(3, fault=swaps).store(tmp_path, limit="1.5 um"), "due", "--lap", "L1")
    assert report["asked"] == []
