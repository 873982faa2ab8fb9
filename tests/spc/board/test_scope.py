import numpy as np
import pandas as pd
import pytest

from spc.board.scope import find_scope


def cell(rng, *, shifted, operators=("kim", "lee", "ann"), parts=("P1", "P2"), laps="ABCD", n=60, swap=True):
    """Faces of several laps side by side; `shifted` says how often the minutes of the last 12 of each lap double."""
    rows = []
    for i in range(n):
        for k, lap in enumerate(laps):
            operator = operators[(k + (i if swap else 0)) % len(operators)]
            part = parts[(i // 2 + k) % len(parts)]
            late = i >= n - 12
            slow = 2.0 ** (late and shifted(lap, operator, part))
            minutes = slow * rng.lognormal(0, 0.15)
            rows.append(
                {
                    "lap": lap,
                    "operator": operator,
                    "part": part,
                    "sort_us": i * 10 + k,
                    "minutes_ratio": minutes,
                    "cycle": 1,
                    "age_faces": float(i),
                }
            )
    return {str(lap): own.reset_index(drop=True) for lap, own in pd.DataFrame(rows).groupby("lap", sort=False)}


def scope_of(shifted, seed=1, room_alpha=0.005, **options):
    signs = cell(np.random.default_rng(seed), shifted=shifted, **options)
    return find_scope(signs, "A", sign="minutes", direction="up", recent=12, room_alpha=room_alpha)


def test_one_lap():
    assert scope_of(lambda lap, operator, part: lap == "A").scope == "one lap"


def test_one_operator():
    found = scope_of(lambda lap, operator, part: operator == "kim", operators=("kim", "lee", "ann"))
    assert found.scope == "one operator"
    assert "kim" not in found.sentence


def test_one_part_number():
    found = scope_of(lambda lap, operator, part: part == "P1", parts=("P1", "P2", "P3"))
    assert found.scope == "one part number"
    assert found.sentence.startswith("it follows part number P1: the faces of that part number are ")


def test_many_laps():
    found = scope_of(lambda lap, operator, part: True, laps="ABCDEF")
    assert found.scope == "many laps"
    assert "6 of 6 laps" in found.sentence


def test_the_room_is_said_alone_only_where_its_test_calls_it():
    """The same test that a shift is put to, with the same number of laps; or made already, without a call."""
    few = scope_of(lambda lap, operator, part: True)
    assert (few.scope, few.among) == ("", ("one lap", "many laps"))
    assert "too few laps run to tell the room from the lap" in few.sentence
    found = scope_of(lambda lap, operator, part: True, laps="ABCDEF", room_alpha=None)
    assert (found.scope, found.among) == ("", ("one lap", "many laps"))
    assert found.sentence == "the last faces cannot tell A and the room apart"
    assert found.check == "Lap and read a check piece on another lap."


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


def worn(i, lap):
    """Cycles of 20 faces of which every one grows by 4 % a face; lap B began its running cycle ten faces later."""
    age = (i + (10 if lap == "B" else 0)) % 20
    return age, 0.4 * np.exp(0.04 * age)


@pytest.mark.parametrize("bad", [False, True])
def test_laps_that_are_old_together_have_not_moved_together(bad):
    rng, n, rows = np.random.default_rng(3), 78, []
    for i in range(n):
        for k, lap in enumerate("ABCD"):
            age, flatness = worn(i, lap)
            slow = 2.0 if bad and lap == "A" and i >= n - 8 else 1.0
            flatness *= slow * rng.lognormal(0, 0.12)
            rows.append(
                {"lap": lap, "operator": "kim lee ann".split()[(i + k) % 3], "part": "P1", "sort_us": i * 10 + k,
                 "first_low_um": flatness, "first_high_um": flatness, "cycle": (i + 10 * (lap == "B")) // 20,
                 "age_faces": float(age)}
            )  # fmt: skip
    signs = {str(lap): own.reset_index(drop=True) for lap, own in pd.DataFrame(rows).groupby("lap", sort=False)}
    found = find_scope(signs, "A", sign="flatness", direction="up")
    assert (found.scope == "one lap") if bad else (found.scope != "many laps")


def test_the_only_part_number_of_the_cell_is_not_blamed():
    options = {"parts": ("P1",), "laps": "AB", "seed": 2}
    found = scope_of(lambda lap, operator, part: True, **options)
    assert found.scope == "" and "too few laps run to tell the room from the lap" in found.sentence
    assert scope_of(lambda lap, operator, part: lap == "A", **options).scope == "one lap"


def test_hands_that_lap_nowhere_else_are_not_told_from_their_lap():
    options = {"operators": ("kim", "lee", "ann", "joe"), "swap": False, "parts": ("P1",)}
    found = scope_of(lambda lap, operator, part: lap == "A", **options)
    assert (found.scope, found.among) == ("", ("one lap", "one operator"))
    assert "one set of hands on A alone" in found.sentence
    assert found.check == "Have somebody else lap the next one here."


def test_a_few_faces_of_one_operator_on_two_laps_are_seen_beside_those_of_others_there():
    found = scope_of(lambda lap, operator, part: lap in "AB" and operator == "kim", laps="ABCDEF")
    assert found.scope == "one operator"
    assert found.sentence.startswith("it follows one operator: the faces of that operator are ")


def test_the_usual_scatter_follows_nothing():
    found = [scope_of(lambda lap, operator, part: False, seed=seed) for seed in range(1, 7)]
    assert not any(one.scope for one in found)
    assert "do not tell what it follows" in found[0].sentence


def test_an_operator_off_on_other_laps_says_nothing_of_this_one():
    found = scope_of(lambda lap, operator, part: operator == "kim" and lap != "A", laps="ABCDEF")
    assert found.scope == ""


def test_a_lap_that_has_moved_is_told_beside_an_operator_who_is_off_everywhere():
    found = scope_of(lambda lap, operator, part: (operator == "kim") + (lap == "A"), laps="ABCDEF")
    assert found.scope == "one lap"
