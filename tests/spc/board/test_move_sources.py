"""What the last faces of all laps carry, against every explanation written out, and where nobody can be compared."""

import numpy as np
import pytest

from spc.board.move_sources import SOURCES, LapFaces, weigh_sources


def test_odds_are_those_of_the_densities_written_out():
    """Second route: every explanation's density as a multivariate normal, averaged over sizes and moments."""
    from scipy.stats import halfnorm, multivariate_normal

    rng = np.random.default_rng(4)
    within, between = 0.2, 0.1
    laps = [
        LapFaces(
            name, np.arange(6) * 10 + k, rng.normal(0.3 * (name == "A"), within, 6),
            np.array(list("xyxyxy"), object), np.full(6, "P", object), within, between,
        )
        for k, name in enumerate("AB")
    ]  # fmt: skip
    found = weigh_sources(laps, lap="A")
    sizes = halfnorm.ppf((np.arange(40) + 0.5) / 40) * np.log(2)
    spreads = between, np.hypot(between, np.log(2))
    usual, far = (multivariate_normal(cov=within**2 * np.eye(6) + spread**2) for spread in spreads)

    def density(one, mark, since, size, own_too):
        moved = one.value - size * (mark & (one.sort_us >= since))

        if one.lap == "A":
            return (far if own_too else usual).pdf(moved)
        return 0.9 * usual.pdf(moved) + 0.1 * far.pdf(moved)

    def of(on, who, *, own_too=False):
        marks = [(o.operator == who if who else np.full(6, True)) & (o.lap in on) for o in laps]
        tried = [(since, size) for since in laps[0].sort_us[:-1] for size in sizes]
        each = [[density(o, m, *one, own_too) for o, m in zip(laps, marks, strict=True)] for one in tried]
        return float(np.prod(each, axis=1).mean())

    odds = {
        "one lap": of("A", "") + sum(0.05 * of("AB", who, own_too=True) for who in "xy"),
        "many laps": of("AB", ""),
        "one operator": sum(0.5 * of("AB", who) + 0.025 * of("A", who) for who in "xy"),
    }
    nothing = of("", "") + sum(0.025 * of("B", who) for who in "xy")
    for source, value in odds.items():
        assert found.shares[source] == pytest.approx(value / sum(odds.values()), abs=0.01)
    assert found.shares["one part number"] == 0
    assert found.nothing == pytest.approx(nothing / (nothing + sum(odds.values())), abs=0.01)


def test_nobody_to_compare_with_names_no_source():
    assert weigh_sources([], lap="A").among == ()
    lone = LapFaces("B", np.empty(0, np.int64), np.empty(0), *(np.empty(0, object),) * 2, 0.1, 0.1)
    assert weigh_sources([lone], lap="A").among == ()


@pytest.mark.parametrize(
    ("moved", "among"),
    [
        (lambda lap, who, part: np.full(who.size, lap == "L0"), ("one lap",)),
        (lambda lap, who, part: who == "Bo", ("one operator",)),
        (lambda lap, who, part: part == "P2", ("one part number",)),
        (lambda lap, who, part: np.full(who.size, True), ("many laps",)),
    ],
)
def test_what_moved_alone_is_said_alone(moved, among):
    rng = np.random.default_rng(8)
    laps = []
    for k in range(5):
        who = np.array(["Ann", "Bo", "Cy"] * 4, object)
        part = np.array(["P1", "P1", "P2", "P2"] * 3, object)
        value = rng.normal(0.7 * moved(f"L{k}", who, part), 0.15)
        laps.append(LapFaces(f"L{k}", np.arange(12) * 10 + k, value, who, part, 0.15, 0.1))
    found = weigh_sources(laps, lap="L0")
    assert found.among == among and found.likeliest == among[0]
    assert sum(found.shares.values()) == pytest.approx(1) and set(found.shares) == set(SOURCES)
    here, others = found.times[among[0]]
    assert here == pytest.approx(2.0, rel=0.15)
    assert np.isnan(others) if among == ("many laps",) else others == pytest.approx(1.0, rel=0.1)


@pytest.mark.parametrize(
    ("high", "among"),
    [(lambda shift: shift == 1, ("one lap", "one operator")), (lambda shift: shift % 2 == 1, ("one operator",))],
)
def test_one_shift_of_an_operator_is_not_told_from_what_passed_on_the_lap_then(high, among):
    """Hands that change with the shift: a passing cause, such as a dirty wash, ends with them. A second shift tells."""
    rng = np.random.default_rng(3)
    shift = np.repeat(np.arange(5), 3)
    who = np.where(shift % 2 == 1, "Ann", "Bo").astype(object)
    laps = []
    for k in range(6):
        part = np.array(["P1", "P2", "P1"] * 5, object)
        moved = (who == "Ann") & high(shift) & (k < 3 or among == ("one operator",))
        laps.append(LapFaces(f"L{k}", np.arange(15) * 10 + k, rng.normal(0.6 * moved, 0.1), who, part, 0.1, 0.05))
    assert weigh_sources(laps, lap="L0").among == among
