import time
from datetime import time as clock
from pathlib import Path

import numpy as np
import pytest

from spc.log.columns import load_column_map
from spc.log.rows import ROW_COLUMNS, read_log, scan_log
from spc.settings import KnownLap, Settings, Shift

HEAD = "time,operator,lap,grit,minutes,flatness um,Ra um\n"
GOOD = "2026-03-04T08:10:00Z,Ann,CI-1,15 um,12,0.5,0.05\n"
SHIFTS = (Shift("early", clock(6), clock(14)), Shift("late", clock(14), clock(22)), Shift("night", clock(22), clock(6)))


def read(text, *, settings=None, column_map="", aliases=None):
    data = text if isinstance(text, bytes) else text.encode()
    plan = load_column_map(column_map) if column_map else None
    return read_log(data, name="log.csv", settings=settings or Settings(), column_map=plan, aliases=aliases)


def row_of(cells, **options):
    """Read one row with these cells put over the good ones."""
    good = dict(zip(HEAD.strip().split(","), GOOD.strip().split(","), strict=True)) | cells
    log = read(",".join(good) + "\n" + ",".join(good.values()) + "\n", **options)
    assert not log.refused
    return log.rows.iloc[0]


@pytest.mark.parametrize(
    ("heads", "cells", "words"),
    [
        ("flatness,flatness unit", "0.5,parsec", "unit must be one of um, "),
        ("flatness bands,lamp", "2,torch", "lamp must be one of "),
    ],
)
def test_a_word_in_a_cell_that_is_no_unit_or_lamp_is_told_in_the_shops_own_words(heads, cells, words):
    log = read(f"time,operator,lap,grit um,minutes,{heads}\n2026-03-04 08:10,Ann,CI-1,15,12,{cells}\n")
    assert words in log.rows.reasons[0] and "`" not in log.rows.reasons[0]


@pytest.mark.parametrize("zone", ["America/Chicago", "Europe/Vienna", "Asia/Tokyo"])
def test_a_day_without_a_time_lies_in_that_day_of_the_site_and_in_no_shift(zone):
    """Midnight by the clock of another place would put it into the day before, or after faces lapped in the morning."""
    settings = Settings(time_zone=zone, shifts=SHIFTS)
    row = row_of({"time": "2026-03-04"}, settings=settings)
    first, last = (row_of({"time": f"2026-03-04 {at}"}, settings=settings) for at in ("00:00", "05:59"))
    assert row.sort_us == first.sort_us <= last.sort_us
    assert row.time_utc is None or row.time_utc != row.time_utc  # no moment is claimed
    assert (row["shift"], first["shift"], first["shift_date"]) == ("", "night", "2026-03-03")


