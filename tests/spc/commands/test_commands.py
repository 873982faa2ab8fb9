"""The store's commands from the outside: what they print, what they keep, and the exit code."""

import json
import re
import subprocess
import sys

import pytest
from click.testing import CliRunner

from spc.cli import COMMANDS, cli
from spc.commands.output import clean, plain
from spc.settings import Settings
from spc.store.store import Store

HEAD = "time,operator,lap,grit,part,serial,minutes,flatness (um),finish (um)\n"
ROWS = [
    "2026-03-04 10:00,Ann,CI-1,15 um,SP-1,1,5,0.3,0.08\n",
    "2026-03-04 10:10,Ann,CI-1,15 um,SP-1,2,5,2+,0.08\n",
    "2026-03-04 10:20,Ann,CI-2,15 um,SP-1,3,5,?,0.08\n",
]


class Shop:
    """A folder with a store and a settings file, and `lapcell` run in it."""

    def __init__(self, folder):
        self.folder = folder
        self.store = folder / "lapcell.db"
        self.settings("time_zone = 'Europe/Vienna'\n")

    def settings(self, text):
        (self.folder / "lapcell.toml").write_text(text)

    def file(self, name, text):
        path = self.folder / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return str(path)

    def run(self, *words, code=0):
        result = CliRunner().invoke(cli, [*words, "--store", str(self.store)])
        assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
        assert result.exit_code == code, (result.stdout, result.stderr)
        assert "Traceback" not in result.output
        return result

    def json(self, *words, code=0):
        def no_constant(name):
            raise AssertionError(f"{name} in JSON")

        return json.loads(self.run(*words, "--json", code=code).stdout, parse_constant=no_constant)


@pytest.fixture
def shop(tmp_path):
    return Shop(tmp_path)


