"""What a folder watch takes in and when, driven by a clock of the test's own: no test here sleeps."""

import hashlib
import os

import pytest

from spc.log.watch import AT_ONCE
from spc.store.store import Store
from tests.spc.log.watch_bench import NO_LOG, ROWS, Bench, log


@pytest.fixture
def bench(tmp_path):
    return Bench(tmp_path)


def test_a_dropped_log_is_taken_in_at_the_second_look_and_only_then(bench):
    bench.drop("week 10.csv", log(*ROWS))
    assert bench.look() == [] and bench.watch.unsettled == ("week 10.csv",)
    assert bench.look() == [("week 10.csv", "taken")] and bench.watch.unsettled == ()
    assert len(bench.faces()) == 8 and bench.intakes()["name"].tolist() == ["week 10.csv"]
    assert bench.look(30) == [] and len(bench.intakes()) == 1


@pytest.mark.parametrize("name", ["a.csv", "A.CSV", "b.txt", "c.Tsv", "cell 2/d.csv"])
def test_every_kind_of_log_is_looked_for(bench, name):
    bench.drop(name, log(*ROWS).replace(",", "\t") if name.endswith("v") and "T" in name else log(*ROWS))
    assert bench.look(2) == [(name, "taken")] and len(bench.faces()) == 8


@pytest.mark.parametrize(
    "name",
    ["~a.csv", "~$a.csv", ".a.csv", "._a.csv", "#a.csv", "a.csv.part", "a.part.csv", "a.TMP.csv", "a.csv~", "a.xlsx",
     "a.map.toml", "deep/deeper/a.csv", ".hidden/a.csv", "half.tmp/a.csv"],
)  # fmt: skip
def test_names_of_files_not_yet_finished_and_of_other_things_are_left(bench, name):
    path = bench.folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(log(*ROWS))
    assert bench.look(20) == [] and bench.faces().empty


def test_a_file_that_grows_is_left_until_it_rests(bench):
    text = log(*ROWS)
    for end in range(10, len(text), 40):
        bench.drop("log.csv", text[:end])
        assert bench.look() == []
    bench.drop("log.csv", text)
    assert bench.look(2) == [("log.csv", "taken")]
    assert bench.faces()["version"].max() == 1 and len(bench.intakes()) == 1


def test_a_half_line_waits_longer_and_is_then_taken_with_what_it_says(bench):
    bench.drop("log.csv", log(*ROWS)[:-12])
    assert bench.look(5) == [] and bench.watch.unsettled == ("log.csv",)
    bench.drop("log.csv", log(*ROWS))
    assert bench.look(2) == [("log.csv", "taken")]
    assert bench.faces()["flatness_text"].tolist() == ["0.3"] * 8 and bench.faces()["version"].max() == 1
    bench.drop("whole.csv", log(*(row.replace("SP-1,", "SP-2,7") for row in ROWS)).rstrip())  # no end, yet whole
    assert bench.look(5) == []
    assert bench.look(1) == [("whole.csv", "taken")] and len(bench.faces()) == 16


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le"])
def test_a_last_line_that_ends_is_seen_in_every_encoding(bench, encoding):
    bench.drop("log.csv", ("\ufeff" if encoding == "utf-16-le" else "").encode(encoding) + log(*ROWS).encode(encoding))
    assert bench.look(2) == [("log.csv", "taken")] and len(bench.faces()) == 8


def test_a_log_that_grows_day_by_day_stays_one_log(bench):
    for upto in (3, 5, 8):
        bench.drop("log.csv", log(*ROWS[:upto]))
        assert bench.look(2) == [("log.csv", "taken")]
        assert len(bench.faces()) == upto
    assert bench.intakes()["source"].unique().tolist() == ["log.csv"]


def test_a_replaced_file_gives_new_versions_and_the_same_content_again_gives_nothing(bench):
    path = bench.drop("log.csv", log(*ROWS))
    bench.look(2)
    changed = log(*ROWS[:3], ROWS[3].replace("0.3", "0.9"), *ROWS[4:])
    bench.drop("new", changed)
    os.replace(bench.folder / "new", path)
    assert bench.look(2) == [("log.csv", "taken")]
    assert bench.faces()["flatness_text"].tolist().count("0.9") == 1 and bench.faces()["version"].max() == 2
    bench.drop("log.csv", changed)
    assert bench.look(2) == [("log.csv", "known")]
    bench.drop("copy.csv", changed)
    (again,) = bench.say(2)
    assert (again.name, again.what, again.dropped) == ("copy.csv", "known", True)
    assert len(bench.faces()) == 8 and len(bench.intakes()) == 2
    bench.start()  # a watch that begins reads all that lies there: nobody has dropped it again
    assert [(one.what, one.dropped) for one in bench.say(2)] == [("known", False)] * 2


def test_files_of_one_name_in_two_folders_are_two_logs(bench):
    plain = "operator,lap,minutes\n" + "Ann,CI-1,5\n" * 4
    bench.drop("cell 1/log.csv", plain)
    bench.drop("cell 2/log.csv", plain.replace("5", "6"))
    assert bench.look(2) == [("cell 1/log.csv", "taken"), ("cell 2/log.csv", "taken")]
    assert sorted(bench.intakes()["source"]) == ["cell 1/log.csv", "cell 2/log.csv"]
    assert len(bench.faces()) == 8


