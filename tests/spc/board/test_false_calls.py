import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest

from spc.board.false_calls import combined_p, go_look, plan_budget, shift_score, widths_for
from spc.chart.run_length import ewma_run_length

SOURCES = Path(__file__).parents[2] / "sources"


def published():
    rows = list(csv.DictReader((SOURCES / "bh_1995_example.csv").read_text().splitlines()))
    return rows, json.loads((SOURCES / "bh_1995_example.json").read_text())


def test_benjamini_hochberg_example():  # Benjamini and Hochberg (1995), 15 p-values, q 0.05: 4 found, Bonferroni 3
    rows, said = published()
    p = np.array([float(r["p"]) for r in rows])
    found = go_look(p, q=said["q"])
    assert found.listed.sum() == said["rejected_bh"]
    assert np.sum(p <= said["q"] / p.size) == said["rejected_bonferroni"]
    assert found.listed.tolist() == [r["rejected"] == "True" for r in rows]
    assert found.adjusted_p == pytest.approx([float(r["bh_adjusted"]) for r in rows], abs=5e-9)


@pytest.mark.parametrize(("dependence", "method"), [("positive", "fdr_bh"), ("any", "fdr_by")])
def test_go_look_equals_statsmodels(dependence, method):  # outside reference: statsmodels multipletests
    from statsmodels.stats.multitest import multipletests

    p = np.random.default_rng(31).beta(0.4, 2, size=30)
    reject, adjusted, _, _ = multipletests(p, alpha=0.1, method=method)
    found = go_look(p, q=0.1, dependence=dependence)
    assert found.adjusted_p == pytest.approx(adjusted, abs=1e-12)
    assert found.listed.tolist() == reject.tolist()


def test_over_limit_and_scratch_are_never_filtered():
    found = go_look([0.9, np.nan, 0.8, 0.001], never_filtered=[True, True, False, False])
    assert found.listed.tolist() == [True, True, False, True]
    assert math.isnan(found.adjusted_p[1])
    assert found.sentence.startswith(
        "Of 4 laps 1 stands apart by the faces of this shift, 2 more are listed for a face"
    )
    found = go_look([0.0001, 0.9, 0.001], never_filtered=[True, False, False])  # one is listed for both: counted once
    assert found.sentence.startswith("Of 3 laps 2 stand apart by the faces of this shift; of laps that stand apart,")


def test_silent_cell_lists_nobody():
    assert not go_look([np.nan, np.nan]).listed.any()
    assert not go_look([]).listed.any()


@pytest.mark.parametrize("side", ["upper", "lower", "both"])
def test_widths_meet_the_wish_by_the_run_length_of_both_rules(side):  # second way: the chart's own run length
    found = widths_for(370.0, side=side)
    length = ewma_run_length(found.weight, found.width_sd, sides=side, limit_z=found.limit_z)
    assert found.points_between == pytest.approx(length.average, rel=1e-9)
    assert 370 <= length.average <= 1.03 * 370
    alone = ewma_run_length(found.weight, found.width_sd, sides=side).average
    assert alone == pytest.approx(1 / (found.alpha * (2 if side == "both" else 1)), rel=1e-6)  # both get the same share


def test_budget_is_kept_and_busy_charts_spend_more():
    plan = plan_budget([100.0] * 10 + [20.0] * 5, false_calls_per_week=1.0)
    assert plan.status == "ok"
    assert plan.charts == 15
    assert plan.expected_per_week <= 1.0
    assert plan.expected_per_week >= 0.9  # and not wasted
    assert plan.room_alpha * plan.room_tests_per_week == pytest.approx(0.1)
    assert "At most one false call a week for the cell: 15 charts" in plan.sentence


def test_a_larger_budget_sees_sooner():
    strict, loose = (plan_budget([100.0] * 12, false_calls_per_week=b).widths for b in (0.5, 5.0))
    assert loose.limit_z < strict.limit_z
    assert loose.sees_one_sd < strict.sees_one_sd


def test_says_when_there_is_no_budget_to_set():
    assert plan_budget([]).status == "no points"


def test_a_cell_of_few_points_has_charts_that_do_not_use_the_budget_up():
    for budget in (1.0, 5.0):
        small = plan_budget([10.0], false_calls_per_week=budget)
        assert small.status == "ok" and small.widths is not None
        assert 100 <= small.widths.points_between < 110
        assert small.expected_per_week < budget


def test_combined_p_of_equal_values_is_that_value():  # identity of the Cauchy combination
    assert combined_p([0.03, 0.03, 0.03]) == pytest.approx(0.03, abs=1e-12)
    assert combined_p([0.2, np.nan]) == 0.2
    assert math.isnan(combined_p([np.nan]))
    # second way: the definition with scipy's Cauchy law
    from scipy.stats import cauchy

    p = [0.001, 0.4, 0.9]
    assert combined_p(p) == pytest.approx(cauchy.sf(np.mean(cauchy.isf(p))), rel=1e-9)
    assert 0 < combined_p([1e-200, 0.5]) < 1e-190


def test_shift_score():
    assert shift_score([1.0, np.nan, 1.0, 1.0, 1.0]) == 2.0
    assert math.isnan(shift_score([]))


def test_refuses_bad_arguments():
    with pytest.raises(ValueError, match="`false_calls_per_week` must be a finite number greater than 0"):
        plan_budget([1.0], false_calls_per_week=0)
    with pytest.raises(ValueError, match="`points_per_week` must be"):
        plan_budget([-1.0])
    with pytest.raises(ValueError, match="`p_values` must be between 0 and 1"):
        go_look([1.5])
    with pytest.raises(ValueError, match="`dependence` must be"):
        go_look([0.5], dependence="none")
    with pytest.raises(ValueError, match="`points_between` must be"):
        widths_for(3.0)
