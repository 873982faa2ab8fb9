import pytest

from spc.store.store import Store


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as opened:
        yield opened


def problems(store, **which):
    return store.watch_problems(**which)[["folder", "name", "problem"]].values.tolist()


def test_what_is_wrong_is_listed_until_it_is_put_right(store):
    assert problems(store) == []
    assert store.report_watched("/in", "b.csv", "b.csv: no lap column", who="watch")
    assert store.report_watched("/in", "a.csv", "a.csv: is empty", who="watch")
    assert store.report_watched("/in", "", "/in: is not there", who="watch")
    assert store.report_watched("/other", "a.csv", "a.csv: locked", who="watch")
    assert [row[1] for row in problems(store, folder="/in")] == ["", "a.csv", "b.csv"] and len(problems(store)) == 4
    assert store.report_watched("/in", "b.csv", "", who="watch")
    assert [row[1] for row in problems(store, folder="/in")] == ["", "a.csv"]
    assert str(store.watch_problems()["at"].dt.tz) == "UTC"


def test_the_same_report_is_written_once(store):
    assert store.report_watched("/in", "a.csv", "a.csv: is empty", who="watch")
    revision = store.revision()
    assert not store.report_watched("/in", "a.csv", "a.csv: is empty", who="another watch")
    assert not store.report_watched("/in", "never seen.csv", "", who="watch")
    assert store.revision() == revision
    assert store.report_watched("/in", "a.csv", "a.csv: no lap column", who="watch")
    assert problems(store) == [["/in", "a.csv", "a.csv: no lap column"]] and store.revision() == revision + 1


def test_files_that_held_nothing_new_are_listed_newest_first_and_once_an_hour(store, monkeypatch):
    clock = iter([0, 60, 120, 180, 3_720])  # seconds at which each is noted
    monkeypatch.setattr("spc.store.watch_reports.now_us", lambda: moment * 1_000_000)
    moment = next(clock)
    assert store.note_known("/in", "a.csv", "held already", who="watch")
    moment = next(clock)
    assert not store.note_known("/in", "a.csv", "held already", who="watch")
    moment = next(clock)
    assert store.note_known("/in", "b.csv", "held already", who="watch")
    moment = next(clock)
    assert store.note_known("/in", "a.csv", "an older copy", who="watch")
    moment = next(clock)
    assert store.note_known("/in", "b.csv", "held already", who="watch")
    drops = store.known_drops(last=3)
    assert drops["name"].tolist() == ["b.csv", "a.csv", "b.csv"] and drops["sentence"].iloc[1] == "an older copy"
    assert store.watch_problems().empty  # nothing is wrong with them
