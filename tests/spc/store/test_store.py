import numpy as np
import pandas as pd
import pytest

from spc.store.database import StoreError
from spc.store.frames import EVENTS, FACES, LAPS, LIMITS, QUARANTINE
from spc.store.store import Store
from spc.store.versions import ANOTHER_ATTEMPT

FACE = {
    "lap": "CI-1",
    "operator": "Ann",
    "grit": "15 um",
    "grit_um": 15.0,
    "part": "SP-1",
    "serial": "7",
    "minutes": 4.0,
    "flatness_low_um": 0.22,
    "flatness_high_um": 0.37,
    "flatness_text": "1",
    "flatness_unit": "band",
    "lamp": "helium",
    "thickness_low_um": 12000.5,
    "thickness_high_um": 12001.5,
    "thickness_text": "12.001 mm",
}


def at(text):
    return pd.Timestamp(text, tz="UTC")


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as opened:
        yield opened


def test_an_empty_store_gives_frames_with_every_column_and_type(store):
    for rows, columns in ((store.faces(), FACES), (store.events(), EVENTS), (store.laps(), LAPS)):
        assert {name: str(kind) for name, kind in rows.dtypes.items()} == columns
        assert rows.empty
    assert dict(store.limits().dtypes.astype(str)) == LIMITS
    assert dict(store.quarantine().dtypes.astype(str)) == QUARANTINE
    assert store.faces(last=500).empty and store.revision() == 0


def test_a_face_comes_back_as_it_went_in(store):
    face_id = store.append_face(FACE | {"time_utc": at("2026-03-04 10:00"), "scratch": True, "note": "öl"}, who="Ann")
    rows = store.faces()
    assert {name: str(kind) for name, kind in rows.dtypes.items()} == FACES
    row = rows.iloc[0]
    for name, value in FACE.items():
        assert row[name] == value
    assert (row["face_id"], row["kind"], row["attempt"], row["version"]) == (face_id, "face", 1, 1)
    assert (row["scratch"], row["note"], row["time_utc"]) == (True, "öl", at("2026-03-04 10:00"))
    assert row["sort_us"] == at("2026-03-04 10:00").value // 1000
    assert np.isnan([row["finish_low_um"], row["cutoff_mm"], row["coverage"], row["temperature_c"]]).all()


def test_load_area_and_speed_come_back_with_their_texts_and_can_be_corrected(store):
    said = {"load_n": 49.03325, "load_text": "5 kgf", "area_mm2": 800.0, "area_text": "8 cm²"}
    face_id = store.append_face(FACE | said, who="Ann")
    store.append_face(FACE | {"serial": "none of them"}, who="Ann")
    rows = store.faces()
    assert {name: rows[name].iloc[0] for name in said} == said
    assert np.isnan(rows["speed_m_per_s"]).all() and rows["speed_text"].tolist() == ["", ""]
    assert np.isnan(rows["load_n"].iloc[1]) and rows["load_text"].iloc[1] == ""
    store.correct_face(face_id, {"load_n": 60.0, "load_text": "60 N"}, who="Ann", reason="read wrongly")
    assert store.faces()[["load_n", "load_text"]].iloc[0].tolist() == [60.0, "60 N"]
    assert '"load_n": [49.03325, 60.0]' in store.edits()["differences"].iloc[0]


def test_an_open_ended_reading_and_a_time_without_zone_survive(store):
    store.append_face(
        {"lap": "CI-1", "flatness_low_um": 0.6, "flatness_high_um": np.inf, "flatness_text": "2+"}, who=""
    )
    row = store.faces().iloc[0]
    assert np.isposinf(row["flatness_high_um"]) and pd.isna(row["time_utc"])


