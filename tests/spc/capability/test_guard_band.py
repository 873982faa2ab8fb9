import math

import numpy as np
import pytest
from scipy import stats

from spc.capability.guard_band import acceptance_trade, conformance_probability, guarded_limit
from spc.model.interval_fit import fit_intervals

BAND_UM = 0.29378  # half of the helium wavelength 587.56 nm


@pytest.fixture(scope="module")
def process():
    """A lognormal law, median 0.8 band and log-sd 0.5, fitted to its own quantiles."""
    x = stats.lognorm(0.5, scale=0.8 * BAND_UM).ppf((np.arange(4000) + 0.5) / 4000)
    return fit_intervals(x, x, family="lognormal")


def test_conformance_matches_the_guide():
    """JCGM 106:2012, example in 7.4: y 13.6, u 1.8, limits 12.5 and 16.3 give 66.3 % (inputs and value from memory).

    The guide lets the measurement alone speak: here under a law so wide that it is flat where the face may lie.
    """
    x = 1000 * (np.arange(4000) + 0.5) / 4000
    flat = fit_intervals(x, x, family="half-normal")
    below = [
        float(conformance_probability(13.599, 13.601, process=flat, upper_um=limit, reader_sd_um=1.8)[0])
        for limit in (12.5, 16.3)
    ]
    assert below[1] - below[0] == pytest.approx(0.663, abs=0.0005)


def test_guarded_limit_is_the_95_percent_one_sided_rule():
    # ISO 14253-1:2017 default, g = 1.645 u (rule from memory of the standard).
    assert guarded_limit(2.0, u_um=0.1) == pytest.approx(2.0 - 0.1645, abs=5e-5)


def test_half_band_trade_agrees_with_integration(process):
    # Half-band readings, limit 2 bands, reader 0.15 band. Second route: numerical integration with scipy's lognormal.
    trade = acceptance_trade(
        process, upper_um=2 * BAND_UM, step_um=0.5 * BAND_UM, reader_sd_um=0.15 * BAND_UM, risk=0.005
    )
    law = stats.lognorm(0.5, scale=0.8)
    x = np.linspace(1e-6, 12, 400_001)
    for accept_bands in (1.5, 2.0):
        rule = min(trade.rules, key=lambda r: abs(r.accept_um - accept_bands * BAND_UM))
        p = stats.norm.cdf((accept_bands + 0.25 - x) / 0.15)
        bad, good = x > 2, x <= 2
        accepted_bad = np.trapezoid(law.pdf(x) * p * bad, x)
        rejected_good = np.trapezoid(law.pdf(x) * (1 - p) * good, x)
        assert rule.bad_accepted == pytest.approx(accepted_bad / law.sf(2), abs=0.002)
        assert rule.good_rejected == pytest.approx(rejected_good / law.cdf(2), abs=0.0002)
    assert trade.chosen is not None
    assert trade.chosen.accept_um == pytest.approx(1.5 * BAND_UM)
    assert trade.bad_share == pytest.approx(law.sf(2), abs=5e-4)


def test_simulated_risks_lie_within_monte_carlo_error(process):
    rng = np.random.default_rng(41)
    true = 0.8 * np.exp(0.5 * rng.standard_normal(400_000))
    read = np.maximum(np.round((true + 0.15 * rng.standard_normal(true.size)) / 0.5) * 0.5, 0)
    trade = acceptance_trade(process, upper_um=2 * BAND_UM, step_um=0.5 * BAND_UM, reader_sd_um=0.15 * BAND_UM)
    rule = min(trade.rules, key=lambda r: abs(r.accept_um - 2.0 * BAND_UM))
    bad = true > 2
    share = np.mean(read[bad] <= 2.0)
    assert rule.bad_accepted == pytest.approx(share, abs=4 * math.sqrt(share * (1 - share) / bad.sum()) + 0.005)
    at_two = read == 2.0
    truth = np.mean(true[at_two] <= 2)
    chance = conformance_probability(
        1.75 * BAND_UM, 2.25 * BAND_UM, process=process, upper_um=2 * BAND_UM, reader_sd_um=0.15 * BAND_UM
    )
    assert chance == pytest.approx(truth, abs=4 * math.sqrt(truth * (1 - truth) / at_two.sum()) + 0.005)


