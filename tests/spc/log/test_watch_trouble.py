"""A folder watch when drives vanish, files are locked, clocks leap and others watch too."""

import os
import sys
from pathlib import Path

import pytest

from spc.log import watch as watch_module
from spc.log.watch import FolderWatch
from tests.spc.log.watch_bench import NO_LOG, ROWS, Bench, log


@pytest.fixture
def bench(tmp_path):
    return Bench(tmp_path)


def test_a_folder_that_vanishes_and_comes_back(bench):
    bench.drop("log.csv", log(*ROWS))
    bench.drop("bad.csv", NO_LOG)
    assert len(bench.look(2)) == 2
    away = bench.folder.rename(bench.folder.with_name("away"))
    (lost,) = bench.say(10)
    assert (lost.name, lost.what) == ("", "failed") and "is not there" in lost.sentence
    away.rename(bench.folder)
    assert bench.look(10) == [("", "cleared")]  # nothing is read again, no failure repeated
    bench.drop("log.csv", log(*ROWS, "2026-03-04 11:00,Ann,CI-1,15 um,SP-1,20,5,0.3,0.08\n"))
    assert bench.look(2) == [("log.csv", "taken")] and len(bench.faces()) == 9


def test_a_folder_may_come_after_the_watch(tmp_path):
    bench = Bench(tmp_path)
    bench.folder.rmdir()
    assert bench.look(3) == [("", "failed")]
    bench.folder.mkdir()
    bench.drop("log.csv", log(*ROWS))
    assert bench.look(3) == [("", "cleared"), ("log.csv", "taken")]


def failing(monkeypatch, method, path, error):
    """Let one path fail in `Path.<method>`; gives the list of names in which the fault can be taken away."""
    hit, true = [path.name], getattr(Path, method)

    def broken(self, *args, **kwargs):
        if self.name in hit:
            raise error
        return true(self, *args, **kwargs)

    monkeypatch.setattr(Path, method, broken)
    return hit


def test_a_locked_file_is_tried_again_by_itself(bench, monkeypatch):
    hit = failing(
        monkeypatch, "read_bytes", bench.drop("log.csv", log(*ROWS)), PermissionError(13, "Permission denied")
    )
    (locked,) = bench.say(20)
    assert locked.what == "failed" and locked.sentence == "log.csv: the file cannot be read: Permission denied"
    hit.clear()
    assert bench.look(60) == [("log.csv", "taken")]


def test_a_file_deleted_between_listing_and_reading_is_no_failure(bench, monkeypatch):
    path = bench.drop("log.csv", log(*ROWS))
    failing(monkeypatch, "read_bytes", path, FileNotFoundError(2, "No such file or directory"))
    assert bench.look(2) == []
    path.unlink()
    assert bench.look(9) == [] and bench.watch.unsettled == ()


def test_a_file_that_changes_while_it_is_read_is_left(bench, monkeypatch):
    path, true = bench.drop("log.csv", log(*ROWS[:2])), Path.read_bytes

    def and_write(self):
        data = true(self)
        if len(data) < len(log(*ROWS)):
            bench.drop("log.csv", log(*ROWS))
        return data

    monkeypatch.setattr(Path, "read_bytes", and_write)
    assert bench.look(2) == [] and path.stat().st_size == len(log(*ROWS))
    assert bench.look(2) == [("log.csv", "taken")] and len(bench.faces()) == 8 and len(bench.intakes()) == 1


def test_a_folder_within_that_cannot_be_listed(bench, monkeypatch):
    bench.drop("inner/log.csv", log(*ROWS))
    bench.drop("inner/bad.csv", NO_LOG)
    assert len(bench.look(2)) == 2
    true = os.scandir

    def scandir(path):
        if Path(path).name == "inner":
            raise PermissionError(13, "Permission denied")
        return true(path)

    with monkeypatch.context() as patched:
        patched.setattr(os, "scandir", scandir)
        (lost,) = bench.say(5)
        assert (lost.name, lost.what) == ("inner", "failed") and lost.sentence.endswith("listed: Permission denied")
        bench.drop("log.csv", log("2026-03-05 08:00,Bo,CI-2,15 um,SP-1,99,5,0.4,0.08\n"))
        assert bench.look(5) == [("log.csv", "taken")]  # the rest goes on
    assert bench.look(5) == [("inner", "cleared")]  # and nothing in it is read or reported a second time