def test_good_row():
    log = read(HEAD + GOOD)
    assert log.counts == {"blank": 0, "face": 1, "event": 0, "quarantine": 0}
    assert tuple(log.rows.columns) == ROW_COLUMNS
    row = log.rows.iloc[0]
    assert (row.row_number, row.raw, row.outcome, row.reasons, row.remarks) == (1, GOOD.strip(), "face", "", "")
    assert (row.lap, row.operator, row.grit, row.grit_um, row.minutes) == ("CI-1", "Ann", "15 um", 15, 12)
    assert (row.flatness_low_um, row.flatness_high_um, row.flatness_text) == (0.45, 0.55, "0.5")
    assert (row.finish_low_um, row.finish_high_um) == pytest.approx((0.045, 0.055))
    assert row.time_utc.isoformat() == "2026-03-04T08:10:00+00:00"
    assert row.sort_us == row.time_utc.value // 1000
    assert (row.kind, row.attempt, row.scratch, row.planned, row.event) == ("face", 0, False, None, "")
    assert np.isnan(row.thickness_low_um)


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ({"flatness um": "-1"}, "is negative (-1)"), ({"flatness um": "inf"}, "is not a finite number: 'inf'"),
        ({"Ra um": "inf"}, "is not a finite number"), ({"flatness um": "1e400"}, "beyond any length or time"),
        ({"minutes": "-5"}, "minutes are negative"), ({"minutes": "soon"}, "minutes is not a number: 'soon'"),
        ({"minutes": "inf"}, "minutes is not a finite number"), ({"grit": "fine"}, "grit is not a grit: 'fine'"),
        ({"time": "2026-02-30T08:00Z"}, "is no possible date and time: '2026-02-30T08:00Z'"),
        ({"time": "03/04/2026 08:00"}, "could be day first or month first"),
        ({"time": "soon"}, "is no date and time"),
        ({"lap": ""}, "lap is not named; write which lap it was"), ({"lap": "x" * 81}, "81 characters long"),
        ({"lap": "C\x07I"}, "holds control characters"), ({"operator": "A\x00nn"}, "holds control characters"),
        ({"minutes": "", "flatness um": "", "Ra um": ""}, "nothing measured"),
        ({"attempt": "0"}, "attempt must be 1"),
        ({"temperature": "warm"}, "temperature is not a number"),
        ({"temperature C": "500"}, "no lapping room is"),
        ({"load N": "-50"}, "load (column 'load N') must be above 0: '-50'"), ({"load N": "0"}, "must be above 0"),
        ({"contact area": "800"}, "area (column 'contact area') has no unit: '800'"),
        ({"speed m/s": "5 mm"}, "is in no unit of rubbing speed: '5 mm'"), ({"load N": "5 kg"}, "a mass and no load"),
        ({"coverage": "120%"}, "coverage must be a share"), ({"shape": "banana"}, "is no known shape: 'banana'"),
        ({"outcome": "maybe"}, "is no known outcome"), ({"scratch": "deep"}, "scratch must be yes or no"),
        ({"event": "recharged"}, "both an event and a face reading"), ({"squareness": "3"}, "squareness has no unit"),
        ({"flatness um": "2 bands"}, "no lamp is known"), ({"Ra um": "2 bands", "lamp": "He"}, "measure no roughness"),
    ],
)  # fmt: skip
def test_quarantine_says_what_where_and_why(cells, words):
    row = row_of(cells)
    assert row.outcome == "quarantine"
    assert row.reasons.startswith("row 1: ")
    assert words in row.reasons
    assert list(cells.values())[0] in row.raw


def test_all_reasons_of_a_row():
    row = row_of({"flatness um": "inf", "Ra um": "-2", "minutes": "x", "grit": "?", "time": "never"})
    for words in ("flatness (column 'flatness um')", "finish (column 'Ra um')", "minutes is", "grit is", "time is"):
        assert words in row.reasons


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ({"minutes": "0"}, "minutes 0 counted as missing"), ({"minutes": "480"}, "as long as a shift"),
        ({"minutes": "2000"}, "over a day"), ({"grit": "600"}, "grit 600 has no scale"),
        ({"time": "2026-03-04 08:00"}, "time without a zone, kept as wall-clock time"),
        ({"time": "2026-03-04"}, "date without a time of day"), ({"temperature": "21"}, "without C or F left out"),
        ({"flatness um": "0.005"}, "is a question about the reading"),
        ({"flatness um": "1", "material": "paper on plate"}, "bottoms out near 5 um"),
    ],
)  # fmt: skip
def test_kept_with_a_remark(cells, words):
    row = row_of(cells)
    assert row.outcome == "face"
    assert words in row.remarks
    if "minutes" in cells:
        assert np.isnan(row.minutes)


def test_guards_are_switchable():
    off = Settings(guards_off=frozenset({"too_flat", "shift_long_minutes", "hours_on_a_face", "coarse_grit"}))
    row = row_of({"flatness um": "0.005", "minutes": "480"}, settings=off)
    assert (row.remarks, row.minutes) == ("", 480)
    own = Settings(laps=(KnownLap("CI-1", home_grit="3 um"),))
    assert "coarser than the lap's own" in row_of({}, settings=own).remarks


