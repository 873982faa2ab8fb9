"""Rows in = rows out for any text, and a second delivery of it changes nothing."""

import tempfile
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store

HEAD = "time,operator,lap,grit,serial,minutes,flatness (um),finish (um),note\n"
CELLS = st.one_of(
    st.sampled_from(
        ["", "CI-1", "Ann", "15 um", "0.3", "<0.5", "1-1.5", "2+", "nan", "inf", "-1", "480", "1e999", "2026-03-04",
         "03/04/2026", "=1+1", "../../x", "<b>", '"', "'", "1,5", "S1", "\x00", "\t", "½", "🙂", "\ud7ff", "9" * 40]
    ),
    st.text(max_size=12),
)  # fmt: skip
ROWS = st.lists(st.lists(CELLS, min_size=1, max_size=11), max_size=12)


def account(result):
    told = (result.faces, result.repeats, result.events, result.quarantined, result.doubles)
    if result.refused:
        assert result.error and not any(told)
    assert result.rows == sum(told)
    return told


def held(store):
    names = ("face", "event", "quarantine", "replaced", "change")
    return [store.connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in names]


def check(data):
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "lapcell.db") as store:
        first = ingest(store, data, name="log.csv", settings=Settings(lamp="helium"), keep_rows=True)
        account(first)
        counts = held(store)
        assert counts[0] == first.faces + first.repeats and counts[2] == first.quarantined
        if first.quarantined:
            assert len(first.quarantined_rows) == first.quarantined and all(first.quarantined_rows["reasons"] != "")
        again = account(ingest(store, data, name="log.csv", settings=Settings(lamp="helium")))
        assert held(store) == counts and sum(again[:4]) == 0
        assert len(store.faces()) == counts[0] and store.health()["check"] == "ok"


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(rows=ROWS, separator=st.sampled_from([",", ";", "\t"]), end=st.sampled_from(["\n", "\r\n", "\r"]))
def test_rows_in_are_rows_out_for_any_cells(rows, separator, end):
    text = HEAD.replace(",", separator) + "".join(separator.join(row) + end for row in rows)
    check(text.encode("utf-8", "replace"))


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(body=st.binary(max_size=400))
def test_rows_in_are_rows_out_for_any_bytes(body):
    check(HEAD.encode() + body)
    check(body)