def test_help_lists_the_commands_that_are_there_without_loading_them():
    code = "import sys; from spc.cli import cli\ntry: cli(['--help'])\nexcept SystemExit: pass\n" + (
        "heavy = {'pandas', 'numpy', 'sqlite3', 'pyarrow', 'scipy', 'streamlit'} & set(sys.modules)\n"
        "sys.exit(str(heavy) if heavy - {'sqlite3'} else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    for name in ("ingest", "events", "laps", "parts", "quarantine", "status"):
        assert f"\n  {name} " in done.stdout and COMMANDS[name][1] in done.stdout
    assert "Exit codes:" in done.stdout


@pytest.mark.parametrize("name", ["ingest", "events", "laps", "parts", "quarantine", "status"])
def test_every_command_documents_its_json(name):
    result = CliRunner().invoke(cli, [name, "--help"])
    assert result.exit_code == 0 and "JSON" in result.stdout


def test_wrong_words_are_usage(shop):
    shop.run("nonsense", code=2)
    shop.run("ingest", code=2)
    shop.run("quarantine", "fix", "1", code=2)


def test_ingest_gives_the_account_of_each_file_and_row(shop):
    good, bad = shop.file("log.csv", HEAD + "".join(ROWS)), shop.file("bad.csv", bytes(range(256)) * 9)
    document = shop.json("ingest", good, bad, "--rows", code=3)
    first, second = document["files"]
    names = ("rows", "accepted", "faces", "quarantined", "doubles", "refused", "error")
    assert {name: first[name] for name in names} == {
        "rows": 3, "accepted": 2, "faces": 2, "quarantined": 1, "doubles": 0, "refused": False, "error": "",
    }  # fmt: skip
    assert second["refused"] is True and second["error"].startswith("bad.csv: ") and second["rows"] == 0
    assert (document["rows"], document["refused"]) == (3, 1)
    one, two = first["accepted_rows"]
    assert (one["serial"], one["lap"], one["as_typed"], one["minutes"]) == ("1", "CI-1", "0.3", 5.0)
    assert (one["flatness_low_um"], one["flatness_high_um"]) == pytest.approx((0.25, 0.35))
    assert (one["finish_low_um"], one["finish_high_um"]) == pytest.approx((0.075, 0.085))
    assert one["time_utc"] == "2026-03-04T09:00:00+00:00"
    assert (two["flatness_low_um"], two["flatness_high_um"]) == (2.0, None)  # open above
    (row,) = first["quarantined_rows"]
    assert (row["row_number"], row["raw"]) == (3, ROWS[2].strip()) and row["reasons"].startswith("row 3: flatness")


def test_ingest_says_for_people_what_became_of_the_rows(shop):
    file = shop.file("log.csv", HEAD + "".join(ROWS))
    result = shop.run("ingest", file, code=1)
    assert (
        "log.csv: 3 rows = 2 faces + 0 repeat readings + 0 events + 1 in quarantine + 0 held already" in result.stdout
    )
    again = shop.run("ingest", file)
    assert "0 in quarantine + 3 held already" in again.stdout


def test_dry_run_shows_the_reading_and_writes_nothing(shop):
    file = shop.file("log.csv", HEAD + "".join(ROWS))
    document = shop.json("ingest", file, "--dry-run")
    assert document["files"][0]["counts"] == {"blank": 0, "face": 2, "event": 0, "quarantine": 1}
    assert document["files"][0]["columns"][0] == {"field": "time", "header": "time", "how": "time -> time"}
    assert [row["outcome"] for row in document["files"][0]["first_rows"]] == ["face", "face", "quarantine"]
    assert "nothing is written" in shop.run("ingest", file, "--dry-run").stdout
    assert not shop.store.exists()


def test_a_column_map_reads_a_file_made_by_others(shop):
    file = shop.file("wear.csv", "unit;cycles;depth\nU1;10;4,5\nU1;20;6\n")
    plan = shop.file(
        "map.toml",
        'absent = ["operator", "grit", "finish"]\n[columns.lap]\nheader = "unit"\n'
        '[columns.minutes]\nheader = "cycles"\ncumulative = true\n'
        '[columns.flatness]\nheader = "depth"\nunit = "um"\nstep = 0.5\n',
    )
    document = shop.json("ingest", file, "--map", plan, "--rows")
    assert [row["as_typed"] for row in document["files"][0]["accepted_rows"]] == ["4,5", "6"]
    wrong = shop.file("wrong.toml", "colour = 'red'\n")
    assert "`colour` is not known here" in shop.run("ingest", file, "--map", wrong, code=3).stderr


BAD = {
    "binary.csv": bytes(range(256)) * 20,
    "empty.csv": b"",
    "no header.csv": b"".join(row.encode() for row in ROWS),
    "columns.csv": (",".join(f"c{i}" for i in range(10_000)) + "\n").encode() * 2,
    "missing.csv": None,
}


@pytest.mark.parametrize("name", BAD)
def test_a_file_that_cannot_be_read_is_one_sentence_and_leaves_no_trace(shop, name):
    file = str(shop.folder / name) if BAD[name] is None else shop.file(name, BAD[name])
    result = shop.run("ingest", file, code=3)
    assert result.stderr.startswith(f"lapcell: {name}: ") and result.stderr.count("\n") == 1
    assert shop.json("status")["faces"] == 0


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ("0.3,", "-0.3,", "negative"),
        ("0.3,", "inf,", "finite"),
        ("2026-03-04 10:00", "2026-13-45 10:00", "no possible date"),
        ("2026-03-04 10:00", "03/04/2026 10:00", "day first or month first"),
        ("CI-1", "", "lap is not named"),
        (",0.08", "", "fields where 9 are expected"),
        (",0.08", ",0.08,x", "fields where 9 are expected"),
        ("Ann", "A\x00n", "control characters"),
        (",5,", ",1e999,", "minutes"),
        ("Ann", '"' + "x" * 50_000_000 + '"', "bytes long"),
    ],
)
def test_a_row_that_cannot_be_read_waits_with_its_reason(shop, old, new, reason):
    shop.file("log.csv", HEAD + ROWS[0].replace(old, new) + ROWS[0])
    document = shop.json("ingest", str(shop.folder / "log.csv"), "--rows", code=1)
    one = document["files"][0]
    assert (one["rows"], one["accepted"], one["quarantined"]) == (2, 1, 1)
    assert reason in one["quarantined_rows"][0]["reasons"] and one["quarantined_rows"][0]["row_number"] == 1


@pytest.mark.parametrize("lap", ["../../etc/passwd", "<script>alert(1)</script>", "=1+1", "\x1b[31mred", "名前"])
def test_odd_lap_names_are_only_names(shop, lap):
    shop.file("log.csv", HEAD + ROWS[0].replace("CI-1", lap) + ROWS[0].replace(",1,5", ",9,5"))
    result = shop.run("ingest", str(shop.folder / "log.csv"), code=1 if "\x1b" in lap else 0)
    assert "\x1b" not in result.output
    assert "\x1b" not in shop.run("laps").stdout
    assert {one["lap"] for one in shop.json("laps")["laps"]} <= {lap, "CI-1"}


