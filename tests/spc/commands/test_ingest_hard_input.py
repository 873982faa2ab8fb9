"""What a shop's files can hold, through the command: a sentence or a quarantined row, never more."""

import json
import os
import subprocess
import sys

import pytest
from click.testing import CliRunner

from spc.cli import cli

HEAD = "time,operator,lap,grit,part,serial,minutes,flatness (um),finish (um)\n"
GOOD = "2026-03-04 10:00,Ann,CI-1,15 um,SP-1,{},{},{},0.08\n"


def row(serial, *, minutes="5", flatness="0.3", time="", lap=""):
    text = GOOD.format(serial, minutes, flatness)
    if time:
        text = text.replace("2026-03-04 10:00", time)
    return text.replace("CI-1", lap) if lap else text


def ingest(folder, *contents, settings="", column_map="", code=None):
    """Run `lapcell ingest --json --rows`, warnings being errors; give exit code, document and standard error."""
    files = []
    for number, content in enumerate(contents):
        file = folder / f"log{number}.csv"
        file.write_bytes(content if isinstance(content, bytes) else content.encode())
        files.append(str(file))
    words = [*files, "--store", str(folder / "lapcell.db"), "--json", "--rows"]
    if settings:
        (folder / "lapcell.toml").write_text(settings)
    if column_map:
        (folder / "map.toml").write_text(column_map)
        words += ["--map", str(folder / "map.toml")]
    done = CliRunner().invoke(cli, ["ingest", *words])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    assert "Traceback" not in done.output and "Warning" not in done.stderr, done.stderr
    assert done.exit_code in (0, 1, 3) and (code is None or done.exit_code == code), done.stderr
    document = json.loads(done.stdout) if done.stdout else {}
    for file in document.get("files", []):
        assert file["rows"] == file["accepted"] + file["quarantined"] + file["doubles"]
        assert len(file["accepted_rows"]) == file["faces"] + file["repeats"]
        assert len(file["quarantined_rows"]) == file["quarantined"]
    return done.exit_code, document, done.stderr


def test_files_that_cannot_be_logs_are_refused_one_sentence_each(tmp_path):
    files = {
        bytes(range(256)) * 50: "is no text",
        b"\x89PNG\r\n\x1a\n" + bytes(500): "picture",
        b"": "is empty",
        b"\n\n\n": "is empty",
        b"\xef\xbb\xbf": "header",
        HEAD.encode("utf-16") + b"x": "breaks off",
        (HEAD + row(1)).encode("utf-32"): "is no text",
        GOOD.encode() * 3: "no line of the file is a header",
        b"lap,flatness um," + b",".join(b"c%d" % i for i in range(10_000)) + b"\nA,1\n": "columns",
        b"x" * 3_000_000: "no line of the file is a header",
    }
    code, document, _ = ingest(tmp_path, *files, code=3)
    assert document["refused"] == len(files) and document["rows"] == 0
    for file, words in zip(document["files"], files.values(), strict=True):
        assert file["refused"] and words in file["error"] and file["error"].startswith(file["name"])
        assert file["accepted_rows"] == file["quarantined_rows"] == file["event_rows"] == []