def test_few_bad_faces_and_a_fine_step_are_priced_as_by_integration(process):
    """40 ppm bad and a step of a two thousandth of the limit: second route by scipy's adaptive integration."""
    law = stats.lognorm(0.5, scale=0.8 * BAND_UM)
    limit, step, sd = float(law.isf(40e-6)), float(law.isf(40e-6)) / 2000, 0.01
    trade = acceptance_trade(process, upper_um=limit, step_um=step, reader_sd_um=sd, risk=1e-7)
    assert trade.rules[-1].accept_um > limit and len(trade.rules) < 500
    steps = np.diff([rule.accept_um for rule in trade.rules if rule.accept_um > 0.96 * limit])
    assert steps == pytest.approx(step)
    x = np.concatenate([np.linspace(0.5 * limit, limit, 200_001), np.linspace(limit, 3 * limit, 200_001)])
    for rule in (trade.chosen, min(trade.rules, key=lambda r: abs(r.accept_um - limit))):
        p = law.pdf(x) * stats.norm.cdf((rule.accept_um + step / 2 - x) / sd)
        bad = np.trapezoid((p * (x >= limit))[200_001:], x[200_001:])
        # The fitted law is that of 4,000 quantiles: its tail is a little off the true one, hence the tolerance.
        assert rule.bad_accepted * trade.bad_share == pytest.approx(bad, rel=0.02)
    assert trade.chosen.bad_among_accepted <= 1e-7
    wider = trade.rules[trade.rules.index(trade.chosen) + 1]
    assert wider.bad_among_accepted > 1e-7
    assert "under 0.01%" in trade.sentence


def test_a_face_near_its_limit_agrees_with_the_normal_answer_where_the_law_is_flat():
    """Where the law hardly changes over the reader's spread the answer is that of the reading alone (JCGM 106, 7.4)."""
    wide = fit_intervals(*(stats.weibull_min(2, scale=1.0).ppf((np.arange(999) + 0.5) / 999),) * 2, family="Rayleigh")
    got = conformance_probability([0.699, 0.709], [0.701, 0.711], process=wide, upper_um=0.7, reader_sd_um=0.004)
    law = stats.weibull_min(2, scale=1.0)
    for reading, chance in zip((0.7, 0.71), got, strict=True):
        x = np.linspace(reading - 0.04, reading + 0.04, 160_001)
        weight = law.pdf(x) * (
            stats.norm.cdf((reading + 0.001 - x) / 0.004) - stats.norm.cdf((reading - 0.001 - x) / 0.004)
        )
        by_hand = np.trapezoid(weight * (x <= 0.7), x) / np.trapezoid(weight, x)
        assert chance == pytest.approx(by_hand, abs=0.002)


def test_open_readings_and_perfect_readers(process):
    over = conformance_probability(3 * BAND_UM, math.inf, process=process, upper_um=2 * BAND_UM, reader_sd_um=0.0)
    under = conformance_probability(0.0, 0.5 * BAND_UM, process=process, upper_um=2 * BAND_UM, reader_sd_um=0.0)
    assert (over, under) == (0.0, 1.0)


def test_the_limit_itself_is_a_rule_where_its_steps_add_up_to_it_but_for_rounding():
    law = fit_intervals(*[stats.lognorm(0.4, scale=0.12).ppf((np.arange(500) + 0.5) / 500)] * 2, family="lognormal")
    exact, summed = (
        acceptance_trade(law, upper_um=0.3, step_um=step, reader_sd_um=0.002, risk=0.01)
        for step in (0.01, 0.115 - 0.105)  # as a reading's own ends give it
    )
    assert 30 * 0.01 <= 0.3 < 30 * summed.step_um < 0.3 + 1e-12
    assert exact.chosen.accept_um == 0.3 and summed.chosen.accept_um == pytest.approx(0.3)
    assert summed.sentence == exact.sentence


def test_no_rule_fits_a_hopeless_step(process):
    trade = acceptance_trade(process, upper_um=0.1 * BAND_UM, step_um=0.5 * BAND_UM, reader_sd_um=0.1 * BAND_UM)
    assert trade.chosen is None
    assert trade.sentence.startswith("No reading can be accepted")


@pytest.mark.parametrize(
    ("name", "value"), [("upper_um", 0.0), ("step_um", -1.0), ("reader_sd_um", math.nan), ("risk", 1)]
)
def test_refuses_impossible_terms(process, name, value):
    terms = {"upper_um": 1.0, "step_um": 0.1, "reader_sd_um": 0.1, "risk": 0.01} | {name: value}
    with pytest.raises(ValueError, match=f"`{name}` must be"):
        acceptance_trade(process, **terms)


def test_refuses_a_confidence_that_is_none():
    with pytest.raises(ValueError, match="`confidence` must be"):
        guarded_limit(1.0, u_um=0.1, confidence=0.2)