def test_quarantine_is_listed_shown_fixed_and_discarded(shop):
    rows = [*ROWS, ROWS[2].replace("10:20", "10:30")]
    shop.run("ingest", shop.file("log.csv", HEAD + "".join(rows)), code=1)
    listed = shop.json("quarantine", code=1)["rows"]
    told = [(row["quarantine_id"], row["row_number"], row["resolved_at"]) for row in listed]
    assert told == [(1, 3, None), (2, 4, None)]
    assert ROWS[2].strip() in shop.run("quarantine", "show", "1").stdout
    still = shop.run("quarantine", "fix", "1", ROWS[2].strip(), "--who", "QE", "--why", "x", code=3)
    assert "lapcell: the row still cannot be read: flatness" in still.stderr
    fixed = ROWS[2].replace("?", "0.4").strip()
    taken = shop.json("quarantine", "fix", "1", fixed, "--who", "QE", "--why", "asked Ann")["taken_in"]
    assert (taken["lap"], taken["flatness_text"]) == ("CI-2", "0.4")
    shop.run("quarantine", "discard", "2", "--who", "QE", "--why", "typed twice")
    assert "No row waits" in shop.run("quarantine").stdout
    assert [row["how"] for row in shop.json("quarantine", "list", "--all")["rows"]] == ["fixed", "discarded"]
    assert "settled already" in shop.run("quarantine", "discard", "2", "--who", "A", "--why", "b", code=3).stderr
    assert "no row 9 in quarantine" in shop.run("quarantine", "show", "9", code=3).stderr


def test_laps_are_set_taken_from_a_csv_aliased_and_retired(shop):
    shop.run("laps", "set", "CI-1", "--material", "cast iron", "--home-grit", "15 um", "--who", "QE")
    csv = "Lap;Material;Home grit;Size\nCU-2;copper;6 µm;200 mm\n;ceramic;;\nCE-3;ceramic;3 µm\n"
    document = shop.json("laps", "take", shop.file("laps.csv", csv), code=1)
    assert (document["rows"], document["accepted"]) == (3, 1)
    assert [one["row_number"] for one in document["refused"]] == [2, 3]
    shop.settings("time_zone = 'Europe/Vienna'\n[[lap]]\nname = 'CI-1'\n")
    shop.run("ingest", shop.file("log.csv", HEAD + ROWS[0].replace("CI-1", "Cl-1")), code=1)
    assert shop.json("laps", "alias", "Cl-1", "CI-1", "--who", "QE")["settled"] == 1
    shop.run("laps", "retire", "CU-2", "--who", "QE", "--why", "worn out")
    laps = {one["lap"]: one for one in shop.json("laps")["laps"]}
    assert laps["CU-2"]["state"] == "retired" and laps["CI-1"]["group"] == "cast iron 15 um"
    assert "no lap called 'XX'" in shop.run("laps", "retire", "XX", "--who", "QE", "--why", "x", code=3).stderr


def test_a_lap_that_the_settings_do_not_list_is_added_and_its_rows_leave_quarantine(shop):
    shop.settings("time_zone = 'Europe/Vienna'\n[[lap]]\nname = 'CI-1'\n")
    log = shop.file("log.csv", HEAD + ROWS[0].replace("CI-1", "RM-7") + ROWS[0].replace("CI-1", "CU-9"))
    shop.run("ingest", log, code=1)
    assert "add the lap" in shop.json("quarantine", code=1)["rows"][0]["reasons"]
    assert "Lap RM-7 is set; 1 row left quarantine." in shop.run("laps", "set", "RM-7", "--who", "QE").stdout
    assert [row["lap"] for row in shop.json("quarantine", code=1)["rows"]] == ["CU-9"]
    shop.json("laps", "take", shop.file("laps.csv", "Lap;Material\nCU-9;copper\n"), "--who", "QE")  # as a register does
    assert shop.json("quarantine")["rows"] == []
    outcomes = [row["outcome"] for row in shop.json("ingest", "--dry-run", log)["files"][0]["first_rows"]]
    assert outcomes == ["face", "face"]  # the look before the intake knows it too
    shop.run("events", "add", "RM-7", "recharged", "--time", "2026-03-04 10:00", "--who", "Ann")


@pytest.mark.parametrize(
    ("upper", "lamp", "um"),
    [
        ("2 bands", "helium", 0.58756),  # 2 x 587.56 nm / 2: half a wavelength per band, US Army course MM0478
        ("2 bands", "sodium", 0.5893),
        ("11.6 uin", "", 0.29464),  # 1 uin = 0.0254 um exactly
        ("0.3 um", "", 0.3),
        ("600 nm", "", 0.6),
        ("1/2 band", "helium", 0.14689),
    ],
)
def test_a_limit_is_set_in_any_unit(shop, upper, lamp, um):
    words = ["--lamp", lamp] if lamp else []
    record = shop.json("parts", "set", "SP-1", "flatness", upper, "--who", "QE", *words)
    assert record["upper_um"] == pytest.approx(um, rel=1e-12)
    assert shop.json("parts")["limits"][0]["upper_text"] == upper
    shop.run("parts", "set", "SP-1", "flatness", "none", "--who", "QE")
    assert shop.json("parts")["limits"] == [] and len(shop.json("parts", "list", "--all")["limits"]) == 2


