"""A grown log: what stands below the last delivery is taken in as if the whole had been compared row by row."""

import dataclasses

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from spc.log.delivery import Delivery
from spc.log.intake import ingest
from spc.log.known import FileText
from spc.settings import Settings
from spc.store.store import Store

HEAD = "time,operator,lap,grit,minutes,flatness (um),finish (um),serial,event\n"
ROW = st.builds(
    "{},A,CI-{},15 um,{},{},0.05,{},{}\n".format,
    st.sampled_from(["", "2026-03-02T06:00Z", "2026-03-02T06:05Z", "2026-03-03T22:00Z", "2026-03-04"]),
    st.integers(1, 2),
    st.sampled_from(["", "4", "5"]),
    st.sampled_from(["0.3", "0.4", "<0.2"]),
    st.sampled_from(["", "", "S1", "S2"]),
    st.just(""),
)
EVENT = st.sampled_from(["2026-03-02T05:00Z,A,CI-1,,,,,,recharged\n", ",A,CI-2,,,,,,cleaned\n", ",,,,,,,,\n"])
BAD = st.sampled_from(["x,A,CI-1,15 um,5,0.3,0.05,,\n", "2026-03-02T06:00Z,A,,15 um,5,0.3,0.05,,\n", "too,short\n"])
LOG = st.lists(st.one_of(ROW, ROW, EVENT, BAD), max_size=8).map("".join)


def delivered(path, texts):
    """Deliver texts as one log, one after the other; tell what became of each and what the store holds."""
    path.unlink(missing_ok=True)
    said = []
    with Store.open(path) as store:
        for text in texts:
            result = ingest(store, text.encode(), name="log.csv", settings=Settings(), keep_rows=True)
            said.append(
                {name: value for name, value in dataclasses.asdict(result).items() if not hasattr(value, "iloc")}
            )
        return said, store.faces(), store.events(), store.quarantine()


@given(
    line_end=st.sampled_from(["\n", "\r\n"]),
    first=st.one_of(LOG, st.lists(ROW, min_size=1, max_size=6).map("".join)),
    more=LOG,
)
@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_a_grown_log_gives_what_comparing_every_row_gives(tmp_path, line_end, first, more):
    texts = [text.replace("\n", line_end) for text in (HEAD + first, HEAD + first + more)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(FileText, "grown_lines", lambda *args, **options: 0)
        told, *held = delivered(tmp_path / "compared.db", texts)
    fast, *there = delivered(tmp_path / "grown.db", texts)
    assert fast == told
    for one, other in zip(there, held, strict=True):
        assert one.to_dict("list") == other.to_dict("list") or one.astype(str).equals(other.astype(str))


def test_rows_that_are_held_are_not_compared_again(tmp_path, monkeypatch):
    rows = "".join(f"2026-03-02T06:{n:02}Z,A,CI-1,15 um,5,0.3,0.05,S{n},\n" for n in range(40))
    monkeypatch.setattr(Delivery, "_take_in_again", None)  # the way of a log that may have changed
    with Store.open(tmp_path / "lapcell.db") as store:
        ingest(store, (HEAD + rows).encode(), name="log.csv", settings=Settings())
        grown = rows + "2026-03-02T07:00Z,A,CI-1,15 um,5,0.4,0.05,new,\n"
        result = ingest(store, (HEAD + grown).encode(), name="log.csv", settings=Settings())
        assert (result.rows, result.faces, result.doubles) == (41, 1, 40)
        assert store.faces()["serial"].tolist()[-1] == "new" and len(store.faces()) == 41


def test_an_event_written_twice_stays_one_when_the_log_grows(tmp_path):
    row = "2026-03-02T05:00Z,A,CI-1,,,,,,recharged\n"
    texts = [HEAD + 3 * row, HEAD + 4 * row, HEAD + 4 * row + "2026-03-02T09:00Z,A,CI-1,15 um,5,0.3,0.05,,\n"]
    said, faces, events, _ = delivered(tmp_path / "lapcell.db", texts)
    assert [one["events"] for one in said] == [1, 0, 0] and [one["doubles"] for one in said] == [2, 4, 4]
    assert len(events) == 1 and len(faces) == 1