@pytest.mark.parametrize(
    "lap", ["../../etc/passwd", "<script>alert(1)</script>", "=1+1", "C:\\laps\\1", "'; drop table"]
)
def test_lap_names_are_only_text(lap):
    assert row_of({"lap": lap}).lap == lap


def test_known_laps_aliases_and_nearest_names():
    settings = Settings(laps=(KnownLap("CI-1"), KnownLap("CI-2"), KnownLap("DI-1")))
    assert row_of({"lap": "ci-1"}, settings=settings).lap == "CI-1"
    unknown = row_of({"lap": "CI1"}, settings=settings)
    assert "is not a known lap: 'CI1'; nearest are CI-1, CI-2" in unknown.reasons
    assert row_of({"lap": "big iron"}, settings=settings, aliases={"big iron": "CI-2"}).lap == "CI-2"


def test_mixed_units_in_one_column():
    # One length typed five ways is about 0.6 um in each.
    text = "lap,flatness,unit,lamp\nA,0.60,um,\nA,23.6,uin,\nA,2.0,bands,helium\nA,600,nm,\nA,0.00060,mm,\n"
    rows = read(text).rows
    middle = (rows.flatness_low_um + rows.flatness_high_um) / 2
    assert middle.to_numpy() == pytest.approx([0.6, 23.6 * 0.0254, 0.58756, 0.6, 0.6], rel=1e-9)
    assert rows.flatness_unit.tolist() == ["um", "uin", "band", "nm", "mm"]
    assert rows.lamp.tolist() == ["", "", "helium", "", ""]


def test_site_defaults_apply_with_a_remark_and_only_when_set():
    text = "lap,flatness,Ra\nA,0.5,0.05\n"
    assert read(text).rows.reasons[0].count("has no unit") == 2
    row = read(text, settings=Settings(flatness_unit="band", finish_unit="um", lamp="helium")).rows.iloc[0]
    assert row.outcome == "face"
    assert row.flatness_high_um == pytest.approx(0.75 * 0.29378)
    for words in ("flatness unit band by the site", "lamp helium by the site", "finish unit um by the site"):
        assert words in row.remarks


def test_cells_that_say_nothing():
    row = row_of({"flatness um": "-", "Ra um": "n/a", "lamp": "n/a", "grit": "none"})
    assert (row.outcome, row.grit, row.flatness_text) == ("face", "", "")
    assert row_of({"flatness um": "2 bands", "lamp": "Na"}).lamp == "sodium"


@pytest.mark.parametrize("nothing", ["NULL", "NaN", "(null)", "#N/A"])
def test_an_empty_cell_of_a_data_base_is_empty_in_every_column(nothing):
    """They were a lap, a part number and a serial number of that name, and every row with an event column waited."""
    heads = "time,lap,part,serial,minutes,flatness um,shape,scratch,outcome,event,reason"
    face = f"2026-03-04 08:00,CI-1,{nothing},{nothing},5,0.3,{nothing},{nothing},{nothing},{nothing},{nothing}"
    event = f"2026-03-04 09:00,CI-1,{nothing},{nothing},{nothing},{nothing},{nothing},,{nothing},reconditioned,worn"
    without = f"2026-03-04 10:00,{nothing},{nothing},{nothing},5,0.3,{nothing},,{nothing},{nothing},{nothing}"
    nothing_read = f"2026-03-04 11:00,CI-1,P1,1,{nothing},{nothing},{nothing},,{nothing},{nothing},{nothing}"
    rows = read("\n".join([heads, face, event, without, nothing_read, ""])).rows
    assert rows["outcome"].tolist() == ["face", "event", "quarantine", "quarantine"]
    assert rows.loc[0, ["part", "serial", "shape", "event", "reason"]].tolist() == [""] * 5
    assert "lap is not named" in rows["reasons"][2] and "nothing measured" in rows["reasons"][3]


