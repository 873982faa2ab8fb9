import numpy as np
import pytest

from spc.chart.rules import RULES, RunRule, rule_named, rule_signals

ALL = tuple(RULES.values())


def level(x, limit):
    cuts = [-limit, -2 / 3 * limit, -1 / 3 * limit, 0.0, 1 / 3 * limit, 2 / 3 * limit, limit]
    return sum(x > cut if cut > 0 else x >= cut for cut in cuts)


def plain(z, rule, limit, segments=None):
    """Read the rule's own words point by point."""
    found = []
    for i in range(len(z)):
        last = []
        for j in range(i, max(i - rule.window, -1), -1):
            if segments is not None and segments[j] != segments[i]:
                break
            last.append(z[j])
        edge = rule.share * limit
        full = len(last) == rule.window and not np.isnan(last).any()
        if rule.kind == "beyond":
            for side in (1, -1):
                if side * last[0] > edge and sum(side * x > edge for x in last) >= rule.count:
                    found.append((i, side))
        elif rule.kind == "away":
            if full and all(abs(x) > edge for x in last):
                found.append((i, 0))
        elif rule.kind == "near":
            if full and all(abs(x) <= edge for x in last):
                found.append((i, 0))
        elif rule.kind == "alternating":
            if full and all(x * y < 0 for x, y in zip(last, last[1:], strict=False)):
                found.append((i, 0))
        elif full:
            levels = [level(x, limit) for x in last]
            if all(a > b for a, b in zip(levels, levels[1:], strict=False)):
                found.append((i, 1))
            if all(a < b for a, b in zip(levels, levels[1:], strict=False)):
                found.append((i, -1))
    return found


def planted(rng, n, decimals):
    z = np.round(rng.normal(size=n) * 1.2, decimals)
    z[rng.random(n) < 0.01] = np.nan
    z[100:160] *= 0.2
    z[200:260] = np.abs(z[200:260]) * np.where(np.arange(60) % 2, 1, -1)
    z[300:306] = [-2.6, -1.7, -0.5, 0.5, 1.7, 2.6]
    z[320:325] = [2.6, 1.7, 0.5, -0.5, -1.7]
    z[400:420] = np.abs(z[400:420]) + 0.9
    return z


@pytest.mark.parametrize("decimals", [1, 8])  # one decimal makes ties with the thresholds common
@pytest.mark.parametrize("broken", [False, True])
def test_agrees_with_the_words_read_point_by_point(decimals, broken):
    rng = np.random.default_rng(11)
    z = planted(rng, 1500, decimals)
    segments = np.cumsum(rng.random(z.size) < 0.03) if broken else None
    found = rule_signals(z, rules=ALL, limit_z=2.5, segments=segments)
    for signals, rule in zip(found, ALL, strict=True):
        assert list(zip(signals.index.tolist(), signals.side.tolist(), strict=True)) == plain(z, rule, 2.5, segments)
    if not broken:
        assert all(signals.index.size for signals in found)


def test_blocks_join_seamlessly():
    z = np.random.default_rng(2).normal(size=140_000)
    whole = rule_signals(z, rules=ALL)
    edge = 1 << 16
    shifted = rule_signals(z[edge - 500 : edge + 500], rules=ALL)
    for a, b in zip(whole, shifted, strict=True):
        inside = a.index[(a.index >= edge - 400) & (a.index < edge + 500)] - (edge - 500)
        assert inside.tolist() == b.index[b.index >= 100].tolist()


def test_ties_are_not_beyond_and_the_centre_is_on_neither_side():
    rules = (RULES["beyond the limit"], RunRule("one side", "three in a row on one side", "beyond", 3, 3, 0.0))
    limit, side = rule_signals([3.0, 3.0000001, 0.0, 1, 1, 0.0, 1, 1, 1], rules=rules)
    assert limit.index.tolist() == [1]
    assert side.index.tolist() == [8]


def test_one_sided_charts_look_one_way():
    z = np.full(9, -4.0)
    assert rule_signals(z, rules=ALL, sides="upper")[0].index.size == 0
    assert rule_signals(z, rules=ALL, sides="lower")[3].index.tolist() == [7, 8]


def test_refusals_name_the_argument():
    with pytest.raises(ValueError, match="`sides` must be one of 'both', 'upper', 'lower', got 'left'"):
        rule_signals([1.0], sides="left")
    with pytest.raises(ValueError, match="`segments` must hold one id per reading"):
        rule_signals([1.0], segments=[1, 2])
    with pytest.raises(ValueError, match="`name` must be one of 'beyond the limit'"):
        rule_named("seven up")
    with pytest.raises(ValueError, match="`limit_z` must be"):
        rule_signals([1.0], limit_z=0)
