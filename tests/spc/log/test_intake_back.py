"""A log that says again what it said before, and an old copy of a log found elsewhere."""

import pytest

from spc.log import intake
from spc.log.intake import ingest
from spc.log.rereading import fix_quarantined
from spc.settings import Settings
from spc.store.store import Store

HEAD = "time,operator,lap,grit,part,serial,face,minutes,flatness (um),finish (um)\n"
ROWS = [f"2026-03-04 10:{n}0,Ann,CI-1,15 um,SP-1,{n},A,5,0.{n + 1},0.08\n" for n in range(4)]
LEAST = "operator,lap,grit,minutes,flatness (um),finish (um)\n"  # no serial number, no time
PLAIN = ["Ann,CI-1,15 um,5,0.1,0.08\n"] * 3 + ["Bob,CI-2,15 um,6,0.4,0.08\n"]
TIMED = [row.replace(f",SP-1,{n},A,", ",SP-1,,,") for n, row in enumerate(ROWS)]
LOGS = pytest.mark.parametrize(("head", "rows"), [(HEAD, ROWS), (HEAD, TIMED), (LEAST, PLAIN)])


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as opened:
        yield opened


def take(store, rows, *, head=HEAD, name="log.csv", settings=None, **options):
    data = (head + "".join(rows)).encode()
    result = ingest(store, data, name=name, settings=settings or Settings(), **options)
    told = (result.faces, result.repeats, result.events, result.quarantined, result.doubles)
    assert result.rows == sum(told) == len(rows)
    return result, told


def changed(rows, at=0, to="0.9"):
    cells = rows[at].split(",")
    cells[-2] = to
    return [*rows[:at], ",".join(cells), *rows[at + 1 :]]


def flatness(store):
    return store.faces()["flatness_text"].tolist()


@LOGS
@pytest.mark.parametrize("log", ["", "bench 1"])
def test_a_log_that_changes_back_is_followed(store, head, rows, log):
    take(store, rows, head=head, log=log)
    first = flatness(store)
    take(store, changed(rows), head=head, log=log)
    second = flatness(store)
    assert second == ["0.9", *first[1:]]
    for text, held in ((rows, first), (changed(rows), second), (rows, first)):
        result, told = take(store, text, head=head, log=log, who="Bob")
        assert told == (1, 0, 0, 0, 3) and result.new_versions == 1
        assert any("changed back" in remark for remark in result.remarks)
        assert flatness(store) == held
        revision = store.revision()
        result, told = take(store, text, head=head, log=log)
        assert told == (0, 0, 0, 0, 4) and "held already" in result.remarks[0]
        assert store.revision() == revision
    history = store.face_versions(1)
    assert history["flatness_text"].tolist() == [first[0], "0.9", first[0], "0.9", first[0]]
    assert history["reason"].tolist()[1:] == [*["changed back in log.csv"] * 3, ""]
    assert history["replaced_by"].tolist()[1:4] == ["Bob"] * 3


@LOGS
def test_an_old_copy_under_another_name_changes_nothing(store, head, rows):
    take(store, rows, head=head)
    newer, _ = take(store, changed(rows), head=head)
    revision, faces = store.revision(), store.faces()
    for settings in (Settings(), Settings(time_zone="Europe/Vienna")):
        result, told = take(store, rows, head=head, name="from a stick.csv", settings=settings)
        assert told == (0, 0, 0, 0, 4) and result.source == "log.csv"
        assert "older copy of the log 'log.csv'" in result.remarks[0]
        assert f"delivery {newer.intake_id} of 20" in result.remarks[0]
    assert store.revision() == revision and store.faces().equals(faces)
    result, _ = take(store, changed(rows), head=head, name="from another stick.csv")  # the newest text
    assert "held already" in result.remarks[0] and "older" not in result.remarks[0]


def test_a_change_back_within_a_grown_log_is_followed(store):
    take(store, ROWS[:3])
    take(store, changed(ROWS[:3]))
    result, told = take(store, ROWS)
    assert told == (2, 0, 0, 0, 2) and result.new_versions == 1
    assert flatness(store) == ["0.1", "0.2", "0.3", "0.4"]


@pytest.mark.parametrize("rows", [ROWS, TIMED])
def test_a_change_back_is_found_below_rows_that_were_put_in_and_taken_out(store, rows):
    take(store, rows[:2])
    take(store, changed([rows[2], *rows[:2]], at=1))
    result, told = take(store, rows[:2])
    assert told == (1, 0, 0, 0, 1) and result.new_versions == 1
    assert flatness(store) == ["0.1", "0.2", "0.3"]
    assert any("1 row held of this log is no longer in the file; kept" in remark for remark in result.remarks)


def test_a_least_log_that_changed_bit_by_bit_changes_back_whole(store):
    steps = [PLAIN, changed(PLAIN), changed(changed(PLAIN), 1, "0.8"), changed(changed(changed(PLAIN), 1, "0.8"), 3)]
    for rows in steps:
        result, _ = take(store, rows, head=LEAST)
    result, told = take(store, PLAIN, head=LEAST)  # only one row in four as the log says now
    assert told == (3, 0, 0, 0, 1) and (result.new_versions, result.source) == (3, "log.csv")
    assert flatness(store) == ["0.1", "0.1", "0.1", "0.4"]