def test_every_odd_row_waits_with_its_reason_and_no_good_row_is_lost(tmp_path):
    odd = {
        "2026-02-30 10:00": "no possible date", "0000-00-00": "no possible date", "yesterday": "no date and time",
        "2026-03-04T10:00:00+99:00": "no possible date", "2026-03-29 02:30": "never was",
        "03/04/2026 10:00": "day first",
    }  # fmt: skip
    readings = {
        "-0.3": "negative", "inf": "not a finite number", "1e400": "beyond any length",
        "abc": "not a number", "1/0": "not a fraction", "0x10": "not a number",
    }  # fmt: skip
    minutes = {"-5": "negative", "inf": "not a finite number", "1e300": "beyond any length"}
    laps = {"L" * 5000: "at most 80", " ": "not named", "A\0B": "control characters", "\x1b[31m": "control characters"}
    lines = [row(f"t{i}", time=text) for i, text in enumerate(odd)]
    lines += [row(f"f{i}", flatness=text) for i, text in enumerate(readings)]
    lines += [row(f"m{i}", minutes=text) for i, text in enumerate(minutes)]
    lines += [row(f"l{i}", lap=text) for i, text in enumerate(laps)]
    lines += ["too,few\n", row("w").strip() + ",too,many\n", row("q", lap='"CI-1')]
    kept = ["../../x", "<script>alert(1)</script>", "=1+1", "🔧", "\u202eabc\u202c", "'; DROP TABLE face; --"]
    lines += [row(f"k{i}", lap=name) for i, name in enumerate(kept)]
    text = HEAD + "".join(lines) + row("480", minutes="480") + row("huge", flatness="9" * 1_100_000) + row("last")
    _, document, _ = ingest(tmp_path, text, settings="time_zone = 'Europe/Vienna'\n", code=1)
    (file,) = document["files"]
    assert file["rows"] == len(lines) + 3
    reasons = {waiting["row_number"]: waiting["reasons"] for waiting in file["quarantined_rows"]}
    expected = [*odd.values(), *readings.values(), *minutes.values(), *laps.values(), "2 fields", "11 fields", "quote"]
    assert sorted(reasons) == [*range(1, len(expected) + 1), len(lines) + 2]
    for number, words in enumerate(expected, start=1):
        assert words in reasons[number] and reasons[number].startswith(f"row {number}: ")
    taken = {face["serial"]: face for face in file["accepted_rows"]}
    assert [taken[f"k{i}"]["lap"] for i in range(len(kept))] == kept
    assert taken["480"]["minutes"] is None and "counted as missing" in taken["480"]["remarks"]
    assert taken["last"]["minutes"] == 5


def test_encoding_and_line_ends_change_nothing(tmp_path):
    files = []
    for encoding in ("utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le", "utf-16-be"):
        for line_end in ("\n", "\r\n", "\r"):
            serials = f"{len(files)}a", f"{len(files)}b"
            text = HEAD + row(serials[0]).replace("Ann", "Jürgen") + row(serials[1])
            files.append(text.replace("\n", line_end).encode(encoding))
    _, document, _ = ingest(tmp_path, *files, code=0)
    taken = [[face["serial"] for face in file["accepted_rows"]] for file in document["files"]]
    assert taken == [[f"{i}a", f"{i}b"] for i in range(len(files))]


@pytest.mark.parametrize(
    ("settings", "column_map", "words"),
    [
        ("timezone = 'x'\n", "", "`timezone` is not a known setting"),
        ("= broken", "", "not valid TOML"),
        ("false_calls_per_week = nan\n", "", "must be a number greater than 0"),
        ("", "foo = 1\n", "`foo` is not known here"),
        ("", "[columns]\nflutness = 'x'\n", "`columns.flutness` is no field"),
        ("", "[columns.flatness]\nheader = 'flatness (um)'\nstep = nan\n", "must be a number greater than 0"),
    ],
)
def test_settings_and_maps_that_cannot_be_are_one_sentence(tmp_path, settings, column_map, words):
    _, document, error = ingest(tmp_path, HEAD + row(1), settings=settings, column_map=column_map, code=3)
    assert document == {} and words in error and error.count("\n") == 1


@pytest.mark.parametrize("content", [b"hello, this is no database\n" * 20, os.urandom(8192)])
def test_a_store_that_is_none_is_one_sentence(tmp_path, content):
    (tmp_path / "lapcell.db").write_bytes(content)
    _, document, error = ingest(tmp_path, HEAD + row(1), code=3)
    assert document == {} and "cannot be opened as a store" in error and error.count("\n") == 1
    assert (tmp_path / "lapcell.db").read_bytes() == content


