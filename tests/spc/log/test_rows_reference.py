"""The fast reader against a slow one written row by row with the standard library, and rows in = rows out."""

import csv
import io
import math
from datetime import UTC, datetime

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from spc.log.columns import load_column_map
from spc.log.rows import OUTCOMES, read_log
from spc.measure.grit import parse_grit
from spc.measure.number import parse_number
from spc.measure.reading import parse_reading
from spc.settings import Settings

HEADERS = ["time", "lap", "grit", "minutes", "flatness um", "lamp", "Ra um", "note"]
PLAN = load_column_map(
    "[columns.flatness]\nheader = 'flatness um'\nunit = 'um'\nstep = 0.1\n"
    "[columns.finish]\nheader = 'Ra um'\nunit = 'um'\nstep = 0.01\n[file]\ndecimal = '.'\n"
)

TIMES = st.one_of(
    st.datetimes(datetime(2000, 1, 1), datetime(2040, 1, 1)).map(lambda t: t.replace(microsecond=0).isoformat() + "Z"),
    st.sampled_from(["2026-02-30T10:00:00Z", "2026-03-04T10:00:00+01:00", "soon", "", "2026-03-04T25:00:00Z"]),
)
LAPS = st.sampled_from(["CI-1", "CI-2", "", "=A1", "../x", "ü"])
GRITS = st.sampled_from(["15 um", "F600", "P1200", "15", "fine", "", "#600"])
MINUTES = st.sampled_from(["1", "12.5", "0", "480", "", "-3", "nan", "x", "2000"])
FLATNESS = st.sampled_from(
    [
        "0.5",
        "<0.5",
        "1-1.5",
        "2+",
        "~1",
        "1½",
        "flat",
        "0",
        "-1",
        "nan",
        "inf",
        "1e400",
        "",
        "2 bands",
        "23 uin",
        "1,5",
        "?",
    ]
)
LAMPS = st.sampled_from(["helium", "", "desk lamp", "He-Ne"])
FINISH = st.sampled_from(["0.05", "", "<0.02", "2 uin", "1 band", "x"])
NOTES = st.text(st.characters(blacklist_categories=("Cc", "Cs")), max_size=12)
ROWS = st.lists(st.tuples(TIMES, LAPS, GRITS, MINUTES, FLATNESS, LAMPS, FINISH, NOTES), min_size=1, max_size=25)


def number(text):
    try:
        return parse_number(text).value
    except ValueError:
        return None


def slow(cells):
    """Outcome and figures of one row, worked out on its own."""
    time, lap, grit, minutes, flatness, lamp_text, finish, _ = ("" if c == "nan" else c.strip() for c in cells)
    bad, out = not lap, {"time": None, "grit_um": math.nan, "minutes": math.nan, "flatness": None, "finish": None}
    if time:
        try:
            out["time"] = datetime.fromisoformat(time).astimezone(UTC)
        except ValueError:
            bad = True
    if grit:
        try:
            out["grit_um"] = parse_grit(grit).size_um
        except ValueError:
            bad = True
    if minutes:
        value = number(minutes)
        if value is None or value < 0:
            bad = True
        elif value not in (0, 480) and value <= 1440:
            out["minutes"] = float(value)
    if flatness:
        try:
            found = parse_reading(flatness, unit="um", lamp_text=lamp_text, step=0.1)
            out["flatness"] = (found.low_um, found.high_um)
        except ValueError:
            bad = True
    if finish:
        try:
            found = parse_reading(finish, unit="um", step=0.01) if "band" not in finish else None
            out["finish"] = (found.low_um, found.high_um) if found else None
            bad |= found is None
        except ValueError:
            bad = True
    if not any(c.strip() for c in cells):
        return "blank", out
    nothing = not flatness and not finish and math.isnan(out["minutes"])
    return "quarantine" if bad or nothing else "face", out


@given(ROWS)
def test_fast_and_slow_agree(rows):
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([HEADERS, *rows])
    log = read_log(text.getvalue().encode(), name="x", settings=Settings(), column_map=PLAN)
    assert len(log.rows) == len(rows)
    for cells, fast in zip(rows, log.rows.itertuples(), strict=True):
        outcome, figures = slow(cells)
        # A reading in another unit than the column's steps by its own last digit, which other rows may refine.
        foreign = any(u in cells[4] for u in ("bands", "uin")) or "uin" in cells[6]
        assert fast.outcome == outcome, (cells, fast.reasons)
        if outcome != "face":
            continue
        assert (fast.lap, fast.note) == (cells[1].strip(), cells[7].strip())
        assert fast.minutes == pytest.approx(figures["minutes"], nan_ok=True)
        assert fast.grit_um == pytest.approx(figures["grit_um"], nan_ok=True)
        if figures["time"]:
            assert fast.time_utc == figures["time"]
        if figures["flatness"] and not foreign:
            assert (fast.flatness_low_um, fast.flatness_high_um) == pytest.approx(figures["flatness"])
        if figures["finish"] and not foreign:
            assert (fast.finish_low_um, fast.finish_high_um) == pytest.approx(figures["finish"])


BYTES = st.lists(
    st.one_of(
        st.binary(max_size=30),
        st.sampled_from(
            [b"\n", b"\r\n", b'"', b",", b"2026-03-04T10:00:00Z,CI-1,15 um,3,0.5,,0.05,n\n", b"\x00", b"\xff"]
        ),
    ),
    max_size=30,
).map(b"".join)


@given(BYTES)
@example(b'"a","b\n1,2,3,4,5,6,7,8\n')
@example(b'x"y,"abc\n1,2,3,4,5,6,7,8\n,,,,,,,\n')
@example(b'2026-03-04T10:00:00Z,CI-1,15 um,3,0.5,,0.05,"\n"\n')
def test_rows_in_are_rows_out(data):
    body = b",".join(h.encode() for h in HEADERS) + b"\n" + data
    log = read_log(body, name="x", settings=Settings())
    if log.refused:
        assert log.rows.empty
        return
    assert log.rows.row_number.tolist() == list(range(1, len(log.rows) + 1))
    assert set(log.rows.outcome) <= set(OUTCOMES)
    assert (log.rows.outcome.eq("quarantine") == log.rows.reasons.ne("")).all()
    assert sum(log.counts.values()) == len(log.rows)
    # The raw texts put together are the body again: nothing lost, nothing twice.
    if log.dialect.encoding in ("utf-8", "cp1252") and log.dialect.first_line == 2:
        text = body.decode("utf-8" if log.dialect.encoding == "utf-8" else "cp1252", "replace").split("\n", 1)[1]
        assert "\n".join(log.rows.raw).replace("\r", "") == text.replace("\r", "").removesuffix("\n")
