"""What a log says of the attempt stands; only where none said one is it counted, and a remark says so."""

import pytest

from spc.log.columns import ColumnMap, load_column_map
from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store

HEAD = "time,operator,lap,grit,part,serial,face,minutes,flatness (um),finish (um),attempt\n"
ROW = "{time},Ann,CI-1,15 um,SP-1,{serial},A,{minutes},0.3,0.08,{attempt}\n"
SITE = Settings(time_zone="Europe/Vienna")
COUNTED = "counted as another attempt: other minutes, which fit between the two times"
ANOTHER_PART = "counted as another part: the same serial number, more than 12 hours later"


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as opened:
        yield opened


def log(*attempts, minutes=5, serial="7"):
    """Write a row every two hours, all of one serial number, each with a minute more."""
    return [
        ROW.format(time=f"2026-03-01 {8 + 2 * n:02d}:00", attempt=said, minutes=minutes + n, serial=serial)
        for n, said in enumerate(attempts)
    ]


def take(store, rows, *, settings=SITE, name="log.csv"):
    result = ingest(store, (HEAD + "".join(rows)).encode(), name=name, settings=settings)
    return result.faces, result.repeats, result.doubles, result.new_versions


def attempts(store):
    faces = store.faces()
    return faces["attempt"].tolist(), [COUNTED in said for said in faces["remarks"]]


@pytest.mark.parametrize("apart", [False, True])
@pytest.mark.parametrize(
    ("said", "told", "counted"),
    [
        (("1", "1"), [1, 1], [False, False]),
        (("1", "2", "1", "2"), [1, 2, 1, 2], [False] * 4),
        (("2", "2"), [2, 2], [False, False]),
        (("", ""), [1, 2], [False, True]),
        (("", "1"), [1, 1], [False, False]),
        (("1", ""), [1, 2], [False, True]),
        (("1", "", "1", "", "-"), [1, 2, 1, 2, 3], [False, True, False, True, True]),
    ],
)
def test_an_attempt_that_the_log_says_stands_and_one_that_it_does_not_is_counted(store, said, told, counted, apart):
    rows = log(*said)
    if apart:  # the log grows row by row, beside rows of other faces
        other = log("1", serial="8")
        for count in range(1, len(rows) + 1):
            take(store, [*other, *rows[:count]])
        store_rows = store.faces()[store.faces()["serial"] == "7"]
        assert store_rows["attempt"].tolist() == told
    else:
        assert take(store, rows) == (len(rows), 0, 0, 0)
        assert attempts(store) == (told, counted)
    total = len(store.faces())
    assert take(store, rows, name="copy.csv") == (0, 0, len(rows), 0) and len(store.faces()) == total


def test_an_attempt_that_a_delivery_corrects_is_a_new_version_and_no_new_row(store):
    take(store, log("", "", ""))
    assert attempts(store) == ([1, 2, 3], [False, True, True])
    assert take(store, log("", "1", "")) == (1, 0, 2, 1)
    assert attempts(store) == ([1, 1, 3], [False, False, True])
    assert take(store, log("", "1", "2")) == (1, 0, 2, 1)
    assert attempts(store) == ([1, 1, 2], [False] * 3)
    assert '"attempt": [3, 2]' in store.edits()["differences"][0]
    assert take(store, log("", "1", "2")) == (0, 0, 3, 0)


def test_other_words_of_a_row_leave_its_attempt_as_it_was_counted(store):
    take(store, log("1", ""))
    assert take(store, log("1", "", minutes=6)) == (2, 0, 0, 2)
    assert attempts(store) == ([1, 2], [False, True])
    result = take(store, log("1", "", minutes=6), settings=Settings(time_zone="Europe/London"))
    assert result == (2, 0, 0, 2) and attempts(store) == ([1, 2], [False, True])