def test_faces_are_chosen_by_lap_part_count_and_time(store):
    for minute in range(6):
        store.append_face(
            FACE | {"lap": f"CI-{minute % 2}", "serial": str(minute), "time_utc": at(f"2026-03-04 10:0{minute}")},
            who="A",
        )
    assert store.faces()["serial"].tolist() == list("012345")
    assert store.faces(lap="CI-1")["serial"].tolist() == list("135")
    assert store.faces(lap="CI-1", last=2)["serial"].tolist() == list("35")
    assert store.faces(last=4)["serial"].tolist() == list("2345")
    assert store.faces(last=0).empty and store.faces(lap="none").empty and store.faces(part="none").empty
    cut = at("2026-03-04 10:03").value // 1000
    assert store.faces(since_us=cut)["serial"].tolist() == list("345")
    assert store.faces(until_us=cut)["serial"].tolist() == list("012")
    assert store.faces(since_us=cut, until_us=cut + 1, part="SP-1")["serial"].tolist() == ["3"]
    with pytest.raises(ValueError, match="`last` must be 0 or more"):
        store.faces(last=-1)


def test_the_newest_moment_of_a_lap_is_that_of_a_row_that_still_stands(store):
    assert store.newest_us("CI-1") is None
    store.append_face(FACE | {"time_utc": at("2026-03-04 10:00")}, who="Ann")
    late = store.append_face(FACE | {"time_utc": at("2026-03-04 11:00"), "serial": "8"}, who="Ann")
    store.append_face(FACE | {"time_utc": at("2026-03-04 12:00"), "lap": "CI-2"}, who="Ann")
    faces = store.faces(lap="CI-1")
    assert store.newest_us("CI-1") == faces["sort_us"].max()
    event = store.append_event({"lap": "CI-1", "event": "recharged", "time_utc": at("2026-03-04 11:30")}, who="Ann")
    assert store.newest_us("CI-1") == store.events(lap="CI-1")["sort_us"].max() > faces["sort_us"].max()
    store.withdraw_event(event, who="Ann", reason="wrong lap")
    store.withdraw_face(late, who="Ann", reason="wrong lap")
    assert store.newest_us("CI-1") == faces["sort_us"].min()


def test_a_double_within_minutes_is_one_and_changes_nothing(store):
    first = store.append_face(FACE | {"time_utc": at("2026-03-04 10:00")}, who="Ann")
    revision = store.revision()
    assert store.append_face(FACE | {"time_utc": at("2026-03-04 10:06")}, who="Ann", source="tablet") == first
    assert store.revision() == revision and len(store.faces()) == 1


def test_another_reader_of_the_same_face_is_a_repeat_even_with_the_same_value(store):
    store.append_face(FACE | {"time_utc": at("2026-03-04 10:00")}, who="Ann")
    store.append_face(FACE | {"time_utc": at("2026-03-04 10:06"), "operator": "Bob"}, who="Bob")
    assert store.faces()["kind"].tolist() == ["face", "repeat"]


@pytest.mark.parametrize(
    ("first", "second", "kinds", "attempts"),
    [
        (
            {},
            {"time_utc": at("2026-03-04 10:20"), "flatness_text": "2", "flatness_high_um": 0.7},
            "face repeat",
            [1, 1],
        ),
        ({"outcome": "re-lap"}, {"time_utc": at("2026-03-04 10:20"), "flatness_text": "2"}, "face face", [1, 2]),
        ({}, {"time_utc": at("2026-03-04 10:20"), "minutes": 9.0}, "face face", [1, 2]),
        ({}, {"time_utc": at("2026-03-04 10:05"), "minutes": 9.0}, "face repeat", [1, 1]),
        ({}, {"time_utc": at("2026-03-05 10:00")}, "face face", [1, 1]),
        ({}, {"time_utc": at("2026-03-05 10:00"), "minutes": np.nan}, "face repeat", [1, 1]),
        ({}, {"time_utc": at("2026-03-04 10:20"), "attempt": 3}, "face face", [1, 3]),
        ({}, {"time_utc": at("2026-03-05 10:00"), "attempt": 1}, "face face", [1, 1]),
        ({"attempt": 1}, {"time_utc": at("2026-03-05 10:00")}, "face face", [1, 1]),
        ({"attempt": 2}, {"time_utc": at("2026-03-05 10:00"), "attempt": 2}, "face face", [2, 2]),
        ({"outcome": "re-lap"}, {"time_utc": at("2026-03-04 10:20"), "attempt": 1}, "face face", [1, 1]),
        ({}, {"time_utc": at("2026-03-04 10:20"), "attempt": 1, "flatness_text": "2"}, "face repeat", [1, 1]),
        ({}, {"time_utc": at("2026-03-04 10:20"), "lap": "CI-2"}, "face face", [1, 1]),
        ({}, {"time_utc": at("2026-03-04 10:20"), "face": "B"}, "face face", [1, 1]),
    ],
)
def test_a_second_row_of_one_serial_is_a_repeat_or_lapped_again(store, first, second, kinds, attempts):
    store.append_face(FACE | {"time_utc": at("2026-03-04 10:00")} | first, who="Ann")
    store.append_face(FACE | second, who="Ann")
    rows = store.faces()
    assert rows["kind"].tolist() == kinds.split()
    assert rows["attempt"].tolist() == attempts
    counted = len(attempts) > 1 and "attempt" not in second and attempts[1] == 2
    assert [ANOTHER_ATTEMPT in said for said in rows["remarks"]] == [False, counted]


