"""A log that corrects its rows: whatever was wrong in them, a face or event stays one, with its old words kept."""

import pytest

from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store

HEADS = ("time", "operator", "lap", "grit", "part", "serial", "minutes", "flatness (um)")
SITE = Settings(time_zone="Europe/Vienna")


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as opened:
        yield opened


def rows(*, serials, laps=("CI-1", "CU-2")):
    """Write five faces on each of two laps, by turns."""
    return [
        {
            "time": f"2026-03-04 {8 + n // 2:02d}:{7 * n % 60:02d}", "operator": "Ann", "lap": laps[n % 2],
            "grit": "15 um", "part": "SP-1", "serial": str(n) if serials else "", "minutes": "5",
            "flatness (um)": f"0.{30 + n}",
        }
        for n in range(10)
    ]  # fmt: skip


def take(store, told, *, name="log.csv"):
    text = "\n".join([",".join(HEADS), *(",".join(row[head] for head in HEADS) for row in told)])
    return ingest(store, (text + "\n").encode(), name=name, settings=SITE)


@pytest.mark.parametrize("serials", [True, False])
@pytest.mark.parametrize(
    ("column", "right"),
    [("serial", "77"), ("operator", "Bob"), ("lap", "CU-2"), ("part", "SP-2"), ("time", "2026-03-04 10:11")],
)
@pytest.mark.parametrize("more", [0, 3])
def test_a_row_corrected_in_whatever_it_was_known_by_is_one_face(store, serials, column, right, more):
    told = rows(serials=serials)
    take(store, told)
    told[4] = told[4] | {column: right}
    grown = [row | {"time": row["time"].replace("-04", "-05"), "serial": ""} for row in told[:more]]
    result = take(store, told + grown)
    assert (result.faces, result.new_versions, result.doubles) == (1 + more, 1, 9)
    assert len(store.faces()) == 10 + more and not any("no longer" in said for said in result.remarks)
    assert len(store.edits()) == 1


@pytest.mark.parametrize("before", [True, False])
def test_a_column_of_serial_numbers_that_comes_or_goes_makes_no_face_twice(store, before):
    take(store, rows(serials=before))
    result = take(store, rows(serials=not before))
    assert (result.new_versions, len(store.faces())) == (10, 10)
    assert set(store.faces()["kind"]) == {"face"}


def test_a_face_of_another_day_under_the_same_name_of_the_file_is_another_face(store):
    """Today's log, written over yesterday's: nothing of it is a correction."""
    take(store, rows(serials=False))
    result = take(store, [row | {"time": row["time"].replace("-04", "-05")} for row in rows(serials=False)])
    assert (result.faces, result.new_versions, len(store.faces())) == (10, 0, 20)
    assert any(said.startswith("10 rows held of this log are no longer in the file; kept") for said in result.remarks)


def test_a_row_that_is_gone_is_not_taken_for_one_that_is_new_elsewhere(store):
    told = rows(serials=False)
    take(store, told)
    new = told[9] | {"time": "2026-03-04 20:00"}
    result = take(store, [*told[:3], *told[4:], new])
    assert (result.faces, result.new_versions, len(store.faces())) == (1, 0, 11)


def test_an_event_corrected_in_its_kind_is_one_event(store):
    head = "time,lap,event,reason\n"
    said = head + "2026-03-04 08:00,CI-1,reconditioned,worn\n2026-03-04 09:00,CI-1,cleaned,\n"
    ingest(store, said.encode(), name="events.csv", settings=SITE)
    result = ingest(store, said.replace("cleaned", "recharged").encode(), name="events.csv", settings=SITE)
    assert result.new_versions == 1 and store.events()["event"].tolist() == ["reconditioned", "recharged"]