def test_signs_nobody_can_see_make_no_other_lap_and_no_other_number():
    log = read("lap,flatness um\nCI-1,0.3\nCI\u200b-1,0.4\ufeff\nCI\u00ad-1,0.5\n")
    assert log.rows["lap"].tolist() == ["CI-1"] * 3 and set(log.rows["outcome"]) == {"face"}
    assert log.rows["raw"].iloc[1] == "CI\u200b-1,0.4\ufeff"  # the row itself stays as it came


def test_accents_apart_and_spaces_that_do_not_break_make_no_other_lap_and_no_other_time():
    rows = [
        "La\u0308pp 1,2026-03-04\u00a008:10",
        "L\u00e4pp\u00a01 \u200b,3/4/2026\u202f8:20 AM",
        "L\u00e4pp 1,3/14/2026 8:20\u202fAM",
    ]
    log = read("lap,time,flatness um\n" + "".join(f"{row},0.3\n" for row in rows))
    assert log.rows["lap"].tolist() == ["L\u00e4pp 1"] * 3 and log.rows["reasons"].tolist() == [""] * 3
    at = log.rows["sort_us"].to_numpy().view("M8[us]").astype("M8[m]").astype(str).tolist()
    assert at == ["2026-03-04T08:10", "2026-03-04T08:20", "2026-03-14T08:20"]


def test_a_day_among_times_of_day_says_where_it_lies():
    head, timed = "time,lap,flatness um,event\n", [f"2026-03-04 0{hour}:10,A,0.3,\n" for hour in (6, 7, 8)]
    day, event = "2026-03-04,A,0.3,\n", "2026-03-04,A,,dressed\n"
    said = [one for one in read(head + "".join([*timed, day, event])).remarks if "no time of day" in one]
    assert said == [
        "1 face has a day and no time of day: it lies at the beginning of its day, before the faces of that day that "
        "have one; write the time and take the log in again"
    ]
    for rows in ([*timed, event], [day, day, event]):
        assert not any("no time of day" in one for one in read(head + "".join(rows)).remarks)


def test_a_line_of_totals_does_not_make_the_readings_look_finer():
    log = read("lap,flatness um\nA,0.3\nA,0.4\n,0.35\n")
    assert "flatness: reading step 0.1 um, the finest typed in this column" in log.remarks
    assert log.rows["outcome"].tolist() == ["face", "face", "quarantine"]
    assert log.rows["flatness_high_um"].iloc[0] == pytest.approx(0.35)
    alone = read("lap,flatness um\n,0.35\n")  # nothing better shows it
    assert "flatness: reading step 0.01 um, the finest typed in this column" in alone.remarks


def test_step_is_the_finest_typed_and_is_said():
    log = read("lap,flatness helium bands\nA,1\nA,1½\nA,<0.5\nA,0\n")
    assert "flatness: reading step 0.5 band, the finest typed in this column" in log.remarks
    assert (log.rows.flatness_high_um / 0.29378).tolist() == pytest.approx([1.25, 1.75, 0.5, 0.25])
    stated = read("lap,flatness helium bands\nA,1\n", settings=Settings(step_bands=0.25, zero_means="whole step"))
    assert "flatness: reading step 0.25 band, as the site states" in stated.remarks
    mapped = read("lap,flatness um\nA,1\n", column_map='[columns.flatness]\nheader="flatness um"\nstep=0.2\n')
    assert mapped.rows.flatness_high_um[0] == pytest.approx(1.1)


def test_wrong_column_count_keeps_the_raw_text():
    log = read(HEAD + "a,b\n" + GOOD + GOOD.strip() + ",extra\n" + ",,,,,,\n\n" + GOOD)
    assert log.rows.outcome.tolist() == ["quarantine", "face", "quarantine", "blank", "blank", "face"]
    assert log.rows.raw[0] == "a,b"
    assert "row 1: has 2 fields where 7 are expected" in log.rows.reasons[0]
    assert "has 8 fields" in log.rows.reasons[2]


