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
