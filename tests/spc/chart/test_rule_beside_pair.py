import numpy as np
import pytest

from spc.chart.pair_chart import pair_chart
from spc.chart.price import one_in
from spc.chart.rule_beside_pair import pair_run_length, price_beside_pair, rule_and_pair_run_length
from spc.chart.rules import RULES, rule_signals
from spc.chart.run_length import ewma_run_length, rule_run_length

LIMIT = RULES["beyond the limit"]
IN_USE = {"limit_z": 2.9, "weight": 0.2, "average_limit_z": 0.85}
# Champ and Woodall (1987), Technometrics 29(4), Table 1, both sides, values from memory: rule 1 with 2, 3 or 4.
PUBLISHED = {"far out": 225.44, "leaning out": 166.05, "one side": 152.73}


@pytest.mark.parametrize("name", PUBLISHED)
def test_without_the_average_the_published_run_lengths_come_out(name):
    found = rule_and_pair_run_length(RULES[name], limit_z=3.0, weight=0.2, average_limit_z=9.0, sides="both")
    assert found == pytest.approx(PUBLISHED[name], abs=0.01)


@pytest.mark.parametrize("sides", ["upper", "both"])
@pytest.mark.parametrize("name", RULES)
def test_without_the_average_the_chain_of_the_rules_comes_out(name, sides):
    found = rule_and_pair_run_length(RULES[name], limit_z=3.0, weight=0.2, average_limit_z=9.0, sides=sides)
    assert found == pytest.approx(rule_run_length((LIMIT, RULES[name]), sides=sides).average, rel=1e-6)


@pytest.mark.parametrize("sides", ["upper", "lower", "both"])
def test_the_pair_is_the_average_with_a_limit(sides):
    width = IN_USE["average_limit_z"] / (0.2 / 1.8) ** 0.5
    own = ewma_run_length(0.2, width, sides=sides, limit_z=2.9).average
    assert pair_run_length(**IN_USE, sides=sides) == pytest.approx(own, rel=1e-3)
    assert rule_and_pair_run_length(LIMIT, **IN_USE, sides=sides) == pytest.approx(own, rel=1e-3)  # it is on already


@pytest.mark.parametrize(("name", "shift"), [("one side", 0.0), ("hugging", 0.0), ("leaning out", 0.7)])
def test_counted_on_points_the_joint_chain_holds(name, shift):
    said = rule_and_pair_run_length(RULES[name], **IN_USE, sides="upper", shift_sd=shift)
    rng, runs, points = np.random.default_rng(71), 600, int(14 * said) + 60
    first = []
    for _ in range(runs):
        z = rng.normal(shift, 1.0, points)
        found = pair_chart(z, np.where(z > 2.9, 0.0, 1.0), alpha=0.5, weight=0.2, average_limit_z=0.85)
        (own,) = rule_signals(z, rules=(RULES[name],), limit_z=2.9, sides="upper")
        firsts = [np.flatnonzero(found.beyond | found.drifting), own.index]
        first.append(min([int(at[0]) + 1 for at in firsts if at.size] or [points]))
    error = np.std(first) / runs**0.5
    assert abs(np.mean(first) - said) < 4 * error


def test_the_price_is_of_all_three_together():
    days = price_beside_pair(RULES["one side"], 10.0, **IN_USE, sides="upper")
    with_rule = rule_and_pair_run_length(RULES["one side"], **IN_USE, sides="upper") / 10
    without = pair_run_length(**IN_USE, sides="upper") / 10
    assert with_rule < without
    assert f"every {with_rule:.0f} days instead of every {without:.0f} days" in days


def test_refusals():
    with pytest.raises(ValueError, match="`points_per_day`"):
        price_beside_pair(LIMIT, 0.0, **IN_USE, sides="upper")
    with pytest.raises(ValueError, match="`sides`"):
        pair_run_length(**IN_USE, sides="left")


def test_a_chance_that_no_fitted_law_can_tell_is_not_told_to_its_last_digit():
    assert one_in(1 / 3820, "face") == "1 face in 3,820"
    assert one_in(1e-21, "face") == one_in(0.0, "face") == "fewer than 1 face in 1,000,000"
