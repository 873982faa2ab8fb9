"""`lapcell answer`: an answer closes its signal, is counted, and the ranking learns from it."""

import json
from datetime import UTC, datetime

import pytest
from click.testing import CliRunner

from spc.cli import COULD_NOT, DONE
from spc.commands.answer import command as answer
from spc.commands.due import command as due
from spc.store.store import Store
from tests.spc.board.test_missing import LONG, log, take


@pytest.fixture
def store_path(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    with Store.open(tmp_path / "lapcell.db") as store:
        store.set_limit("*", "flatness", upper_um=0.3, who="QE")
        lapped(store, 0)
    return tmp_path / "lapcell.db"


def lapped(store, number):
    over = {"flatness_low_um": 0.4, "flatness_high_um": 0.6, "flatness_text": "0.5", "serial": f"S{number}"}
    at = datetime(2026, 3, 2, 8, 10 * number, tzinfo=UTC)
    store.append_face({"lap": "K1", "minutes": 9.0, "time_utc": at} | over, who="Ann")


def run(command, store_path, *arguments):
    return CliRunner().invoke(command, [*arguments, "--store", str(store_path)])


def causes(store_path):
    document = json.loads(run(due, store_path, "--lap", "K1", "--json").output)
    return {c["name"]: c for c in document["causes"]}


def test_the_ranking_learns_from_answers(store_path):
    first = causes(store_path)
    cause = list(first)[1]
    for number in range(4):
        outcome = run(answer, store_path, "K1", "--cause", cause, "--who", "Ann", "--json")
        assert outcome.exit_code == DONE, outcome.output
        kept = json.loads(outcome.output)
        assert kept["sign"] == "flatness" and kept["signal"]["rule"] == "a face over its limit"
        assert run(due, store_path, "--lap", "K1").exit_code == DONE  # the hold is lifted
        with Store.open(store_path) as store:
            lapped(store, number + 1)
        found = causes(store_path)[cause]
        assert f"{number + 1} of {number + 1}" in found["counted"]
    assert found["likelihood"] > first[cause]["likelihood"] + 0.1
    assert next(iter(causes(store_path))) == cause


def test_what_cannot_be_answered(store_path):
    outcome = run(answer, store_path, "K1", "--sign", "finish", "--cause", "not found", "--who", "Ann")
    assert outcome.exit_code == COULD_NOT and "no open signal of K1 in finish; open: flatness" in outcome.output
    run(answer, store_path, "K1", "--cause", "not found", "--who", "Ann")
    outcome = run(answer, store_path, "K1", "--cause", "not found", "--who", "Ann")
    assert outcome.exit_code == COULD_NOT and "no open signal of K1; open: none" in outcome.output


def test_a_slip_of_the_pen_is_taken_for_the_cause_and_other_words_are_said_to_be_something_else(store_path):
    outcome = run(answer, store_path, "K1", "--cause", "glased lap", "--who", "Ann")
    assert outcome.exit_code == DONE
    assert outcome.output == "Kept for K1, flatness: glazed lap (for 'glased lap'); none. Signed Ann.\n"
    run(answer, store_path, "K1", "--take-back", "--who", "Ann")
    outcome = run(answer, store_path, "K1", "--cause", "spilt paste", "--who", "Ann")
    assert outcome.exit_code == COULD_NOT and "must be one of: lap worn out of shape;" in outcome.output
    outcome = run(answer, store_path, "K1", "--cause", "something else: spilt paste", "--who", "Ann", "--json")
    assert json.loads(outcome.output)["cause"] == "something else: spilt paste"


def test_an_answer_is_for_a_lap_or_for_the_room(store_path):
    for asked in ((), ("K1", "--room")):
        outcome = run(answer, store_path, *asked, "--cause", "not found", "--who", "Ann")
        assert outcome.exit_code == COULD_NOT and "give one" in outcome.output
    outcome = run(answer, store_path, "--room", "--cause", "not found", "--who", "Ann")
    assert outcome.exit_code == COULD_NOT and "there is no room alarm in this shift" in outcome.output


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        (("--room", "--reconditioned", "yes"), "`--reconditioned` is asked of a lap: name it in place of `--room`"),
        (("K1", "--take-back", "--reconditioned", "no"), "`--take-back` and `--reconditioned` do not go together"),
        (("K1", "--cause", "not found", "--face", "1"), "`--face` says which question `--reconditioned` answers"),
        (("K1", "--reconditioned", "no", "--sign", "flatness"), "`--sign` says which signal `--cause` answers"),
    ],
)
def test_what_would_do_nothing_is_refused(store_path, asked, told):
    outcome = run(answer, store_path, *asked, "--who", "Ann")
    assert outcome.exit_code == COULD_NOT and told in outcome.output
    with Store.open(store_path) as store:
        assert store.reactions().empty


