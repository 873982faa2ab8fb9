"""What a watched folder costs; run by `pytest tests/benchmarks/bench_watch.py -o python_files='bench_*.py'`."""

import pytest

from spc.log.watch import FolderWatch

N_FILES = 5_000


class Taken:
    """An intake that took something in."""

    refused, intake_id, remarks = False, 1, ()


@pytest.fixture
def watch(tmp_path):
    for number in range(N_FILES):
        (tmp_path / f"{number}.csv").write_text("lap,minutes\nCI-1,5\n")
    return FolderWatch(tmp_path, take=lambda *_: Taken)


def settle(watch, now):
    """Look until everything is taken; the clock moves on by little, as it does while there is much to do."""
    n_taken = len(watch.look(now))
    while watch.behind:
        now += 0.001
        n_taken += len(watch.look(now))
    return n_taken


def test_first_reading_of_thousands_of_files(benchmark, watch):
    watch.look(0.0)
    assert benchmark.pedantic(settle, args=(watch, 1.0), rounds=1) == N_FILES


def test_a_look_at_thousands_of_files_that_rest(benchmark, watch):
    watch.look(0.0)
    settle(watch, 1.0)
    clock = iter(range(10, 10_000))
    assert benchmark(lambda: watch.look(float(next(clock)))) == ()
