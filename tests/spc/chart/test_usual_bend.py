"""How wear usually bends: cycles that slow down, bed in or grow evenly in micrometres wear as usual.

No published value of this is known to us: least squares are held by a second route, the rates by simulation.
"""

import numpy as np
import pytest

from spc.chart.unusual_wear import unusual_cycle
from spc.chart.usual_bend import bend_directions, usual_bend, without_usual_bend
from spc.chart.wear_chart import usual_wear, wear_chart

FORMS = {
    "even in the logarithm": lambda age: 0.4 * np.exp(0.02 * age),
    "even in micrometres": lambda age: 0.2 + 0.04 * age,
    "slowing": lambda age: 0.15 + 0.2 * np.sqrt(age),
    "bedding in": lambda age: 0.2 + 0.5 * (1 - np.exp(-age / 5)),
}


def cycles(rng, form, m, *, n=30, sd=0.12):
    age, label = np.tile(np.arange(float(n)), m), np.repeat(np.arange(m), n)
    return age, np.log(FORMS[form](age)) + 0.05 * rng.normal(size=m)[label] + sd * rng.normal(size=age.size), label


def chart_of(rng, form, past, added=lambda age: 0.0 * age):
    age, value, label = cycles(rng, form, past + 1)
    own = label == past
    known = age[~own], value[~own], label[~own]
    usual, bend = (usual_wear(*known), usual_bend(*known)) if past else (None, None)
    return wear_chart(age[own], value[own] + added(age[own]), usual=usual, bend=bend)


@pytest.mark.parametrize("past", [0, 1, 2, 4, 8])
def test_cycles_that_wear_as_their_past_did_are_seldom_named(past):
    """Stated: one in a hundred; bound four standard errors above it and above half a hundredth for the unknown bend.

    Of each form, and of all forms together.
    """
    rng, runs = np.random.default_rng([11, past]), 40
    named = [
        np.mean([unusual_cycle(chart_of(rng, form, past)).status == "change" for _ in range(runs)]) for form in FORMS
    ]
    for share, tried in ((max(named), runs), (np.mean(named), runs * len(named))):
        assert share <= 0.015 + 4 * np.sqrt(0.015 * 0.985 / tried), named


@pytest.mark.parametrize("form", list(FORMS))
def test_a_jump_on_top_of_a_bend_is_seen_and_called_a_jump(form):
    rng = np.random.default_rng(12)
    found = [unusual_cycle(chart_of(rng, form, 8, lambda age: 0.5 * (age >= 18))) for _ in range(25)]
    assert sum(one.status == "change" and one.changes[0].kind == "mean" for one in found) >= 20


def test_the_bend_is_that_of_one_regression_of_all_cycles():
    """Second route: lines of all cycles and the directions in one least squares, by its normal equations."""
    age, value, label = cycles(np.random.default_rng(13), "slowing", 5)
    bend = usual_bend(age, value, label)
    lines = np.zeros((age.size, 10))
    rows = np.arange(age.size)
    lines[rows, 2 * label], lines[rows, 2 * label + 1] = 1.0, age
    fit, *_ = np.linalg.lstsq(np.column_stack([lines, bend_directions(age, bend.length)]), value, rcond=None)
    grid = np.arange(30.0)
    expected = bend_directions(grid, bend.length) @ fit[10:]
    straight = np.column_stack([np.ones(30), grid])
    expected -= straight @ np.linalg.lstsq(straight, expected, rcond=None)[0]
    assert bend.at(grid) == pytest.approx(expected, abs=0.02)  # a ridge of a millionth holds what is hardly told apart


def test_what_is_left_is_independent_and_of_one_spread():
    """Covariance of what is left about its line, over 3,000 sets of two past cycles and one more, per face."""
    rng, left = np.random.default_rng(14), []
    for _ in range(3_000):
        age, value, label = cycles(rng, "bedding in", 3, n=14, sd=0.1)
        own = label == 2
        bend = usual_bend(age[~own], value[~own], label[~own])
        rest = without_usual_bend(age[own], value[own], bend)
        straight = np.column_stack([np.ones(14), age[own]])
        left.append(rest - straight @ np.linalg.lstsq(straight, rest, rcond=None)[0])
    found = np.cov(np.array(left).T) / 0.1**2
    q = np.linalg.qr(np.column_stack([np.ones(14), np.arange(14.0)]))[0]
    error = 4 * np.sqrt(2 / 3_000)
    assert np.abs(found - (np.eye(14) - q @ q.T)).max() < error + 0.02  # bedding in is not quite one of the directions


def test_too_few_readings_tell_no_bend_and_one_age_is_left_as_it_is():
    assert usual_bend(np.arange(5.0), np.arange(5.0), np.zeros(5, int)) is None
    assert usual_bend(np.empty(0), np.empty(0), np.empty(0, int)) is None
    same = np.array([1.0, 2.0, 1.5])
    assert without_usual_bend(np.zeros(3), same, None) is same