def test_a_failure_is_said_once_again_on_change_and_not_after_repair(bench):
    bench.drop("log.csv", NO_LOG)
    (failed,) = bench.say(2)
    assert (failed.name, failed.what) == ("log.csv", "failed") and failed.sentence.startswith("log.csv: ")
    assert bench.look(40) == []
    bench.drop("log.csv", NO_LOG + "green,sour\n")
    assert bench.look(20) == [("log.csv", "failed")]
    bench.drop("log.csv", log(*ROWS))
    assert bench.look(20) == [("log.csv", "taken")] and len(bench.faces()) == 8
    path = bench.drop("other.csv", NO_LOG)
    assert bench.look(2) == [("other.csv", "failed")]
    path.unlink()
    assert bench.look(9) == [("other.csv", "cleared")]


def test_an_empty_file_has_time_to_be_filled(bench):
    bench.drop("log.csv", b"")
    assert bench.look(5) == []
    assert bench.look() == [("log.csv", "failed")]
    bench.drop("log.csv", log())
    assert bench.look(2) == [("log.csv", "known")]  # a header and no rows: nothing to keep, nothing wrong


def test_a_restart_takes_nothing_twice_and_retries_what_had_failed(bench):
    bench.drop("good.csv", log(*ROWS))
    bench.drop("bad.csv", NO_LOG)
    bench.drop("gone.csv", NO_LOG)
    for name, what in bench.look(3):
        if what == "failed":
            with Store.open(bench.store) as store:
                store.report_watched(str(bench.folder), name, "cannot be read", who="watch")
    revision, versions = len(bench.intakes()), bench.faces()["version"].tolist()
    (bench.folder / "gone.csv").unlink()
    bench.drop("bad.csv", log("2026-03-05 08:00,Bo,CI-2,15 um,SP-1,99,5,0.4,0.08\n"))
    bench.start()
    assert bench.look(3) == [("gone.csv", "cleared"), ("good.csv", "known"), ("bad.csv", "taken")]
    assert len(bench.intakes()) == revision + 1 and bench.faces()["version"].tolist() == [*versions, 1]


def test_the_map_beside_a_log_comes_first_then_that_of_the_folder(bench):
    own = "lap = 'CI-7'\n"
    bench.drop("a.csv", "who,how long\nAnn,5\n")
    bench.drop("b.csv", "who,how long\nBo,6\n")
    bench.drop("folder.map.toml", "[columns]\noperator = 'who'\nminutes = 'how long'\n[constants]\nlap = 'CI-1'\n")
    bench.drop("b.map.toml", "[columns]\noperator = 'who'\nminutes = 'how long'\n[constants]\n" + own)
    assert bench.look(2) == [("a.csv", "taken"), ("b.csv", "taken")]
    assert bench.faces()[["lap", "minutes"]].values.tolist() == [["CI-1", 5.0], ["CI-7", 6.0]]


def test_a_map_that_is_added_repairs_a_log_and_a_broken_one_is_named(bench):
    bench.drop("a.csv", "who,how long\nAnn,5\n")
    assert bench.look(2) == [("a.csv", "failed")]
    bench.drop("a.map.toml", "[columns\n")
    (broken,) = bench.say(2)
    assert broken.what == "failed" and "a.map.toml" in broken.sentence and "its column map cannot be" in broken.sentence
    bench.drop("a.map.toml", "[columns]\noperator = 'who'\nminutes = 'how long'\n[constants]\nlap = 'CI-1'\n")
    assert bench.look(2) == [("a.csv", "taken")] and bench.faces()["minutes"].tolist() == [5.0]


def test_nothing_in_the_folder_is_ever_touched(bench):
    for name, text in (("a.csv", log(*ROWS)), ("bad.csv", NO_LOG), ("half.csv", log(*ROWS)[:-9]), ("x/b.txt", NO_LOG)):
        os.utime(bench.drop(name, text), (1_700_000_000, 1_700_000_000))

    def picture():
        found = sorted(path for path in bench.folder.rglob("*"))
        return [(path, path.stat().st_mtime_ns, path.is_file() and path.read_bytes()) for path in found]

    before = picture()
    assert len(bench.look(12)) == 4
    assert picture() == before


def test_a_new_file_is_not_kept_waiting_by_a_long_backlog(bench):
    for number in range(3 * AT_ONCE):
        os.utime(bench.drop(f"{number:03d}.csv", log(*ROWS)), (1e9 + number, 1e9 + number))
    assert bench.look() == []
    bench.drop("new.csv", log("2026-03-05 08:00,Bo,CI-2,15 um,SP-1,99,5,0.4,0.08\n"))
    first = bench.look()
    assert len(first) == AT_ONCE and bench.watch.behind and first[0] == ("000.csv", "taken")
    assert bench.look()[0] == ("new.csv", "taken")
    rest = bench.look(3)
    assert not bench.watch.behind and len(first) + len(rest) + AT_ONCE == 3 * AT_ONCE + 1


def test_changed_settings_have_every_file_read_again(bench):
    bench.drop("log.csv", log(*ROWS))
    bench.drop("bad.csv", NO_LOG)
    bench.look(2)
    bench.watch.read_all_again()
    assert bench.look(2) == [("log.csv", "known"), ("bad.csv", "failed")]


def test_the_store_knows_the_content_whatever_the_name(bench):
    bench.drop("a.csv", log(*ROWS))
    bench.look(2)
    os.rename(bench.folder / "a.csv", bench.folder / "b.csv")
    assert bench.look(2) == [("b.csv", "known")]
    assert bench.intakes()["sha256"].tolist() == [hashlib.sha256(log(*ROWS).encode()).hexdigest()]