def test_a_store_that_cannot_take_a_file_now_gets_it_later(bench):
    bench.drop("log.csv", log(*ROWS))
    bench.hindrance = "the store is busy"
    (waits,) = bench.say(30)
    assert (waits.what, waits.sentence) == ("waits", "log.csv: waits: the store is busy")
    bench.hindrance = ""
    assert bench.look(61) == [("log.csv", "taken")]


def test_a_fault_of_our_own_is_said_and_does_not_end_the_watch(bench):
    bench.drop("a.csv", log(*ROWS))
    taking, bench.watch._take = bench.watch._take, lambda *_: 1 / 0
    (fault,) = bench.say(3)
    assert fault.what == "failed" and fault.sentence.endswith(
        "ZeroDivisionError: division by zero; this is a fault of lapcell"
    )
    bench.watch._take = taking
    bench.drop("b.csv", log(*ROWS))
    assert bench.look(2) == [("b.csv", "taken")]


def test_no_leap_of_the_clock_makes_a_file_whole(bench):
    bench.drop("log.csv", log(*ROWS)[:-12])
    for leap in (1, 3600, -7200, 86_400):
        bench.now += leap
        assert bench.watch.look(bench.now) == ()
    assert bench.look(3) == [("log.csv", "taken")]  # five quiet seconds in all


def test_two_watches_on_one_folder_take_everything_once(bench):
    second = FolderWatch(bench.folder, take=bench.take)
    came = []
    for upto in (2, 5, 8):
        bench.drop("log.csv", log(*ROWS[:upto]))
        for _ in range(2):
            came += [one.what for one in second.look(bench.now)] + [what for _, what in bench.look()]
    came += [one.what for one in second.look(bench.now)]
    assert sorted(came) == ["known"] * 3 + ["taken"] * 3
    assert len(bench.faces()) == 8 and bench.faces()["version"].max() == 1 and len(bench.intakes()) == 3


def test_a_look_at_thousands_of_files_reads_none_that_has_not_changed(bench):
    reads, known = [], bench.take(log(*ROWS).encode(), "one.csv", None)
    for number in range(2000):
        bench.drop(f"{number}.csv", "x\n")
    bench.watch = FolderWatch(bench.folder, take=lambda *taken: reads.append(taken) or known)
    bench.look(2)
    while bench.watch.behind:
        bench.now += 0.001
        bench.watch.look(bench.now)
    assert len(reads) == 2000
    bench.look(5)
    bench.drop("7.csv", "y\n")
    assert bench.look(3) == [("7.csv", "taken")] and len(reads) == 2001


def test_a_file_larger_than_any_log_is_refused_unread(bench, monkeypatch):
    monkeypatch.setattr(watch_module, "MOST_BYTES", 100)
    bench.drop("log.csv", log(*ROWS))
    (refused,) = bench.say(3)
    assert refused.what == "failed" and "more than a log can" in refused.sentence


@pytest.mark.skipif(sys.platform != "linux", reason="names that are no text exist where names are bytes")
def test_a_name_that_is_no_text_is_taken_in(bench):
    name = os.fsdecode(b"B\xfcro.csv")
    (bench.folder / name).write_text(log(*ROWS))
    ((shown, what),) = bench.look(2)
    assert what == "taken" and shown.encode() and "ro.csv" in shown and len(bench.faces()) == 8


def test_times_that_are_odd_do_no_harm(bench):
    for name, moment in (("past.csv", 0), ("future.csv", 4_102_444_800)):
        os.utime(bench.drop(name, log(*ROWS)), (moment, moment))
    assert sorted(what for _, what in bench.look(2)) == ["known", "taken"]


@pytest.mark.parametrize(("quiet_s", "open_s"), [(0, 5), (-1, 5), (6, 5)])
def test_quiet_times_that_cannot_be_are_refused(tmp_path, quiet_s, open_s):
    with pytest.raises(ValueError, match="`quiet_s` must be greater than 0 and at most"):
        FolderWatch(tmp_path, take=lambda *_: None, quiet_s=quiet_s, open_line_quiet_s=open_s)