def test_an_attempt_is_counted_since_the_first_one_that_a_log_says(store):
    for hour, said in ((1, {"attempt": 1}), (2, {}), (3, {"attempt": 1}), (4, {}), (5, {})):
        lapped = {"time_utc": at(f"2026-03-04 {hour:02d}:00"), "minutes": 5.0 + hour}
        store.append_face(FACE | lapped | said, who="Ann")
    store.correct_face(1, {"minutes": 9.0}, who="QE", reason="misread")
    store.append_face(FACE | {"time_utc": at("2026-03-04 06:00"), "minutes": 11.0}, who="Ann")
    assert store.faces()["attempt"].tolist() == [1, 2, 1, 2, 3, 4]


def test_an_attempt_that_a_person_says_is_counted_no_more(store):
    for hour in (1, 2):
        store.append_face(FACE | {"time_utc": at(f"2026-03-04 {hour:02d}:00"), "minutes": 5.0 + hour}, who="Ann")
    store.correct_face(2, {"minutes": 9.0}, who="QE", reason="misread")
    assert store.faces()["attempt"].tolist() == [1, 2] and ANOTHER_ATTEMPT in store.faces()["remarks"][1]
    store.correct_face(2, {"attempt": 1}, who="QE", reason="the serial number was used again")
    assert store.faces()["attempt"].tolist() == [1, 1] and store.faces()["remarks"].tolist() == ["", ""]


def test_a_correction_keeps_the_old_version_and_says_what_it_had_set_off(store):
    face_id = store.append_face(FACE | {"time_utc": at("2026-03-04 10:00")}, who="Ann")
    store.set_limit("*", "flatness", upper_um=5.0, who="QE")
    store.set_limit("SP-1", "flatness", upper_um=0.2, upper_text="0.2 um", who="QE")
    signal = store.record_signal(
        lap="CI-1",
        sign="flatness",
        rule="one face beyond its chart limit",
        severity="stop",
        sentence="...",
        face_id=face_id,
    )
    change = {"flatness_low_um": 0.07, "flatness_high_um": 0.22, "flatness_text": "0.5"}
    assert store.correct_face(face_id, change, who="QE", reason="typed wrong") == 2
    assert store.faces()["flatness_text"].tolist() == ["0.5"]
    old, new = store.face_versions(face_id).to_dict("records")
    assert (old["flatness_text"], old["replaced_by"], old["reason"]) == ("1", "QE", "typed wrong")
    assert '"flatness_text": ["1", "0.5"]' in old["differences"]
    assert "edited after a signal: one face beyond its chart limit" in old["edited_after"]
    assert "edited after flatness 1 was over its limit of 0.2 um" in old["edited_after"]
    assert new["replaced_by"] == "" and signal == 1
    with pytest.raises(StoreError, match="must differ"):
        store.correct_face(face_id, change, who="QE", reason="again")
    with pytest.raises(StoreError, match="who and why must be said"):
        store.correct_face(face_id, {"minutes": 9.0}, who="QE", reason=" ")
    with pytest.raises(StoreError, match="`face_id` must be a stored face, got 99"):
        store.correct_face(99, {"minutes": 9.0}, who="QE", reason="x")
    with pytest.raises(StoreError, match="columns of a face that can change, got sort_us"):
        store.correct_face(face_id, {"sort_us": 1}, who="QE", reason="x")


