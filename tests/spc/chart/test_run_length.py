import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from spc.chart.price import ewma_width_for, price, sees
from spc.chart.rule_chain import rule_automaton
from spc.chart.rules import RULES, RunRule
from spc.chart.run_length import cusum_run_length, ewma_run_length, rule_run_length

SOURCES = Path(__file__).parents[2] / "sources"
ALL = tuple(RULES.values())


def rows(name):
    with (SOURCES / name).open() as file:
        return list(csv.DictReader(file))


# Champ and Woodall (1987), Table 1, from memory (2 decimals); chain computed apart from this code.
@pytest.mark.parametrize("row", rows("run_rule_arls.csv"))
def test_rules_match_champ_and_woodall(row):
    rules = tuple(RULES[name] for name in row["rules"].split("; "))
    found = rule_run_length(rules, shift_sd=float(row["shift_sd"]))
    assert found.average == pytest.approx(float(row["chain_arl"]), abs=6e-6)
    if row["published_arl"]:
        assert found.average == pytest.approx(float(row["published_arl"]), abs=0.0051)
    assert abs(found.average - float(row["simulated_arl"])) < 4 * float(row["simulated_se"])


# Lucas and Saccucci (1990), from memory: 3 digits printed, width to 3 decimals, so one unit of the last digit.
@pytest.mark.parametrize("row", rows("ewma_arls.csv"))
def test_ewma_matches_lucas_and_saccucci(row):
    weight, width, shift = (float(row[key]) for key in ("weight", "width_sd", "shift_sd"))
    found = ewma_run_length(weight, width, shift_sd=shift)
    published = float(row["published_arl"])
    unit = 1.0 if published >= 100 else 0.1
    assert found.average == pytest.approx(published, abs=1.01 * unit)
    assert found.average == pytest.approx(float(row["integral_equation_arl"]), rel=1e-6)
    assert ewma_run_length(weight, width, shift_sd=shift, route="markov").average == pytest.approx(
        found.average, rel=5e-4
    )


# Lucas and Crosier (1982) as in textbooks, from memory: 3 digits, with and without the fast start.
@pytest.mark.parametrize("row", rows("cusum_arl_h4.csv"))
def test_cusum_matches_lucas_and_crosier(row):
    reference, decision, shift = (float(row[key]) for key in ("reference_sd", "decision_sd", "shift_sd"))
    found = cusum_run_length(reference, decision, shift_sd=shift)
    published = float(row["published_arl"])
    assert found.average == pytest.approx(
        published, abs=0.51 * (1 if published >= 100 else 0.1 if published > 10 else 0.01)
    )
    assert found.average == pytest.approx(float(row["integral_equation_arl"]), rel=1e-6)
    assert cusum_run_length(reference, decision, shift_sd=shift, route="markov").average == pytest.approx(
        found.average, rel=1e-4
    )
    fast = cusum_run_length(reference, decision, shift_sd=shift, head_start=0.5)
    published = float(row["published_fast_start_arl"])
    assert fast.average == pytest.approx(
        published, abs=0.6 * (1 if published >= 100 else 0.1 if published > 10 else 0.01)
    )


# One-sided 336 and 930 for decisions 4 and 5: NIST/SEMATECH e-Handbook 6.3.2.3, from memory.
@pytest.mark.parametrize(("decision", "published"), [(4.0, 335.4), (5.0, 930.9)])
def test_one_sided_cusum(decision, published):
    assert cusum_run_length(0.5, decision, sides="upper").average == pytest.approx(published, abs=0.05)


def test_chain_of_one_limit_is_geometric():
    found = rule_run_length((RULES["beyond the limit"],))
    p = 1 / found.average
    assert found.median == np.ceil(np.log(0.5) / np.log1p(-p))
    assert found.percentile_95 == np.ceil(np.log(0.05) / np.log1p(-p))
    assert found.deviation == pytest.approx(((1 - p) / p**2) ** 0.5, rel=1e-9)
    assert found.steady_average == pytest.approx(found.average, rel=1e-9)


def test_chain_states_are_as_few_as_can_be():  # Champ and Woodall's chain for the pair had 7 states as well
    assert rule_automaton((RULES["beyond the limit"], RULES["far out"]), "both").step.shape[0] == 7
    assert rule_automaton((RULES["beyond the limit"],), "both").step.shape[0] == 1


