"""The list of laps by command: what an alias leaves behind, and when a state is said again."""

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