def test_a_face_can_be_taken_back_and_stays_on_record(store):
    first = store.append_face(FACE | {"serial": "S1", "time_utc": at("2026-03-04 10:00")}, who="Ann")
    store.correct_face(first, {"minutes": 6.0}, who="Ann", reason="misread")
    before = store.revision()
    store.withdraw_face(first, who="Ann", reason="undone at the form")
    assert store.faces().empty and store.faces(lap="CI-1", last=5).empty and store.revision() > before
    versions = store.face_versions(first)
    assert len(versions) == 2 and versions["reason"].tolist() == ["misread", "undone at the form"]
    again = store.append_face(FACE | {"serial": "S1", "time_utc": at("2026-03-04 10:02")}, who="Ann")
    assert store.faces()[["face_id", "kind", "attempt"]].values.tolist() == [[again, "face", 1]]  # no repeat of it
    with pytest.raises(StoreError, match="was taken back"):
        store.withdraw_face(first, who="Ann", reason="twice")
    with pytest.raises(StoreError, match="was taken back"):
        store.correct_face(first, {"minutes": 9.0}, who="Ann", reason="late")
    with pytest.raises(StoreError, match="`face_id` must be a stored face, got 99"):
        store.withdraw_face(99, who="Ann", reason="x")
    with pytest.raises(StoreError, match="who and why must be said"):
        store.withdraw_face(again, who="Ann", reason=" ")


def test_an_event_can_be_withdrawn_and_stays_on_record(store):
    first = store.append_event({"lap": "CI-1", "event": "recharged", "planned": True}, who="Ann")
    store.append_event({"lap": "CI-2", "event": "reconditioned", "found_late": True}, who="Ann")
    assert store.events(lap="CI-1")["planned"].tolist() == [True]
    assert store.events(lap="CI-2")["planned"].tolist() == [None]
    store.withdraw_event(first, who="QE", reason="not done")
    assert store.events()["lap"].tolist() == ["CI-2"]
    with pytest.raises(StoreError, match="`event_id` must be a current event"):
        store.withdraw_event(first, who="QE", reason="not done")
    assert store.connection.execute("SELECT count(*) FROM event").fetchone() == (2,)


def test_forms_refuse_what_makes_no_face_and_no_event(store):
    with pytest.raises(StoreError, match="`lap` must be given"):
        store.append_face({"minutes": 3.0}, who="Ann")
    with pytest.raises(StoreError, match="`event` must be one of charged"):
        store.append_event({"lap": "CI-1", "event": "sung to"}, who="Ann")
    with pytest.raises(StoreError, match="columns must be among .* got colour"):
        store.append_face({"lap": "CI-1", "colour": "red"}, who="Ann")
    with pytest.raises(StoreError, match="`time_utc` must carry its zone"):
        store.append_face({"lap": "CI-1", "time_utc": pd.Timestamp("2026-03-04")}, who="Ann")
    assert store.revision() == 0 and store.intakes().empty


def test_a_transaction_that_fails_keeps_nothing(store):
    with pytest.raises(RuntimeError), store.writing(who="Ann", what="two things"):
        store.append_face(FACE, who="Ann")
        raise RuntimeError
    assert store.faces().empty and store.revision() == 0
    store.append_face(FACE, who="Ann")  # remembered numbers of the lost transaction must not be used
    assert store.faces()["lap"].tolist() == ["CI-1"]