def test_a_stray_quote_spoils_its_own_row_only():
    lines = [GOOD.strip(), '"' + GOOD.strip(), GOOD.strip(), GOOD.strip().replace("Ann", 'A"nn'), GOOD.strip()]
    log = read(HEAD + "\n".join(lines) + "\n")
    assert log.rows.outcome.tolist() == ["face", "quarantine", "face", "face", "face"]
    assert log.rows.raw.tolist() == lines
    assert "opens a quote that is never closed" in log.rows.reasons[1]
    assert log.rows.operator[3] == 'A"nn'


def test_a_note_over_two_lines_is_one_row():
    log = read('lap,note,flatness um\nA,"first\nsecond, ""third""",1\nB,x,2\n')
    assert log.rows.lap.tolist() == ["A", "B"]
    assert log.rows.note[0] == 'first second, "third"'
    assert log.rows.raw[0] == 'A,"first\nsecond, ""third""",1'


def test_nul_header_only_and_no_header():
    assert read(HEAD).counts["face"] == 0 and read(HEAD).refused == ""
    assert "no line of the file is a header; give a column map" in read(GOOD * 3).refused
    plan = "[file]\nheader = false\n[columns.lap]\nposition = 3\n[columns.flatness]\nposition = 6\nunit = 'um'\n"
    assert read(GOOD * 3, column_map=plan).counts["face"] == 3


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"), ("colour,size\nred,1\n", "no header is known"),
        ("flatness um\n1\n", "no column says which lap"),
        ("lap\nA\n", "no column holds a reading"), (",".join("abc" * 4000) + "\n", "has 12000 columns"),
        (HEAD + "x\n" * 250_000, "do not have 7 fields; check separator and quotes"),
    ],
)  # fmt: skip
def test_refused_whole(text, words):
    log = read(text)
    assert words in log.refused
    assert log.rows.empty and tuple(log.rows.columns) == ROW_COLUMNS


def test_missing_file_and_bad_map(tmp_path):
    assert "cannot be read" in read_log(Path(tmp_path / "no.csv"), name="no", settings=Settings()).refused
    assert "no header 'zz'" in read(HEAD + GOOD, column_map="[columns]\nlap = 'zz'\n").refused


def test_a_fifty_megabyte_field_is_one_quarantined_row():
    began = time.perf_counter()
    log = read(HEAD + GOOD + "2026-03-04T08:10:00Z," + "x" * 50_000_000 + ",CI-1,15 um,12,0.5,0.05\n" + GOOD)
    assert log.rows.outcome.tolist() == ["face", "quarantine", "face"]
    assert "only the first 10,000 are kept" in log.rows.reasons[1]
    assert len(log.rows.raw[1]) == 10_000
    assert time.perf_counter() - began < 60


def test_shift_across_midnight():
    times = ("2026-03-04 23:50", "2026-03-05 00:20")
    text = HEAD + "".join(GOOD.replace("2026-03-04T08:10:00Z", t) for t in times)
    rows = read(text, settings=Settings(time_zone="Europe/Vienna", shifts=SHIFTS)).rows
    assert rows["shift"].tolist() == ["night", "night"]
    assert rows.shift_date.tolist() == ["2026-03-04", "2026-03-04"]
    named = read("time,shift,lap,flatness um\n2026-03-05 00:20,Nacht,A,1\n2026-03-05 23:20,Nacht,A,1\n").rows
    assert named.shift_date.tolist() == ["2026-03-04", "2026-03-05"]


def test_start_end_and_date_columns():
    spans = ("23:50,00:20", "09:00,08:50", "08:00,08:12")
    text = "date,start,end,lap,flatness um\n" + "".join(f"2026-03-04,{s},A,1\n" for s in spans)
    rows = read(text).rows
    assert rows.minutes.tolist()[0::2] == [30, 12]
    assert np.isnan(rows.minutes[1])
    assert "end before start: minutes missing" in rows.remarks[1]


