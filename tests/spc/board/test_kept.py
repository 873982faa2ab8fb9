import json
import os
import time
from dataclasses import replace

import numpy as np
import pytest

from spc.board import kept as keeping
from spc.board.false_calls import plan_budget
from spc.board.kept import digest_of_values, find_kept, kept, write_behind
from spc.wear.pooled import fit_pooled
from spc.wear.wear_path import wear_path


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", str(tmp_path / "kept"))
    return tmp_path / "kept"


def never():
    raise AssertionError("computed again")


def test_a_result_is_computed_once_and_comes_back_equal(folder):
    plan = plan_budget([20.0, 30.0], false_calls_per_week=1)
    assert kept("plan", "d" * 64, lambda: plan) == plan
    assert kept("plan", "d" * 64, never) == plan


def test_a_pooled_fit_comes_back_to_the_last_bit(folder):
    rng = np.random.default_rng(1)
    paths = [wear_path(f"c{i}", np.arange(20.0), 1 + 0.05 * np.arange(20) + rng.normal(0, 0.1, 20)) for i in range(4)]
    fit = fit_pooled(paths, rng=np.random.default_rng(2))
    kept("pool", "e" * 64, lambda: fit)
    back = kept("pool", "e" * 64, never)
    assert [s.share for s in back.shapes] == [s.share for s in fit.shapes]
    for ours, theirs in zip(fit.past, back.past, strict=True):
        assert np.array_equal(ours.low, theirs.low)
        assert replace(ours, age=None, low=None, high=None, sign_known=None, limit=0.0) == replace(
            theirs, age=None, low=None, high=None, sign_known=None, limit=0.0
        )


def test_what_was_damaged_is_computed_anew(folder):
    kept("x", "f" * 64, lambda: 1)
    (file,) = folder.glob("x-*.json")
    for text in ("", "{", json.dumps({"kind": "class", "name": "os:system", "fields": {}}), '{"kind": "what"}'):
        file.write_text(text)
        assert kept("x", "f" * 64, lambda: 2) == 2


def test_foreign_classes_are_never_written(folder):
    with pytest.raises(TypeError, match="must be plain"):
        kept("x", "a" * 64, object)


def test_off_keeps_nothing(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert kept("x", "b" * 64, lambda: 3) == 3
    assert not list(tmp_path.iterdir())


def test_a_folder_that_cannot_be_made_is_no_fault(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("LAPCELL_CACHE", str(tmp_path / "file" / "kept"))
    assert kept("x", "c" * 64, lambda: 4) == 4


def test_the_digest_tells_apart_what_differs():
    same = digest_of_values("a", 1.0, np.arange(3.0))
    assert same == digest_of_values("a", 1.0, np.arange(3.0))
    others = {digest_of_values("a", 1.0 + 1e-16 * 3, np.arange(3.0)), digest_of_values("a", 1.0, np.arange(4.0)),
              digest_of_values("a1.0", np.arange(3.0))}  # fmt: skip
    assert same not in others


@pytest.fixture
def behind():
    write_behind(0.3)
    yield
    write_behind(0.0)


def test_what_is_written_behind_is_found_meanwhile_and_lies_in_the_folder_later(folder, behind):
    assert kept("x", "1" * 64, lambda: (1, 2), place="CI-1") == (1, 2)
    assert not list(folder.iterdir())
    assert kept("x", "1" * 64, never) == (1, 2)
    for _ in range(100):
        if list(folder.glob("x-*.json")):
            break
        time.sleep(0.05)
    assert find_kept("x", "1" * 64) == (1, 2)


def test_of_one_place_only_the_newest_is_written_behind(folder, behind):
    for number in range(3):
        kept("x", str(number) * 64, lambda number=number: number, place="CI-1")
    kept("x", "7" * 64, lambda: 7, place="CI-2")
    for _ in range(100):
        if len(list(folder.glob("x-*.json"))) >= 2:
            break
        time.sleep(0.05)
    assert [find_kept("x", name * 64) for name in "0127"] == [None, None, 2, 7]


def test_what_sixty_laps_of_many_groups_ask_for_is_all_kept_from_one_look_to_the_next(folder):
    asked = [
        (kind, f"{at:040d}") for kind, count in (("trial", 240), ("forecast", 60), ("pool", 120)) for at in range(count)
    ]
    for kind, digest in asked:
        kept(kind, digest, lambda: 1.0)
    assert all(kept(kind, digest, never) == 1.0 for kind, digest in asked)


def test_the_oldest_go_first_of_a_kind_and_of_all(folder, monkeypatch):
    monkeypatch.setattr(keeping, "_MOST_FILES", 5)
    for at, kind in enumerate("aaabbbb"):
        kept(kind, f"{at:040d}", lambda: 1.0, most=2 if kind == "a" else 9)
        for file in folder.glob("*.json"):
            os.utime(file, ns=(0, file.stat().st_mtime_ns - 1_000_000_000))  # apart by more than a clock ticks
    held = [f"{kind}{at}" for at, kind in enumerate("aaabbbb") if find_kept(kind, f"{at:040d}") is not None]
    assert held == ["a2", "b3", "b4", "b5", "b6"]