@pytest.mark.parametrize("said", ["1", "2"])
def test_what_the_log_says_replaces_the_count_of_a_face_typed_into_a_form(store, said):
    face = {"lap": "CI-1", "part": "SP-1", "serial": "7", "face": "A", "minutes": 6.0, "operator": "Ann"}
    take(store, log("1"))
    known = {name: store.faces()[name][0] for name in store.faces() if name.startswith(("flatness_", "finish_"))}
    store.append_face(face | known | {"time_utc": "2026-03-01T09:02:00Z"}, who="Ann")
    assert attempts(store) == ([1, 2], [False, True])
    assert take(store, log("1", said)) == (1, 0, 1, 1)
    assert attempts(store) == ([1, int(said)], [False, False]) and store.faces()["kind"].tolist() == ["face", "face"]
    assert store.edits()["reason"].tolist() == ["the attempt as a log says it"]
    assert store.edits()["differences"][0] != "{}"
    assert take(store, log("1", said)) == (0, 0, 2, 0)
    assert take(store, log("1", said), name="copy.csv") == (0, 0, 2, 0)


def test_serial_numbers_that_begin_anew_every_day_are_of_other_parts(store):
    """A running number of the day, in a log without attempts: nothing says that the faces were lapped again."""
    rows = [
        ROW.format(time=f"2026-03-{day:02d} {8 + n:02d}:00", attempt="", minutes=minutes, serial=n)
        for day in (2, 3, 4)
        for n, minutes in ((1, 5), (2, 5))
    ]
    result = ingest(store, (HEAD + "".join(rows)).encode(), name="log.csv", settings=SITE)
    assert (result.faces, result.repeats, store.faces()["attempt"].tolist()) == (6, 0, [1] * 6)
    assert [ANOTHER_PART in said for said in store.faces()["remarks"]] == [False] * 2 + [True] * 4
    assert any(said.startswith("4 faces have serial numbers that others had") for said in result.remarks)
    assert take(store, rows, name="copy.csv") == (0, 0, 6, 0)


@pytest.mark.parametrize("minutes", [5, ""])
def test_a_file_of_days_before_that_comes_later_holds_faces_too(store, minutes):
    """The older month comes last: its rows are no second readings of the numbers that came again after them."""
    days = [ROW.format(time=f"2026-03-{day:02d} 08:00", attempt="", minutes=minutes, serial="1") for day in (2, 3, 4)]
    assert take(store, days[1:], name="new.csv") == (2, 0, 0, 0)
    assert take(store, days[:1], name="old.csv") == (1, 0, 0, 0)
    assert store.faces()["attempt"].tolist() == [1, 1, 1]
    again = days[0].replace("08:00", "08:20").replace(f"A,{minutes},", "A,,")
    assert take(store, [again], name="again.csv") == (0, 1, 0, 0)


def test_serial_numbers_that_begin_anew_in_a_log_without_minutes_are_no_second_readings(store):
    rows = [ROW.format(time=f"2026-03-{day:02d} 08:00", attempt="", minutes="", serial="1") for day in (2, 3)]
    assert take(store, rows) == (2, 0, 0, 0)


def test_what_a_log_says_of_a_face_taken_as_of_another_part_stands(store):
    """The tablet knows no attempts, the paper does: the face of the next day was lapped again after all."""
    first = ROW.format(time="2026-03-02 08:00", attempt="", minutes=5, serial="7")
    second = ROW.format(time="2026-03-03 08:00", attempt="{}", minutes=6, serial="7")
    take(store, [first, second.format("")], name="tablet.csv")
    assert store.faces()["attempt"].tolist() == [1, 1]
    assert take(store, [second.format("2").replace("08:00", "08:03")], name="paper.csv") == (1, 0, 0, 1)
    assert store.faces()["attempt"].tolist() == [1, 2] and not any(
        "counted" in said for said in store.faces()["remarks"]
    )


