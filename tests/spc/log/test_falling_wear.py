import numpy as np
import pytest

from spc.log.falling_wear import way_to_limit
from spc.log.wear_table import WearColumns, read_wear_table


def units_of(*units, limit):
    """Units of a file, each the readings at clock 1, 2, ..."""
    rows = [f"U{name},{clock},{wear:.3f}" for name, read in enumerate(units) for clock, wear in enumerate(read, 1)]
    text = "\n".join(["unit,clock,wear", *rows]) + "\n"
    return read_wear_table(text.encode(), WearColumns(limit=limit)).units


def falling(readings, *, start=3.0):
    return [start - 0.1 * k for k in range(readings)]


def test_one_unit_at_its_end_does_not_turn_the_others():
    way = way_to_limit(units_of(*[falling(9)] * 9, falling(9, start=1.9), limit=2))
    assert way.falls
    assert way.remark == (
        "taken as falling to a lower limit: 9 of 10 units begin above their limit, and most fall "
        "(--rises says otherwise)"
    )
    rising = way_to_limit(units_of(*[[0.1 * k for k in range(9)]] * 9, [2.1, 2.2, 2.3, 2.4], limit=2))
    assert not rising.falls and not rising.remark


@pytest.mark.parametrize(("units", "readings"), [(10, 3), (4, 2), (1, 4)])
def test_units_of_few_readings_tell_together(units, readings):
    assert way_to_limit(units_of(*[falling(readings)] * units, limit=2)).falls


@pytest.mark.parametrize(("units", "readings"), [(1, 3), (2, 2)])
def test_a_fall_of_too_few_readings_is_not_decided_in_silence(units, readings):
    with pytest.raises(ValueError, match="too few to tell: say --falls if it falls to the limit, --rises if"):
        way_to_limit(units_of(*[falling(readings)] * units, limit=2))


def test_a_file_that_speaks_both_ways_is_not_decided():
    with pytest.raises(ValueError, match="cannot be told: 1 of 3 units begin above their limit and fall, .*--falls"):
        way_to_limit(units_of(falling(9), falling(9, start=1.9), falling(9, start=1.8), limit=2))
    with pytest.raises(ValueError, match="cannot be told: 1 of 2 units"):
        way_to_limit(units_of(falling(9), [0.1 * k for k in range(9)], limit=2))


def test_what_begins_above_and_neither_rises_nor_falls_is_said():
    flat = way_to_limit(units_of([3.0, 3.1, 2.9, 3.0], [3.5], [3.2, 3.2], limit=2))
    assert not flat.falls and "though 3 of 3 units begin above their limit and do not plainly rise" in flat.remark
    assert "--falls" in flat.remark and "--rises" in flat.remark
    below = way_to_limit(units_of(*[falling(9)] * 3, limit=5))
    assert not below.falls and "begin under their limits and fall: say --falls" in below.remark


def test_readings_without_a_trend_are_seldom_taken_as_falling():
    """Second way: a seeded count against one in twenty, four standard errors on top."""
    rng = np.random.default_rng(4)
    turned = 0
    for _ in range(400):
        try:
            turned += way_to_limit(units_of(*(3 + 0.1 * rng.normal(size=(5, 4))), limit=2)).falls
        except ValueError:
            continue
    assert turned <= 400 * (0.05 + 4 * (0.05 * 0.95 / 400) ** 0.5)
