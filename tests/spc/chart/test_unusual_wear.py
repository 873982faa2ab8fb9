import numpy as np
import pytest

from spc.chart.unusual_wear import NAMES, surely_usual, unusual_cycle, unusual_wear
from spc.chart.usual_bend import without_usual_bend
from spc.chart.wear_chart import usual_wear, wear_chart


@pytest.mark.parametrize(
    ("added", "name"),
    [
        (lambda i: 4.0 * (i >= 25), "jump"),
        (lambda i: 1.0 * np.maximum(0, i - 30), "slope change"),
        (lambda i: 0.02 * (i - 20.0) ** 2, "bend"),
    ],
)
def test_names_what_is_not_usual(added, name):
    i = np.arange(40.0)
    found = unusual_wear(i, 1 + 0.1 * i + np.random.default_rng(102).normal(size=40) + added(i))
    assert NAMES[found.changes[0].kind] == name


def test_a_slope_change_in_mid_cycle_may_as_well_be_a_bend():
    i = np.arange(40.0)
    found = unusual_wear(i, np.random.default_rng(102).normal(size=40) + 0.35 * np.maximum(0, i - 20))
    assert {found.changes[0].kind, *found.near} >= {"slope", "curvature"}
    assert "explains them about as well" in found.sentence


def test_too_few_faces_are_said():
    assert unusual_wear([0.0, 1.0], [1.0, 2.0]).status == "refused"


def cycles_and_one(rng, added, past=8, n=20):
    """Past cycles of 24 faces whose starts and slopes differ, and one more with something added to its logs."""

    def cycle(faces):
        t = np.arange(float(faces))
        line = np.log(0.4) + 0.1 * rng.normal() + 0.02 * np.exp(0.2 * rng.normal()) * t
        return t, line + 0.15 * rng.normal(size=faces)

    known = [cycle(24) for _ in range(past)]
    label = np.repeat(np.arange(past), 24)
    usual = usual_wear(np.concatenate([t for t, _ in known]), np.concatenate([y for _, y in known]), label)
    t, y = cycle(n)
    return wear_chart(t, y + added(t), usual=usual)


def test_scores_against_past_cycles_see_a_jump_that_the_own_line_hides():
    rng, seen, hidden = np.random.default_rng(5), 0, 0
    for _ in range(25):
        chart = cycles_and_one(rng, lambda t: 0.45 * (t >= 12))
        found = unusual_cycle(chart)
        seen += found.status == "change" and found.changes[0].kind == "mean"
        hidden += unusual_wear(chart.age, chart.value, false_detection=0.01).status == "change"
    assert seen >= 9 and seen >= hidden + 3
    few = cycles_and_one(rng, lambda t: 0.45 * (t >= 12), past=4)
    own = without_usual_bend(few.age, few.value, few.bend)
    assert unusual_cycle(few).p_value == unusual_wear(few.age, own, false_detection=0.01).p_value


def test_cycles_that_wear_as_usual_are_left_alone():
    rng = np.random.default_rng(6)
    called = sum(unusual_cycle(cycles_and_one(rng, lambda t: 0 * t, past=6)).status == "change" for _ in range(80))
    assert called <= 80 * 0.01 + 4 * (80 * 0.01) ** 0.5


def test_a_bend_over_the_whole_cycle_is_named_or_said_to_be_near_and_a_jump_or_a_steeper_line_is_none():
    rng, bent, jumped, steeper = np.random.default_rng(7), 0, 0, 0
    for _ in range(25):
        found = unusual_cycle(cycles_and_one(rng, lambda t: 0.004 * t**2, n=24))
        bent += "curvature" in (*(c.kind for c in found.changes), *found.near)
        assert "curvature" not in found.near or found.sentence.endswith("A bend explains them about as well.")
        jumped += _called_a_bend(unusual_cycle(cycles_and_one(rng, lambda t: 0.45 * (t >= 14), n=24)))
        steeper += _called_a_bend(unusual_cycle(cycles_and_one(rng, lambda t: 0.05 * t, n=24)))
    assert bent >= 20 and jumped <= 3 and steeper <= 3


def _called_a_bend(found):
    return found.status == "change" and found.changes[0].kind == "curvature"


def test_where_no_search_is_needed_none_would_find_anything():
    rng, spared = np.random.default_rng(8), 0
    for past in (4, 8):
        for size in (0.0, 0.3, 0.6) * 6:
            chart = cycles_and_one(rng, lambda t, size=size: size * (t >= 12), past=past)
            if surely_usual(chart):
                spared += 1
                assert unusual_cycle(chart).status == "none"
    assert spared >= 12