def test_eight_rules_agree_with_counting():
    """Second way: the rules themselves on simulated points, fresh start each run; band 4 standard errors."""
    from spc.chart.rules import rule_signals

    rng = np.random.default_rng(7)
    runs, points = 1500, 1200
    z = rng.normal(size=(runs, points))
    first = np.full(runs, points + 1)
    segments = np.repeat(np.arange(runs), points)
    for signals in rule_signals(z.ravel(), rules=ALL, segments=segments):
        np.minimum.at(first, signals.index // points, signals.index % points + 1)
    assert (first <= points).all()
    exact = rule_run_length(ALL)
    assert first.mean() == pytest.approx(exact.average, abs=4 * first.std() / runs**0.5)
    assert np.median(first) == pytest.approx(exact.median, abs=4 * 1.25 * first.std() / runs**0.5)


def test_exact_early_limits_signal_sooner_and_agree_with_counting():
    found = ewma_run_length(0.1, 2.7, sides="upper", exact_limits=True, shift_sd=1.0)
    rng = np.random.default_rng(3)
    runs = 20_000
    average = np.zeros(runs)
    length = np.zeros(runs)
    going = np.arange(runs)
    point = 0
    while going.size:
        point += 1
        average = np.maximum(0.9 * average + 0.1 * (rng.normal(size=going.size) + 1.0), 0.0)
        out = average > 2.7 * (0.1 / 1.9 * (1 - 0.9 ** (2 * point))) ** 0.5
        length[going[out]] = point
        going, average = going[~out], average[~out]
    assert found.average == pytest.approx(length.mean(), abs=4 * length.std() / runs**0.5)
    assert found.median == pytest.approx(np.median(length), abs=1)
    assert found.average < ewma_run_length(0.1, 2.7, sides="upper", shift_sd=1.0).average


def test_limit_and_average_together_agree_with_counting():
    found = ewma_run_length(0.2, 2.86, limit_z=3.2)
    rng = np.random.default_rng(4)
    runs = 6000
    average, length, going, point = np.zeros(runs), np.zeros(runs), np.arange(runs), 0
    edge = 2.86 * (0.2 / 1.8) ** 0.5
    while going.size:
        point += 1
        z = rng.normal(size=going.size)
        average = 0.8 * average + 0.2 * z
        out = (np.abs(average) > edge) | (np.abs(z) > 3.2)
        length[going[out]] = point
        going, average = going[~out], average[~out]
    assert found.average == pytest.approx(length.mean(), abs=4 * length.std() / runs**0.5)
    assert found.average < ewma_run_length(0.2, 2.86).average


def test_width_found_gives_the_wanted_average():
    width = ewma_width_for(500.0, weight=0.1)
    assert width == pytest.approx(2.814, abs=0.001)  # Lucas and Saccucci (1990), from memory
    assert ewma_run_length(0.1, width).average == pytest.approx(500.0, rel=1e-6)
    assert ewma_width_for(1e6, weight=0.1) > ewma_width_for(1e5, weight=0.1) > width


@pytest.mark.parametrize("width", [9.0, 40.0])
def test_limits_beyond_reach_are_endless_not_a_crash(width):
    for found in (
        rule_run_length((RULES["beyond the limit"], RULES["far out"]), limit_z=width),
        ewma_run_length(0.1, width, exact_limits=True),
        ewma_run_length(0.1, width, sides="upper", limit_z=width),
        cusum_run_length(0.5, 5 * width, head_start=0.5),
        cusum_run_length(0.5, 5 * width, shift_sd=3.0),
    ):
        assert found.average > 1e9 or found.shift_sd == 3.0
        assert found.steady_average > 10 and found.median > 10
        assert not np.isnan([found.average, found.steady_average, found.deviation, found.median]).any()


def test_price_of_a_rule_in_days():
    (priced,) = price((RULES["one side"],), 20.0)
    assert priced.days_base == pytest.approx(370.398 / 20, abs=1e-3)
    assert priced.days_together == pytest.approx(152.730 / 20, abs=1e-3)
    assert priced.sentence == (
        "eight in a row on one side of the centre: a false alarm every 7.6 days instead of every 19 days"
    )


def test_sight_in_words():
    words = sees(lambda shift: rule_run_length((RULES["beyond the limit"],), shift_sd=shift))
    assert words == "sees a lasting shift of 0.5 sd after about 155, 1 sd after about 44, 2 sd after about 6.3 points"

    bands = sees(
        lambda shift: rule_run_length((RULES["beyond the limit"],), shift_sd=shift), sd_in_unit=0.3, unit="band"
    )
    assert bands.startswith("sees a lasting shift of 0.15 band after about 155, 0.3 band after about 44")


# Tables of Lucas and Crosier and of Lucas and Saccucci as in textbooks, from memory: 3 digits or one decimal.
@pytest.mark.parametrize(
    ("reference", "decision", "shift", "published", "half_unit"),
    [
        (0.5, 5.0, 0.0, 465, 0.5),
        (0.5, 5.0, 0.5, 38.0, 0.05),
        (0.5, 5.0, 1.0, 10.4, 0.05),
        (0.5, 5.0, 2.0, 4.01, 0.005),
        (0.25, 8.01, 0.0, 370, 0.5),
        (0.25, 8.01, 0.5, 28.8, 0.05),
        (0.25, 8.01, 1.0, 11.4, 0.05),
    ],
)
def test_more_published_sums(reference, decision, shift, published, half_unit):
    found = cusum_run_length(reference, decision, shift_sd=shift).average
    assert found == pytest.approx(published, abs=1.02 * half_unit)


# Zone rules alone by closed form: a run of k on either side of the centre needs 2^(k-1) * 2 - 1 points on average.
@pytest.mark.parametrize(("count", "average"), [(8, 255.0), (9, 511.0), (7, 127.0)])
def test_runs_on_one_side_have_their_closed_form(count, average):
    rule = RunRule("one side", f"{count} in a row on one side of the centre", "beyond", count, count, 0.0)
    assert rule_run_length((rule,)).average == pytest.approx(average, rel=1e-10)
    (see_saw,) = (rule for rule in ALL if rule.name == "see-saw")
    assert rule_run_length((see_saw,)).average == pytest.approx(2**12 - 1, rel=1e-10)


def test_hugging_and_splitting_have_their_closed_form():
    """A run of k points of chance p needs (1 - p^k) / ((1 - p) p^k) points on average."""
    p = 2 * norm.cdf(1.0) - 1
    for name, chance in (("hugging", p), ("split", 1 - p)):
        k = RULES[name].count
        expected = (1 - chance**k) / ((1 - chance) * chance**k)
        assert rule_run_length((RULES[name],)).average == pytest.approx(expected, rel=1e-9)


def test_steady_state_and_percentiles_agree_with_counting():
    """The shift comes upon a chart that has run for 150 points without a signal."""
    rng = np.random.default_rng(9)
    runs = 30_000
    edge = 2.86 * (0.2 / 1.8) ** 0.5
    average = np.zeros(runs)
    for _ in range(150):
        average = 0.8 * average + 0.2 * rng.normal(size=average.size)
        average = average[np.abs(average) <= edge]
    length, going, point = np.zeros(average.size), np.arange(average.size), 0
    while going.size:
        point += 1
        average = 0.8 * average + 0.2 * rng.normal(1.0, 1.0, going.size)
        out = np.abs(average) > edge
        length[going[out]] = point
        going, average = going[~out], average[~out]
    found = ewma_run_length(0.2, 2.86, shift_sd=1.0)
    assert found.steady_average == pytest.approx(length.mean(), abs=4 * length.std() / length.size**0.5)


def test_two_sided_sum_agrees_with_counting_in_spread_and_percentiles():
    rng = np.random.default_rng(10)
    runs = 20_000
    sums, length, going, point = np.full((runs, 2), 1.5), np.zeros(runs), np.arange(runs), 0
    while going.size:
        point += 1
        z = rng.normal(size=going.size)
        sums = np.maximum(sums + np.column_stack((z, -z)) - 0.5, 0.0)
        out = (sums > 3.0).any(axis=1)
        length[going[out]] = point
        going, sums = going[~out], sums[~out]
    found = cusum_run_length(0.5, 3.0, head_start=0.5)
    assert found.average == pytest.approx(length.mean(), abs=4 * length.std() / runs**0.5)
    assert found.deviation == pytest.approx(length.std(), rel=0.03)
    assert found.median == pytest.approx(np.median(length), abs=1 + 4 * length.std() / runs**0.5)
    assert found.percentile_90 == pytest.approx(np.quantile(length, 0.9), rel=0.05)


def test_refusals():
    with pytest.raises(ValueError, match="`rules` must hold at least one rule"):
        rule_run_length(())
    with pytest.raises(ValueError, match="`weight` must be a finite number greater than 0 and at most 1, got 1.5"):
        ewma_run_length(1.5, 3.0)
    with pytest.raises(ValueError, match="`head_start` must be a share of the decision below 1"):
        cusum_run_length(0.5, 4.0, head_start=1.0)
    with pytest.raises(ValueError, match="`average` must be within what `weight` can give"):
        ewma_width_for(1.0 + 1e-9, weight=0.1)


def test_a_memory_too_long_for_a_run_length_is_refused():
    # For small weights the average follows an Ornstein-Uhlenbeck process: its run length goes as 1 / weight.
    long, longer = ewma_run_length(0.001, 2.86).average, ewma_run_length(0.0004, 2.86).average
    assert longer / long == pytest.approx(2.5, rel=0.03)
    with pytest.raises(ValueError, match="limits 405 times as far apart .* take a larger `weight`"):
        ewma_run_length(0.0001, 2.86)
    with pytest.raises(ValueError, match="limits 241 times .* at most 240 can"):
        cusum_run_length(0.5, 240.2)


def test_a_setting_below_0_is_refused_as_such():
    with pytest.raises(ValueError, match="`reference_sd` must be a finite number of at least 0, got -1"):
        cusum_run_length(-1, 4)
    with pytest.raises(ValueError, match=r"`head_start` must be a finite number of at least 0, got -0\.1"):
        cusum_run_length(0.5, 4, head_start=-0.1)


def test_a_wait_of_a_moment_is_not_said_as_none():
    (priced,) = price((RULES["far out"],), 10_000.0)
    assert priced.days_together == pytest.approx(0.0225, abs=5e-5)  # 225 points (Champ and Woodall 1987), 10,000 a day
    assert "a false alarm every 0.02 days instead of every 0.04 days" in priced.sentence