@pytest.mark.parametrize(
    ("upper", "lower", "said"),
    [
        ("10 um", "-5 um", "thickness at least -5 um, -5 um and at most 10 um, 10 um."),
        ("none", "-5 um", "thickness at least -5 um, -5 um."),
        ("none", "", "the limit of thickness is taken back."),
    ],
)
def test_what_was_set_is_said_on_both_sides(shop, upper, lower, said):
    words = ["--lower", lower] if lower else []
    shop.run("parts", "set", "SP-1", "thickness", "12 um", "--who", "QE")
    assert said in shop.run("parts", "set", "SP-1", "thickness", upper, *words, "--who", "QE").output
    assert ("lower as written" in shop.run("parts").output) == bool(lower)


@pytest.mark.parametrize(
    ("upper", "sentence"),
    [
        ("2", "has no unit"), ("2 bands", "no lamp is known"), ("<2 um", "must be one length"),
        ("x", "write it such as"), ("0 um", "greater than 0"),
    ],
)  # fmt: skip
def test_a_limit_that_is_no_length_is_refused(shop, upper, sentence):
    assert sentence in shop.run("parts", "set", "SP-1", "flatness", upper, "--who", "QE", code=3).stderr


@pytest.mark.parametrize(
    ("typed", "utc"),
    [
        # Vienna is an hour ahead of UTC in winter and two in summer (Directive 2000/84/EC).
        ("2026-03-04", "2026-03-03T23:00:00+00:00"),
        ("2026-07-01T06:00", "2026-07-01T04:00:00+00:00"),
        ("2026-07-01T06:00+00:00", "2026-07-01T06:00:00+00:00"),
    ],
)
def test_a_limit_begins_by_the_clock_of_the_site(shop, typed, utc):
    assert shop.json("parts", "set", "P", "flatness", "2 um", "--who", "QE", "--valid-from", typed)["valid_from"] == utc
    csv = shop.file("limits.csv", f"part,upper,unit,valid from\nP2,2,um,{typed}\nP3,2,um,soon\n")
    refused = shop.json("parts", "take", csv, "--who", "QE", code=1)["refused"]
    assert [one["row_number"] for one in refused] == [2] and "ISO date" in refused[0]["reason"]
    limits = {one["part"]: one["valid_from"] for one in shop.json("parts", "list", "--all")["limits"]}
    assert limits == {"P": utc, "P2": utc}


def test_limits_are_taken_from_a_csv(shop):
    csv = (
        "part,characteristic,upper,lower,unit,lamp\n*,flatness,2,,bands,helium\nSP-1,finish,0.05,,um,\n"
        "SP-1,thickness,12.01,12,mm,\nSP-2,flatness,2,,,\nSP-3,flatness,,,um,\n"
    )
    document = shop.json("parts", "take", shop.file("limits.csv", csv), "--who", "QE", code=1)
    assert (document["rows"], document["accepted"]) == (5, 3)
    assert [one["row_number"] for one in document["refused"]] == [4, 5]
    limits = {(one["part"], one["characteristic"]): one for one in shop.json("parts")["limits"]}
    assert limits["*", "flatness"]["lower_um"] is None
    assert (limits["SP-1", "thickness"]["lower_um"], limits["SP-1", "thickness"]["upper_um"]) == (12_000, 12_010)


