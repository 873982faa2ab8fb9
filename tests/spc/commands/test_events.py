"""An event that did not happen is taken back by its number, and the clocks of wear go on without it."""

from tests.spc.commands.planted_cell import PlantedCell, run, told


def cycles(path):
    return [(one["faces"], one["life"]) for one in told(path, "age", "L1")["cycles"]]


def test_an_event_is_taken_back_and_does_not_come_again_with_its_log(tmp_path):
    """A reconditioning logged at the wrong lap, and one added by mistake."""
    path = PlantedCell(1, cycles=3, faces=20, last=12).store(tmp_path)
    assert cycles(path) == [(20, 1), (20, 1), (12, 1)]
    events = told(path, "events", "list")["events"]
    taken = told(path, "events", "take-back", str(events[1]["event_id"]), "--who", "QE", "--why", "another lap")
    assert (taken["event"], taken["time_text"]) == ("reconditioned", events[1]["time_text"])
    assert cycles(path) == [(40, 1), (12, 1)]
    again = told(path, "ingest", str(tmp_path / "log.csv"))
    assert again["accepted"] == 0 and cycles(path) == [(40, 1), (12, 1)]
    added = told(path, "events", "add", "L1", "re-faced", "--time", "2026-03-02 12:00", "--who", "Ann")
    assert len(cycles(path)) == 3
    said = run(path, "events", "take-back", str(added["event_id"]), "--who", "QE", "--why", "a slip").output
    assert said.startswith(f"Taken back: event {added['event_id']}, L1 re-faced 2026-03-02 12:00. It stays on record.")
    assert cycles(path) == [(40, 1), (12, 1)]
    gone = run(path, "events", "take-back", str(added["event_id"]), "--who", "QE", "--why", "a slip")
    assert gone.exit_code == 3 and "must be a current event" in gone.output
    assert run(path, "events", "take-back", "1").exit_code == 2