def test_zone_column():
    zones = ("Europe/Vienna", "+02:00", "Mars")
    text = "time,zone,lap,flatness um\n" + "".join(f"2026-03-04 08:00,{z},A,1\n" for z in zones)
    rows = read(text).rows
    assert [t.hour for t in rows.time_utc[:2]] == [7, 6]
    assert "is no zone of the time-zone database" in rows.reasons[2]


def test_rows_without_time_inherit_the_order():
    rows = read(HEAD + GOOD + GOOD.replace("2026-03-04T08:10:00Z", "")).rows
    assert rows.sort_us[0] == rows.sort_us[1]
    assert rows.time_utc.isna().tolist() == [False, True]


def test_events():
    text = (
        "time,lap,event,grit,grit from,reason,planned,operator,after um,from_mm\n"
        "2026-03-04T08:00Z,A,Recharged,15 um,,routine,yes,Ann,,\n"
        "2026-03-04T09:00Z,A,Körnungswechsel,9 um,15 um,,,Ann,,\n"
        "2026-03-04T10:00Z,A,reconditioned,,,worn,no,Ann,-0.4,\n"
        "2026-03-04T11:00Z,A,ring moved,,,,,Ann,,120\n"
        "2026-03-04T12:00Z,A,exploded,,,,,Ann,,\n"
    )
    rows = read(text).rows
    assert rows.outcome.tolist() == ["event"] * 4 + ["quarantine"]
    assert rows.event.tolist()[:4] == ["recharged", "grit changed", "reconditioned", "ring moved"]
    assert (rows.grit_um[1], rows.grit_from_um[1], rows.after_um[2], rows.from_mm[3]) == (9, 15, -0.4, 120)
    assert rows.planned.tolist()[:4] == [True, None, False, None]


def test_shape_column_and_sign_must_agree():
    plan = '[columns.flatness]\nheader = "flatness um"\nnegative = "concave"\n'
    rows = read("lap,flatness um,shape\nA,-1,\nA,1,ccv\nA,-1,ccv\n", column_map=plan).rows
    assert rows["shape"].tolist()[0] == rows["shape"].tolist()[2] == "concave"
    assert "contradict each other" in rows.reasons[1]


def test_running_clock_gives_minutes_per_lap():
    plan = '[columns.minutes]\nheader = "hours meter"\ncumulative = true\n'
    rows = read("lap,flatness um,hours meter\nA,1,5\nB,1,100\nA,1,9\nA,1,8\nB,1,103\n", column_map=plan).rows
    assert rows.minutes.fillna(-1).tolist() == [5, 100, 4, -1, 3]
    assert "the running clock went back" in rows.remarks[3]


def test_typed_in_one_go():
    log = read(HEAD + GOOD * 6)
    assert all("typed in one go" in r for r in log.rows.remarks)
    assert any("6 rows (100%)" in r for r in log.remarks)


def test_pieces_add_up_to_the_whole():
    text = HEAD + "".join(
        GOOD.replace("CI-1", f"L{i % 7}").replace("0.05", "0.05" if i % 5 else "x") for i in range(997)
    )
    whole = read(text)
    scanned = scan_log(text.encode(), name="log.csv", settings=Settings())
    pieces = list(scanned.frames(rows=100))
    assert [len(p) for p in pieces] == [100] * 9 + [97]
    assert scanned.counts == whole.counts == {"blank": 0, "face": 797, "event": 0, "quarantine": 200}
    assert sum((p.raw.tolist() for p in pieces), []) == whole.rows.raw.tolist()
    assert sum((p.reasons.tolist() for p in pieces), []) == whole.rows.reasons.tolist()


@pytest.mark.parametrize("zone", ["America/Chicago", "Asia/Tokyo"])
def test_a_date_alone_is_sorted_at_the_beginning_of_its_day_by_the_clock_of_the_site(zone):
    text = "time,lap,flatness um\n2026-03-04,A,1\n2026-03-03 23:59,A,1\n2026-03-04 00:01,A,1\n"
    rows = read(text, settings=Settings(time_zone=zone)).rows
    assert np.argsort(rows.sort_us).tolist() == [1, 0, 2]
