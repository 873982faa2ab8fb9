"""The list of laps by command: what an alias leaves behind, and when a state is said again."""

import pytest

from spc.store.store import Store
from tests.spc.commands.planted_cell import run, told

HEAD = "time,operator,lap,grit,minutes,flatness um,part,serial\n"
ROW = "2026-03-04 06:10,Ann,{lap},15 um,12,0.31,plate,{serial}\n"


def test_an_alias_says_which_faces_still_stand_under_what_was_typed(tmp_path):
    store, log = tmp_path / "lapcell.db", tmp_path / "log.csv"
    (tmp_path / "lapcell.toml").write_text("time_zone = 'Europe/Vienna'\n", encoding="utf-8")
    log.write_text(HEAD + ROW.format(lap="CI-1", serial="1") + ROW.format(lap="C1-1", serial="2"), encoding="utf-8")
    run(store, "ingest", str(log))
    said = run(store, "laps", "alias", "C1-1", "CI-1", "--who", "QE").output
    assert said.splitlines()[1] == "1 face taken in before still on C1-1: take in again log.csv."
    run(store, "ingest", str(log))
    again = told(store, "laps", "alias", "C1-1", "CI-1", "--who", "QE")
    assert (again["faces_as_typed"], again["files"]) == (0, [])
    assert len(told(store, "laps")["laps"]) == 1


def test_a_face_typed_under_another_name_goes_over_with_the_approval(tmp_path):
    """No file of it can be taken in again, and no screen corrects the lap of a face."""
    path, log = tmp_path / "lapcell.db", tmp_path / "log.csv"
    (tmp_path / "lapcell.toml").write_text("time_zone = 'Europe/Vienna'\n", encoding="utf-8")
    log.write_text(HEAD + ROW.format(lap="new", serial="1"), encoding="utf-8")
    run(path, "ingest", str(log))
    with Store.open(path) as store:
        row = store.faces(lap="new").iloc[0].to_dict()
        store.append_face(row | {"lap": "old", "serial": "2"}, who="Ann")
    said = run(path, "laps", "alias", "old", "new", "--who", "QE").output.splitlines()[1:]
    assert said == ["1 face typed in before: corrected, and on new now."]
    with Store.open(path) as store:
        assert store.faces(lap="new")["serial"].tolist() == ["1", "2"] and not len(store.faces(lap="old"))
        (edit,) = store.edits().to_dict("records")
    assert (edit["who"], edit["reason"]) == ("QE", "old is new") and "lap" in edit["differences"]
    assert told(path, "laps", "alias", "old", "new", "--who", "QE")["faces_moved"] == 0


def test_a_lap_renamed_twice_is_one_lap(tmp_path):
    store, log = tmp_path / "lapcell.db", tmp_path / "log.csv"
    (tmp_path / "lapcell.toml").write_text("time_zone = 'Europe/Vienna'\n", encoding="utf-8")
    names = ("first", "second", "third")
    log.write_text(HEAD + "".join(ROW.format(lap=lap, serial=at) for at, lap in enumerate(names)), encoding="utf-8")
    run(store, "ingest", str(log))
    run(store, "laps", "alias", "second", "third", "--who", "QE")
    said = run(store, "laps", "alias", "first", "second", "--who", "QE").output
    assert said.startswith("first is read as third; 0 rows left quarantine.")
    run(store, "ingest", str(log))
    listed = told(store, "laps")
    assert [one["lap"] for one in listed["laps"]] == ["third"]
    assert listed["aliases"] == {"first": "third", "second": "third"}