@pytest.mark.parametrize("plan", [ColumnMap(absent=("serial",)), "joined"])
def test_serial_numbers_that_begin_anew_with_every_lot_are_asked_after_and_a_column_map_cures_it(store, plan):
    """Four lots of six in a shift, every face lapped for as long: 18 were second readings, and nobody said so."""
    head = HEAD.replace("time,", "batch no,time,")
    rows = [
        f"L{lot}," + ROW.format(time=f"2026-03-02 {6 + lot:02d}:{8 * n:02d}", attempt="", minutes=5, serial=n)
        for lot in range(4)
        for n in range(1, 7)
    ]
    data = (head + "".join(rows)).encode()
    result = ingest(store, data, name="log.csv", settings=SITE)
    assert (result.faces, result.repeats) == (6, 18)
    (asked,) = (said for said in result.remarks if "begin anew with every lot" in said)
    assert asked.startswith("18 of 24 faces have the serial number of one shortly before: 18 are taken as second")
    if plan == "joined":
        plan = load_column_map('[columns.serial]\nheader = ["batch no", "serial"]\n')
    again = ingest(store, data, name="log.csv", settings=SITE, column_map=plan)
    assert again.new_versions == 24 and not any("begin anew" in said for said in again.remarks)
    assert store.faces()["kind"].tolist() == ["face"] * 24 and store.faces()["attempt"].tolist() == [1] * 24


def test_a_second_reading_stays_one_where_the_lot_is_joined_to_its_serial_number(store):
    head = HEAD.replace("time,", "batch no,time,")
    first = "L1," + ROW.format(time="2026-03-02 08:00", attempt="", minutes=5, serial=1)
    data = (head + first + first.replace("08:00", "08:30").replace("A,5", "A,")).encode()
    assert ingest(store, data, name="log.csv", settings=SITE).repeats == 1
    plan = load_column_map('[columns.serial]\nheader = ["batch no", "serial"]\n')
    ingest(store, data, name="log.csv", settings=SITE, column_map=plan)
    assert store.faces()["serial"].tolist() == ["L1-1"] * 2 and store.faces()["kind"].tolist() == ["face", "repeat"]


@pytest.mark.parametrize(
    ("minutes", "attempt", "by"),
    [
        ("5", "1", ", as its serial number, attempt and minutes are those of the one before"),
        ("5", "", ", as its serial number and minutes are those of the one before"),
        ("", "1", ""),
    ],
)
def test_a_second_reading_says_by_what_it_was_taken_as_one(store, minutes, attempt, by):
    first = ROW.format(time="2026-03-01 08:00", serial="7", minutes="5", attempt=attempt)
    again = ROW.format(time="2026-03-01 10:00", serial="7", minutes=minutes, attempt=attempt)
    assert take(store, [first, again.replace("0.3", "0.4")]) == (1, 1, 0, 0)
    assert store.faces()["remarks"].tolist() == ["", f"a second reading of the same face{by}"]


def counts_of_passes(header, figures):
    head = HEAD.replace("attempt", header)
    return (head + "".join(log(figure, serial=str(at))[0] for at, figure in enumerate(figures))).encode()


@pytest.mark.parametrize("header", ["passes", "No. of passes", "Anzahl Durchgänge", "nombre de passes"])
def test_how_many_passes_a_face_took_is_the_attempt_of_its_last(store, header):
    result = ingest(store, counts_of_passes(header, "1311241"), name="log.csv", settings=SITE)
    assert result.faces == 7 and store.faces()["attempt"].tolist() == [1, 3, 1, 1, 2, 4, 1]
    assert not any("kept in the raw text" in remark for remark in result.remarks)


def test_strokes_of_a_machine_are_not_taken_for_lappings_of_a_face(store):
    """Under a header such as "passes" some log how often the face went over the lap: a guess would hide every face."""
    figures = ["40", "44", "38", "4", "41"]
    result = ingest(store, counts_of_passes("passes", figures), name="log.csv", settings=SITE)
    assert result.faces == 5 and not result.quarantined
    assert store.faces()["attempt"].tolist() == [1] * 5  # as where nothing is said of it
    assert (
        "attempt (column 'passes'): more than half of its figures are over 9, which count no lappings of a face until "
        "it is good: kept in the raw text only"
    ) in result.remarks
