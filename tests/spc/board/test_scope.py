import numpy as np
import pandas as pd
import pytest

from spc.board.scope import find_scope


def cell(rng, *, shifted, operators=("kim", "lee", "ann"), parts=("P1", "P2"), laps="ABCD", n=60, swap=True):
    """Faces of several laps side by side; `shifted` says which of the last 12 of each lap take twice the minutes."""
    rows = []
    for i in range(n):
        for k, lap in enumerate(laps):
            operator = operators[(k + (i if swap else 0)) % len(operators)]
            part = parts[(i // 2 + k) % len(parts)]
            late = i >= n - 12
            slow = 2.0 if late and shifted(lap, operator, part) else 1.0
            minutes = slow * rng.lognormal(0, 0.15)
            rows.append(
                {"lap": lap, "operator": operator, "part": part, "sort_us": i * 10 + k, "minutes_ratio": minutes}
            )
    return {str(lap): own.reset_index(drop=True) for lap, own in pd.DataFrame(rows).groupby("lap", sort=False)}


def scope_of(shifted, seed=1, **options):
    signs = cell(np.random.default_rng(seed), shifted=shifted, **options)
    return find_scope(signs, "A", sign="minutes", direction="up", recent=12)


def test_one_lap():
    assert scope_of(lambda lap, operator, part: lap == "A").scope == "one lap"


def test_one_operator():
    found = scope_of(lambda lap, operator, part: operator == "kim", operators=("kim", "lee", "ann"))
    assert found.scope == "one operator"
    assert "kim" not in found.sentence


def test_one_part_number():
    assert scope_of(lambda lap, operator, part: part == "P1", parts=("P1", "P2", "P3")).scope == "one part number"


def test_many_laps():
    found = scope_of(lambda lap, operator, part: True)
    assert found.scope == "many laps"
    assert "4 of 4 laps" in found.sentence


def test_one_person_on_one_lap_alone_cannot_be_told():
    options = {"operators": ("kim", "lee", "ann", "joe"), "swap": False, "parts": ("P1",), "laps": "A"}
    found = scope_of(lambda lap, operator, part: lap == "A", **options)
    assert found.scope == ""
    assert "not told apart until somebody else" in found.sentence


def test_too_few_and_unknown_words():
    signs = cell(np.random.default_rng(2), shifted=lambda *_: False, n=2)
    assert "too few" in find_scope(signs, "A", sign="minutes", direction="up").sentence
    with pytest.raises(ValueError, match="`sign` must be one of"):
        find_scope(signs, "A", sign="mood", direction="up")
    with pytest.raises(ValueError, match="`direction` must be 'up' or 'down'"):
        find_scope(signs, "A", sign="minutes", direction="sideways")