def test_words_that_the_log_let_go_of_are_a_new_row_of_it(store):
    take(store, PLAIN, head=LEAST)
    take(store, changed(PLAIN), head=LEAST)
    _, told = take(store, [*changed(PLAIN), PLAIN[0]], head=LEAST)
    assert told == (1, 0, 0, 0, 4) and flatness(store) == ["0.9", "0.1", "0.1", "0.4", "0.1"]


def test_events_change_back_too(store):
    head = "time,lap,event,grit,operator\n"
    rows = ["2026-03-04 09:00,CI-1,recharged,15 um,Ann\n", "2026-03-04 12:00,CI-1,reconditioned,,Ann\n"]
    other = [rows[0], rows[1].replace("Ann", "Bob")]
    for text in (rows, other):
        take(store, text, head=head)
    for text, operators in ((rows, ["Ann", "Ann"]), (other, ["Ann", "Bob"])):
        result, told = take(store, text, head=head)
        assert told == (0, 0, 1, 0, 1) and result.new_versions == 1
        assert store.events()["operator"].tolist() == operators
    result, told = take(store, rows, head=head, name="copy.csv")
    assert told == (0, 0, 0, 0, 2) and "older copy" in result.remarks[0]
    store.withdraw_event(2, who="QE", reason="was not done")
    _, told = take(store, rows, head=head)
    assert told == (0, 0, 0, 0, 2) and len(store.events()) == 1


@LOGS
def test_a_correction_stands_when_another_row_changes_and_changes_back(store, head, rows):
    take(store, rows, head=head)
    store.correct_face(1, {"minutes": 8.0}, who="QE", reason="typo")
    for text in (changed(rows, 3), rows):
        result, told = take(store, text, head=head)
        assert told == (1, 0, 0, 0, 3) and result.new_versions == 1
        assert store.faces()["minutes"].tolist() == [8.0, 5.0, 5.0, store.faces()["minutes"][3]]


@LOGS
def test_a_correction_stands_again_when_the_row_it_was_about_does(store, head, rows):
    take(store, rows, head=head)
    store.correct_face(1, {"minutes": 8.0}, who="QE", reason="typo")
    for _ in range(2):
        take(store, changed(rows), head=head)
        assert (flatness(store)[0], store.faces()["minutes"][0]) == ("0.9", 5.0)  # the log itself said otherwise since
        result, told = take(store, rows, head=head, who="Bob")
        assert told == (1, 0, 0, 0, 3) and result.new_versions == 1
        assert (flatness(store)[0], store.faces()["minutes"][0]) == ("0.1", 8.0)
    history = store.face_versions(1)
    assert history["minutes"].tolist() == [5.0, 8.0, 5.0, 5.0, 8.0, 5.0, 5.0, 8.0]
    assert history["reason"][6] == "the same words again, so the correction stands, by QE: typo" == history["reason"][3]
    more = [*rows, rows[3].replace(",3,A", ",9,A").replace("10:3", "11:3")]
    _, told = take(store, more, head=head)
    assert told == (1, 0, 0, 0, 4) and store.faces()["minutes"][0] == 8.0


def test_a_row_that_a_person_withdrew_stays_withdrawn(store):
    take(store, ROWS)
    take(store, changed(ROWS))
    store.withdraw_face(1, who="QE", reason="not lapped")
    _, told = take(store, ROWS)
    assert told == (0, 0, 0, 0, 4) and store.faces()["serial"].tolist() == ["1", "2", "3"]


def test_a_fixed_row_stands_when_the_unreadable_text_comes_again(store):
    rows = changed(ROWS, 2, "?")
    take(store, rows)
    fix_quarantined(store, 1, ROWS[2].strip(), settings=Settings(), who="QE", reason="asked Ann")
    for text, first in ((changed(rows), "0.9"), (rows, "0.1")):
        _, told = take(store, text)
        assert told == (1, 0, 0, 0, 3)
        assert flatness(store) == [first, "0.2", "0.3", "0.4"]
    assert store.quarantine().empty


def test_a_file_known_by_its_bytes_is_not_read(store, monkeypatch):
    take(store, ROWS)
    take(store, changed(ROWS))
    monkeypatch.setattr(intake, "scan_log", None)
    result, told = take(store, changed(ROWS))
    assert told == (0, 0, 0, 0, 4) and "held already" in result.remarks[0]
    assert (result.dialect, result.columns) == (None, ())
    result, told = take(store, ROWS, name="copy.csv")
    assert told == (0, 0, 0, 0, 4) and "older copy" in result.remarks[0]
    for options in ({"settings": Settings(time_zone="Europe/Vienna")}, {"log": "another log"}):
        with pytest.raises(TypeError):  # it would be read: other settings, or a log that does not hold it
            take(store, changed(ROWS), **options)
