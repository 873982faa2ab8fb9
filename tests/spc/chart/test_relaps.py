import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import nbinom

from spc.chart.markov import chain_law
from spc.chart.relaps import bernoulli_plan, gap_chart, relap_chart
from spc.chart.share_interval import share_interval
from spc.chart.step_chain import bernoulli_chain

SOURCES = Path(__file__).parents[2] / "sources"


def test_chain_agrees_with_counting():
    law = chain_law(bernoulli_chain(0.05, lattice=14, decision_steps=43))
    rng = np.random.default_rng(1)
    runs = 4000
    total, length, going, point = np.zeros(runs), np.zeros(runs), np.arange(runs), 0
    while going.size:
        point += 1
        total = np.maximum(total + np.where(rng.random(going.size) < 0.05, 13, -1), 0)
        out = total >= 43
        length[going[out]] = point
        going, total = going[~out], total[~out]
    assert law.average == pytest.approx(length.mean(), abs=4 * length.std() / runs**0.5)


def test_chain_agrees_with_the_closed_form_of_a_run():
    """With a lattice so coarse that two bad faces in a row are needed, the wait is (1 + p) / p^2."""
    p = 0.1
    law = chain_law(bernoulli_chain(p, lattice=2, decision_steps=2))
    # States 0 and 1: a good face takes 1 off, so 'bad, bad' is the only way to 2.
    assert law.average == pytest.approx((1 + p) / p**2, rel=1e-10)


def test_plan_reaches_its_average_and_no_more_than_needed():
    plan = bernoulli_plan(0.05, 0.10, average=500)
    assert plan.run_length.average >= 500
    less = chain_law(bernoulli_chain(0.05, lattice=plan.lattice, decision_steps=plan.decision_steps - 1))
    assert less.average < 500
    assert plan.worse_run_length.average < 100
    assert plan.sentence.startswith("one false alarm in about 525 faces at 5.0%; a rise to 10.0% is seen after about")


def test_rise_is_seen_and_placed():
    rng = np.random.default_rng(0)
    bad = np.concatenate([np.zeros(50, bool), rng.random(40) < 0.4])
    found = relap_chart(bad, bernoulli_plan(0.05, 0.15, average=1000))
    assert found.chart.signals[0].index[0] < 70
    assert 50 <= found.since <= 60


def test_gap_limits_are_exact_tails():
    bad = np.random.default_rng(2).random(5000) < 0.05
    chart = gap_chart(bad, share=0.05, together=4)
    low, high = int(np.floor(chart.lower[0])), int(np.ceil(chart.upper[0]))
    assert nbinom.cdf(low - 4, 4, 0.05) <= 0.00135 < nbinom.cdf(low - 3, 4, 0.05)
    assert nbinom.sf(high - 5, 4, 0.05) <= 0.00135 < nbinom.sf(high - 6, 4, 0.05)
    assert np.nansum(chart.value) == np.flatnonzero(bad)[3::4][-1] + 1
    assert "no gap can be too short" in gap_chart(bad, share=0.05).alarms


def test_empty_and_refused():
    plan = bernoulli_plan(0.05, 0.10, average=500)
    assert relap_chart([], plan).chart.status == "too few"
    assert gap_chart([False] * 5, share=0.1).status == "too few"
    with pytest.raises(ValueError, match="`bad` must hold True and False only, got 2 at position 1"):
        relap_chart([0, 2], plan)
    with pytest.raises(ValueError, match="`worse` must be a finite number greater than 0.2"):
        bernoulli_plan(0.2, 0.1, average=500)


with (SOURCES / "clopper_pearson.csv").open() as file:
    EXACT = list(csv.DictReader(file))


@pytest.mark.parametrize("row", EXACT)  # NIST e-Handbook 7.2.4.2 for 4 of 20 (limits from memory); others two routes
def test_exact_intervals(row):
    found = share_interval(int(row["x"]), int(row["n"]), level=float(row["confidence"]))
    assert found.low == pytest.approx(float(row["lower_beta"]), abs=5e-9)
    assert found.high == pytest.approx(float(row["upper_beta"]), abs=5e-9)
    if row["published_lower"]:
        assert found.low == pytest.approx(float(row["published_lower"]), abs=1.1e-6)


def test_none_of_twenty_has_its_closed_form():
    assert share_interval(0, 20, sides="upper").high == pytest.approx(1 - 0.05 ** (1 / 20), rel=1e-12)
    assert share_interval(0, 0).status == "too few"
    with pytest.raises(ValueError, match="`bad` must be a whole number of at least 0 and at most 3, got 4"):
        share_interval(4, 3)


def test_jeffreys_lies_inside_the_exact_interval():
    exact, plain = share_interval(3, 50), share_interval(3, 50, method="Jeffreys")
    assert exact.low < plain.low < plain.high < exact.high


@pytest.mark.parametrize(("share", "together"), [(1e-9, 1), (1e-6, 3), (0.2, 2), (0.99, 1)])
def test_gaps_of_any_share_have_the_tails_of_the_negative_binomial_law(share, together):
    chart = gap_chart([True] * 6, share=share, together=together)
    first_late = int(chart.upper[0] + 0.5)
    assert (
        nbinom.sf(first_late - 1 - together, together, share)
        <= 0.00135
        < nbinom.sf(first_late - 2 - together, together, share)
    )
    if np.isfinite(chart.lower[0]):
        last_short = int(chart.lower[0] - 0.5)
        assert nbinom.cdf(last_short - together, together, share) <= 0.00135
        assert nbinom.cdf(last_short + 1 - together, together, share) > 0.00135