def test_events_are_added_listed_and_taken_from_a_csv(shop):
    added = shop.json(
        "events", "add", "CI-1", "reconditioned", "--time", "2026-03-04 10:00", "--method", "three-plate", "--before",
        "1.2 um", "--after", "0.3 um", "--planned", "yes", "--who", "Ann",
    )  # fmt: skip
    assert (added["event"], added["before_um"], added["after_um"], added["planned"]) == (
        "reconditioned",
        1.2,
        0.3,
        True,
    )
    assert added["time_utc"] == "2026-03-04T09:00:00+00:00"
    csv = "time,lap,event,grit\n2026-03-05 10:00,CI-1,recharge,15 um\n2026-03-05 11:00,CI-1,sung to,\n"
    document = shop.json("events", "take", shop.file("events.csv", csv), "--rows", code=1)
    assert document["files"][0]["event_rows"][0]["event"] == "recharged"
    assert [one["event"] for one in shop.json("events", "list", "--lap", "CI-1")["events"]] == [
        "reconditioned",
        "recharged",
    ]
    wrong = shop.run("events", "add", "CI-1", "sung to", "--who", "Ann", code=3)
    assert wrong.stderr.startswith("lapcell: the event cannot be kept: event is no known event: 'sung to'")
    for clock, utc in (  # a second after the lap's newest row, and never past a clock that stands still
        ("2026-03-06T08:30:00", "2026-03-06T07:20:00+00:00"),
        ("2026-03-06T08:20:30", "2026-03-06T07:20:01+00:00"),
    ):
        shop.settings(f"time_zone = 'Europe/Vienna'\nclock = {clock}\n")
        said = shop.run("events", "add", "CI-1", "cleaned", "--who", "Ann").stdout
        assert "CI-1 cleaned 2026-03-06 08:20\n" in said and "Dated now, as no --time was said." in said
        newest = shop.json("events", "list", "--lap", "CI-1")["events"][-1]
        assert (newest["event"], newest["time_utc"]) == ("cleaned", utc)
    assert len(shop.json("events", "list", "--lap", "CI-1")["events"]) == 4


def test_status_tells_what_is_held(shop):
    assert "no store there" in shop.run("status", code=3).stderr
    shop.run("ingest", shop.file("log.csv", HEAD + "".join(ROWS)), code=1)
    status = shop.json("status", code=1)
    assert (status["faces"], status["laps"], status["open_quarantine"], status["health"]) == (2, 1, 1, "ok")
    assert status["last_intake"]["name"] == "log.csv" and status["newest_face_utc"] == "2026-03-04 09:10 UTC"
    assert "2026-03-04 10:10" in shop.run("status", code=1).stdout  # by the site's clock
    with Store.open(shop.store) as store:
        store.append_face({"lap": "CI-1", "kind": "repeat", "flatness_low_um": 0.1, "flatness_high_um": 0.2}, who="Bo")
    assert re.search(r"^face readings, repeats too +3$", shop.run("status", code=1).stdout, re.MULTILINE)


def test_settings_that_cannot_be_used_are_one_sentence(shop):
    shop.settings("lampe = 'helium'\n")
    stderr = shop.run("ingest", shop.file("log.csv", HEAD), code=3).stderr
    assert "`lampe` is not a known setting" in stderr and stderr.count("\n") == 1


def test_the_environment_names_store_and_settings(shop, monkeypatch):
    monkeypatch.setenv("LAPCELL_STORE", str(shop.folder / "other.db"))
    monkeypatch.setenv("LAPCELL_SETTINGS", shop.file("other.toml", "flatness_unit = 'um'\nfinish_unit = 'um'\n"))
    file = shop.file("log.csv", "lap,flatness,finish,minutes\nCI-1,0.3,0.08,5\n")
    result = CliRunner().invoke(cli, ["ingest", file])
    assert result.exit_code == 0, result.output
    with Store.open(shop.folder / "other.db", create=False) as store:
        assert len(store.faces()) == 1
    assert Settings().flatness_unit == ""


def test_a_real_process_with_a_damaged_store(shop):
    shop.store.write_bytes(b"not a database at all" * 100)
    done = subprocess.run(
        [sys.executable, "-m", "spc.cli", "status", "--store", str(shop.store)], capture_output=True, text=True
    )
    assert done.returncode == 3 and done.stdout == ""
    assert done.stderr.startswith("lapcell: ") and done.stderr.count("\n") == 1 and "Traceback" not in done.stderr


def test_a_real_process_takes_a_log_in(shop):
    file = shop.file("log.csv", HEAD + "".join(ROWS))
    words = [sys.executable, "-W", "error", "-m", "spc.cli", "ingest", file, "--json", "--store", str(shop.store)]
    done = subprocess.run(words, capture_output=True, text=True)
    assert done.returncode == 1 and done.stderr == ""
    assert json.loads(done.stdout)["accepted"] == 2


def test_json_holds_no_number_that_json_lacks():
    messy = {"a": float("nan"), "b": [float("inf"), 1.5], "c": {"d": float("-inf")}, "e": "\ud800"}
    assert clean(messy) == {"a": None, "b": [None, 1.5], "c": {"d": None}, "e": "?"}


def test_a_table_writes_great_numbers_out():
    told = [plain(value) for value in (13380.0, -25000.4, 9999.6, 9999.4, 0.1234567, 1e15, float("nan"), 13380, True)]
    assert told == ["13380", "-25000", "10000", "9999", "0.1235", "1e+15", "", "13380", "yes"]