def test_an_alias_says_which_events_still_stand_under_what_was_typed_and_no_lap_is_left_of_it(tmp_path):
    store, log, done = tmp_path / "lapcell.db", tmp_path / "log.csv", tmp_path / "done.csv"
    (tmp_path / "lapcell.toml").write_text("time_zone = 'Europe/Vienna'\n", encoding="utf-8")
    head = HEAD.replace("grit", "material,grit")  # a log that says the material of a lap describes the lap by it
    rows = [ROW.format(lap=lap, serial=at).replace("15 um", "cast iron,15 um") for at, lap in enumerate(["new", "old"])]
    log.write_text(head + "".join(rows), encoding="utf-8")
    done.write_text("time,lap,event\n2026-03-03 14:00,old,reconditioned\n", encoding="utf-8")
    run(store, "ingest", str(log), str(done))
    run(store, "events", "add", "old", "cleaned", "--time", "2026-03-02 14:00", "--who", "QE")
    said = run(store, "laps", "alias", "old", "new", "--who", "QE").output.splitlines()[1:]
    assert said == [
        "1 face and 1 event taken in before still on old: take in again done.csv and log.csv.",
        "1 event typed in before still on old: take back and add again.",
    ]
    run(store, "ingest", str(log), str(done))
    again = told(store, "laps", "alias", "old", "new", "--who", "QE")
    assert (again["faces_as_typed"], again["events_as_typed"], again["files"]) == (0, 1, [])
    assert [one["lap"] for one in told(store, "laps")["laps"]] == ["new", "old"]  # an event still names it
    (typed_in,) = (one["event_id"] for one in told(store, "events")["events"] if one["lap"] == "old")
    run(store, "events", "take-back", str(typed_in), "--who", "QE", "--why", "another name")
    assert [one["lap"] for one in told(store, "laps")["laps"]] == ["new"]
    run(store, "laps", "set", "old", "--note", "a lap of its own after all", "--who", "QE")
    assert [one["lap"] for one in told(store, "laps")["laps"]] == ["new", "old"]


def test_a_register_taken_again_says_nothing_new_of_a_lap_and_a_person_does(tmp_path):
    store, register = tmp_path / "lapcell.db", tmp_path / "laps.csv"
    (tmp_path / "lapcell.toml").write_text("", encoding="utf-8")
    register.write_text("Lap;State\nCU-2;stand-by\n", encoding="utf-8")

    def written():
        return told(store, "laps")["laps"][0]["state_us"]

    run(store, "laps", "take", str(register))
    first = written()
    run(store, "laps", "take", str(register))
    assert written() == first > 0
    run(store, "laps", "set", "CU-2", "--state", "stand-by", "--who", "QE")
    assert written() > first


@pytest.mark.parametrize(
    ("listed", "cure"), [("", ()), ("[[lap]]\nname = 'CI-1'\n", ("laps", "set", "C1-1", "--who", "QE"))]
)
def test_an_alias_approved_by_mistake_is_taken_back_and_its_rows_go_back_too(tmp_path, listed, cure):
    path, log = tmp_path / "lapcell.db", tmp_path / "log.csv"
    (tmp_path / "lapcell.toml").write_text(f"time_zone = 'Europe/Vienna'\n{listed}", encoding="utf-8")
    log.write_text(HEAD + ROW.format(lap="CI-1", serial="1") + ROW.format(lap="C1-1", serial="2"), encoding="utf-8")
    run(path, "ingest", str(log))
    with Store.open(path) as store:
        row = store.faces(lap="CI-1").iloc[0].to_dict()
        store.append_face(row | {"lap": "C1-1", "serial": "9"}, who="Ann")
    run(path, "laps", "alias", "C1-1", "CI-1", "--who", "QE")
    run(path, "ingest", str(log))
    with Store.open(path) as store:
        assert sorted(store.faces(lap="CI-1")["serial"]) == ["1", "2", "9"]
    why = ("--who", "QE", "--why", "it is a plate of its own")
    back = told(path, "laps", "take-back", "C1-1", *why)
    assert back == {"typed": "C1-1", "lap": "CI-1", "faces_moved": 1}
    if cure:
        run(path, *cure)
    run(path, "ingest", str(log))
    with Store.open(path) as store:
        assert sorted(store.faces(lap="C1-1")["serial"]) == ["2", "9"] and store.aliases() == {}
        assert store.alias_history()["why"].tolist() == ["", "it is a plate of its own"]
    assert "is not read as another lap" in run(path, "laps", "take-back", "C1-1", *why).output