def test_a_store_that_cannot_grow_keeps_what_it_held(tmp_path):
    import resource

    ingest(tmp_path, HEAD + row(1), code=0)
    limit = (tmp_path / "lapcell.db").stat().st_size + 500_000
    many = HEAD + "".join(row(f"n{i}") for i in range(20_000))
    file = tmp_path / "many.csv"
    file.write_text(many)
    words = [sys.executable, "-m", "spc.cli", "ingest", str(file), "--store", str(tmp_path / "lapcell.db")]
    done = subprocess.run(
        words,
        capture_output=True,
        text=True,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit)),
    )
    assert done.returncode == 3 and "the store could not be used" in done.stderr and done.stderr.count("\n") == 1
    done = subprocess.run(words, capture_output=True, text=True)  # with room again, nothing of the first try is left
    assert done.returncode == 0 and "20,000 rows = 20,000 faces" in done.stdout


def test_two_processes_take_files_in_at_once(tmp_path):
    words = []
    for lap in ("CI-1", "CI-2"):
        file = tmp_path / f"{lap}.csv"
        file.write_text(HEAD + "".join(row(f"{lap}-{i}", lap=lap) for i in range(3000)))
        words.append([sys.executable, "-m", "spc.cli", "ingest", str(file), "--store", str(tmp_path / "lapcell.db")])
    running = [subprocess.Popen(one, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) for one in words]
    for process in running:
        out, error = process.communicate(timeout=120)
        assert process.returncode == 0 and error == "" and "3,000 rows = 3,000 faces" in out


def test_a_line_still_being_written_waits_and_leaves_quarantine_when_it_is_whole(tmp_path):
    _, document, _ = ingest(tmp_path, HEAD + row(1) + row(2)[:-8], code=1)
    assert document["quarantined"] == 1
    _, document, _ = ingest(tmp_path, HEAD + row(1) + row(2), code=0)
    (file,) = document["files"]
    assert (file["faces"], file["doubles"], file["settled"]) == (1, 1, 1)


def test_the_same_text_again_still_answers_with_every_key(tmp_path):
    ingest(tmp_path, HEAD + row(1), code=0)
    _, document, _ = ingest(tmp_path, HEAD + row(1), code=0)
    (file,) = document["files"]
    assert file["doubles"] == 1 and file["accepted_rows"] == file["event_rows"] == file["quarantined_rows"] == []


def test_the_same_words_under_another_name_say_which_log_they_were_taken_for(tmp_path):
    week = "lap,minutes,flatness um\n" + "CI-1,5,0.3\n" * 5  # nothing tells these faces from last week's
    _, document, _ = ingest(tmp_path, week, week, code=0)
    again = document["files"][1]
    assert again["doubles"] == 5 and again["source"] == "log0.csv"
    assert "as the log 'log0.csv'" in again["remarks"][0] and "state its name as source" in again["remarks"][0]


def test_a_folder_in_place_of_a_store_is_told(tmp_path):
    (tmp_path / "lapcell.db").mkdir()
    _, document, error = ingest(tmp_path, HEAD + row(1), code=3)
    assert document == {} and "it is a folder" in error and error.count("\n") == 1


def test_a_file_whose_name_is_no_text_is_taken_in_under_its_name_written_out(tmp_path):
    name = os.fsencode(tmp_path) + b"/caf\xe9.csv"  # as an old Windows wrote it
    with open(name, "wb") as file:
        file.write((HEAD + row(1)).encode())
    words = [os.fsdecode(name), "--store", str(tmp_path / "lapcell.db")]
    done = CliRunner().invoke(cli, ["ingest", *words])
    assert done.exit_code == 0 and done.output.startswith("caf\\udce9.csv: 1 row = 1 face"), done.output
    laps = tmp_path / os.fsdecode(b"l\xe4pp.csv")
    laps.write_text("lap,material\nCI-1,cast iron\n")
    done = CliRunner().invoke(cli, ["laps", "take", str(laps), "--who", "QE", *words[1:]])
    assert done.exit_code == 0 and "1 taken in" in done.output
    document = ingest(tmp_path, HEAD + row(2), column_map='[file]\nencoding = "punycode"\n')[1]
    assert document["files"][0]["error"] == "log0.csv: the file is not punycode; leave the encoding out"