def test_what_is_typed_into_a_form_counts_as_its_delivery(store):
    face_id = store.append_face(FACE | {"serial": "S1"}, who="Ann")
    store.append_face(FACE | {"kind": "repeat", "serial": "S2"}, who="Ann")
    for event in ("charged", "cleaned"):
        store.append_event({"lap": "CI-1", "event": event}, who="Bo", source="command line")
    store.correct_face(face_id, {"minutes": 5.0}, who="Ann", reason="typo")  # no row of the form
    told = store.intakes()[["name", "who", "rows", "faces", "repeats", "events"]]
    assert told.to_numpy().tolist() == [["form", "Ann", 2, 1, 1, 0], ["command line", "Bo", 2, 0, 0, 2]]
    assert store.intakes()["rows"].dtype == "int64"


def test_health_counts_current_rows(store):
    face_id = store.append_face(FACE | {"time_utc": at("2026-03-04 10:00")}, who="Ann")
    store.correct_face(face_id, {"minutes": 5.0}, who="QE", reason="typo")
    health = store.health()
    assert (health["faces"], health["events"], health["laps"], health["check"]) == (1, 0, 1, "ok")
    assert health["newest_face_us"] == at("2026-03-04 10:00").value // 1000


def test_the_newest_face_is_not_one_that_was_corrected_or_taken_back(store):
    face_id = store.append_face(FACE | {"serial": "S1", "time_utc": at("2026-11-04 10:00")}, who="Ann")
    gone = store.append_face(FACE | {"serial": "S2", "time_utc": at("2026-12-04 10:00")}, who="Ann")
    store.correct_face(face_id, {"time_utc": at("2026-03-04 10:00")}, who="QE", reason="typo")
    store.withdraw_face(gone, who="QE", reason="not lapped")
    assert store.health()["newest_face_us"] == at("2026-03-04 10:00").value // 1000


def test_a_limit_that_is_not_in_force_yet_was_passed_by_no_reading(store):
    store.set_limit("*", "flatness", upper_um=0.001, who="QE", valid_from="2999-01-01")
    face_id = store.append_face(FACE | {"flatness_low_um": 0.2, "flatness_high_um": 0.4}, who="Ann")
    store.correct_face(face_id, {"minutes": 6.0}, who="QE", reason="misread")
    assert store.edits()["edited_after"].tolist() == [""]


def test_edits_are_listed_newest_first_and_those_after_a_signal_apart(store):
    first = store.append_face(FACE | {"serial": "S1", "time_utc": at("2026-03-04 10:00")}, who="Ann")
    second = store.append_face(FACE | {"serial": "S2", "time_utc": at("2026-03-04 10:10")}, who="Ann")
    event = store.append_event({"lap": "CI-2", "event": "recharged"}, who="Ann")
    assert store.edits().empty and store.edits(after_signal=True).empty
    store.record_signal(lap="CI-1", sign="flatness", rule="far out", severity="look", sentence="...", face_id=second)
    store.correct_face(first, {"minutes": 6.0}, who="QE", reason="misread")
    store.correct_face(second, {"minutes": 7.0}, who="QE", reason="later")
    store.withdraw_event(event, who="QE", reason="not done")
    told = store.edits()[["kind", "id", "lap", "who", "reason", "withdrawn"]].values.tolist()
    assert told == [
        ["event", event, "CI-2", "QE", "not done", True],
        ["face", second, "CI-1", "QE", "later", False],
        ["face", first, "CI-1", "QE", "misread", False],
    ]
    after = store.edits(after_signal=True)
    assert after["id"].tolist() == [second] and after["edited_after"].iloc[0] == "edited after a signal: far out"
    assert store.edits(last=1)["reason"].tolist() == ["not done"]


def test_an_event_taken_back_is_logged_when_it_is_typed_once_more(store):
    """At a clock that stands still the second one says the very same; the first never happened."""
    event = {"lap": "CI-1", "event": "recharged", "time_utc": at("2026-03-04 10:00")}
    first = store.append_event(event, who="Ann")
    assert store.append_event(event, who="Ann") == first
    store.withdraw_event(first, who="Ann", reason="undone")
    again = store.append_event(event, who="Ann")
    assert again != first and store.events()["event_id"].tolist() == [again]