def test_a_bad_wipe_strikes_the_reading_out(store_path):
    assert run(answer, store_path, "K1", "--cause", "bad wipe", "--who", "Ann").exit_code == DONE
    document = json.loads(run(due, store_path, "--lap", "K1", "--json").output)
    assert document["signals"] == [] and document["state"] != "held"


def test_an_answer_about_a_grit_is_counted_at_the_next_one(store_path):
    """A grit is no sign that moves, and yet its answers must teach the ranking."""
    with Store.open(store_path) as store:
        store.set_limit("*", "flatness", upper_um=3.0, who="QE")
        for number, grit in enumerate((9.0, 9.0, 30.0)):
            face = {"flatness_low_um": 0.4, "flatness_high_um": 0.6, "flatness_text": "0.5", "serial": f"G{number}"}
            at = datetime(2026, 3, 2, 10, 10 * number, tzinfo=UTC)
            store.append_face({"lap": "K1", "grit": f"{grit:g} um", "grit_um": grit, "time_utc": at} | face, who="Ann")
    assert run(answer, store_path, "K1", "--cause", "coarse grain or contamination", "--who", "Ann").exit_code == DONE
    with Store.open(store_path) as store:
        for number, grit in enumerate((9.0, 60.0)):
            face = {"flatness_low_um": 0.4, "flatness_high_um": 0.6, "flatness_text": "0.5", "serial": f"H{number}"}
            at = datetime(2026, 3, 2, 11, 10 * number, tzinfo=UTC)
            store.append_face({"lap": "K1", "grit": f"{grit:g} um", "grit_um": grit, "time_utc": at} | face, who="Ann")
    assert causes(store_path)["coarse grain or contamination"]["counted"] == "found 1 of 1 times"


def test_a_mistaken_answer_is_taken_back(store_path):
    first = causes(store_path)
    cause = list(first)[1]
    run(answer, store_path, "K1", "--cause", cause, "--who", "Ann")
    outcome = run(answer, store_path, "K1", "--take-back", "--who", "Bob", "--why", "another lap")
    assert outcome.exit_code == DONE, outcome.output
    assert outcome.output.startswith(
        f"Taken back on K1, flatness: {cause}; none, signed Ann. Its signal is open again where it still stands."
    )
    document = json.loads(run(due, store_path, "--lap", "K1", "--json").output)
    assert document["state"] == "held" and {c["name"]: c for c in document["causes"]} == first
    with Store.open(store_path) as store:
        assert store.edits()[["kind", "who", "reason"]].values.tolist() == [["answer", "Bob", "another lap"]]


def test_what_cannot_be_taken_back(store_path):
    outcome = run(answer, store_path, "K1", "--take-back", "--who", "Ann")
    assert outcome.exit_code == COULD_NOT and "there is no answer on K1 to take back" in outcome.output
    run(answer, store_path, "K1", "--cause", "not found", "--who", "Ann")
    outcome = run(answer, store_path, "K1", "--take-back", "--sign", "finish", "--who", "Ann")
    assert outcome.exit_code == COULD_NOT and "there is no answer on K1 in finish to take back" in outcome.output
    outcome = run(answer, store_path, "K1", "--take-back", "--cause", "not found", "--who", "Ann")
    assert outcome.exit_code == COULD_NOT and "give one of the two" in outcome.output
    outcome = run(answer, store_path, "K1", "--who", "Ann")
    assert outcome.exit_code == COULD_NOT and "`--cause` must say what it was" in outcome.output
    kept = json.loads(run(answer, store_path, "K1", "--take-back", "--who", "Ann", "--json").output)
    assert kept == {"reaction": 1, "lap": "K1", "sign": "flatness", "cause": "not found", "event": ""}


@pytest.fixture
def left_out(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    path = tmp_path / "lapcell.db"
    take(path, log("K1", [LONG, LONG, 14]))
    return path


def test_whether_it_was_reconditioned_is_answered_in_the_terminal(left_out):
    shown = run(due, left_out, "--lap", "K1").output
    (newest, older) = json.loads(run(due, left_out, "--lap", "K1", "--json").output)["asked"]
    assert newest["sentence"] in shown.splitlines()[0]
    how = "lapcell answer K1 --reconditioned yes (or no)"
    assert f"One: {how} --face {newest['face_id']} --who NAME" in shown.splitlines()
    assert f"All 2 at once: {how} --all --who NAME" in shown.splitlines()
    assert all(f"  {one['face_id']}: {one['sentence']}" in shown.splitlines() for one in (newest, older))
    assert newest["sentence"] in run(due, left_out).output
    outcome = run(answer, left_out, "K1", "--reconditioned", "no", "--who", "Ann")
    assert outcome.exit_code == COULD_NOT and f"--face {older['face_id']}: K1 may have been" in outcome.output
    face = ("--face", str(newest["face_id"]))
    outcome = run(answer, left_out, "K1", "--reconditioned", "yes", *face, "--cause", "not found", "--who", "Ann")
    assert outcome.exit_code == COULD_NOT and "give one of the two" in outcome.output
    outcome = run(answer, left_out, "K1", "--cause", "not found", "--sign", "reconditioning", "--who", "Ann")
    assert outcome.exit_code == COULD_NOT and "`--reconditioned` must say yes or no" in outcome.output
    outcome = run(answer, left_out, "K1", "--reconditioned", "yes", *face, "--who", "Ann")
    assert outcome.exit_code == DONE, outcome.output
    assert f"K1 is logged as reconditioned at {newest['time_text']}. Signed Ann." in outcome.output
    kept = json.loads(run(answer, left_out, "K1", "--reconditioned", "no", "--who", "Ann", "--json").output)
    assert (kept["cause"], kept["signal"]["face_id"]) == ("not reconditioned", older["face_id"])
    assert json.loads(run(due, left_out, "--lap", "K1", "--json").output)["asked"] == []
    outcome = run(answer, left_out, "K1", "--reconditioned", "no", "--who", "Ann")
    assert outcome.exit_code == COULD_NOT and "no such question about K1 is open" in outcome.output
    outcome = run(answer, left_out, "K1", "--take-back", "--sign", "reconditioning", "--who", "Bob")
    assert "Taken back on K1, reconditioning: not reconditioned" in outcome.output
    assert [one["face_id"] for one in json.loads(run(due, left_out, "--lap", "K1", "--json").output)["asked"]] == [
        older["face_id"]
    ]


@pytest.mark.parametrize("which", ["--all", "--face"])
def test_all_questions_of_a_lap_are_answered_at_once(left_out, which):
    asked = json.loads(run(due, left_out, "--lap", "K1", "--json").output)["asked"]
    named = ["--all"] if which == "--all" else [word for one in asked for word in ("--face", str(one["face_id"]))]
    kept = json.loads(run(answer, left_out, "K1", "--reconditioned", "yes", *named, "--who", "Ann", "--json").output)
    assert [one["signal"]["face_id"] for one in kept["answers"]] == [one["face_id"] for one in reversed(asked)]
    after = json.loads(run(due, left_out, "--lap", "K1", "--json").output)
    assert after["asked"] == [] and after["age_faces"] == 14
    with Store.open(left_out) as store:
        at = [f"{text} UTC" for text in store.events()["time_text"]]
        assert at == [one["time_text"] for one in reversed(asked)]


def test_a_face_that_no_question_is_about_and_all_beside_a_face_are_refused(left_out):
    for named, told in ((("--face", "1"), "about K1 before face 1 is open; open: --face "), (("--all",), "")):
        outcome = run(answer, left_out, "K1", "--reconditioned", "no", *named, "--face", "3", "--who", "Ann")
        assert outcome.exit_code == COULD_NOT and (told or "give one of the two") in outcome.output
    with Store.open(left_out) as store:
        assert store.reactions().empty


def test_a_retired_lap_asks_in_its_own_report_and_not_in_the_list_of_the_shift(left_out):
    with Store.open(left_out) as store:
        at = datetime(2026, 3, 20, 8, 0, tzinfo=UTC)
        retired = {
            "lap": "K1",
            "event": "retired",
            "reason": "planned",
            "time_utc": at,
            "time_text": "2026-03-20 08:00",
        }
        store.append_event(retired, who="Lee")
    document = json.loads(run(due, left_out, "--json").output)
    assert document["asked"] == "" and not document["changed"]
    (lap,) = document["laps"]
    assert lap["state"] == "resting" and lap["signals"] == [] and len(lap["asked"]) == 2
    told = run(due, left_out).output
    assert "may have been reconditioned" not in told and "waits for a yes or no" not in told
    assert all(one["sentence"] in run(due, left_out, "--lap", "K1").output for one in lap["asked"])
    assert run(answer, left_out, "K1", "--reconditioned", "yes", "--all", "--who", "Ann").exit_code == DONE
    assert json.loads(run(due, left_out, "--lap", "K1", "--json").output)["asked"] == []
