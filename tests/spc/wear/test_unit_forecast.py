from dataclasses import replace

import numpy as np
import pytest

from spc.wear import unit_forecast
from spc.wear.unit_forecast import UnitPools
from spc.wear.wear_path import wear_path


def units(count, rows=6):
    draw = np.random.default_rng(3)
    age = np.arange(1.0, rows + 1)
    return [
        wear_path(f"U{i}", age, 0.5 + (0.1 + 0.02 * draw.normal()) * age + 0.05 * draw.normal(size=rows), limit=2.0)
        for i in range(count)
    ]


def names(paths):
    return {p.label for p in paths}


def test_up_to_twenty_units_borrow_from_all_others():
    paths = units(20)
    pools = UnitPools(paths, seed=1)
    for at, path in enumerate(paths):
        assert names(pools.others(at)) == names(paths) - {path.label}


@pytest.mark.parametrize("count", [21, 50, 400])
def test_of_many_units_none_borrows_from_itself_and_twenty_pools_are_enough(count):
    paths = units(count)
    pools = UnitPools(paths, seed=1)
    borrowed = [names(pools.others(at)) for at in range(count)]
    assert all(path.label not in others for path, others in zip(paths, borrowed, strict=True))
    assert len({frozenset(others) for others in borrowed}) <= 20
    assert {len(others) for others in borrowed} <= {min(count - n, 200) for n in (count // 20, -(-count // 20))}


def test_every_kind_of_unit_stays_among_those_borrowed_from():
    """Names that run through the kinds in turn, as many kinds as pools: dealt by name, a pool would lack one."""
    paths = [replace(path, covariates=(float(i % 20),)) for i, path in enumerate(units(400))]
    pools = UnitPools(paths, seed=1)
    for at in range(0, 400, 37):
        assert {p.covariates for p in pools.others(at)} == {p.covariates for p in paths}


def test_units_of_one_hand_share_one_fit(monkeypatch):
    monkeypatch.setattr(unit_forecast, "_MOST_POOLS", 2)
    monkeypatch.setattr(unit_forecast, "MOST_BORROWED", 3)
    paths = units(10)
    pools = UnitPools(paths, seed=1)
    answers = [pools.forecast(at, path) for at, path in enumerate(paths)]
    assert all(a.status == "range" and a.past_cycles == 3 for a in answers)
    assert pools.pool(0) is pools.pool(2) is not pools.pool(1)
    assert answers[0].median != answers[2].median


def test_the_order_of_the_units_changes_nothing():
    paths = units(5)
    one, other = UnitPools(paths, seed=1), UnitPools(paths[::-1], seed=1)
    for at, path in enumerate(paths):
        a, b = one.forecast(at, path), other.forecast(4 - at, path)
        assert (a.low, a.median, a.high, a.shape_share) == (b.low, b.median, b.high, b.shape_share)


def test_nothing_is_fitted_for_a_unit_that_is_there_or_has_no_limit(monkeypatch):
    monkeypatch.setattr(unit_forecast, "fit_pooled", None)
    over, limitless = wear_path("A", [1, 2], [0.1, 3.0], limit=2.0), wear_path("B", [1, 2], [0.1, 0.2])
    pools = UnitPools([over, limitless], seed=1)
    assert pools.forecast(0, over).status == "over" and pools.forecast(1, limitless).status == "refused"
    assert pools.forecast(0, over).borrowed == ""
    step = wear_path("C", [1, 2], [0.1, 1.5], [0.6, 3.0], limit=2.0)  # its middle is at the limit, its low end is not
    assert UnitPools([step, limitless], seed=1).forecast(0, step).status == "over"


def ends(answer):
    return [answer.low, answer.median, answer.high]


@pytest.mark.parametrize(("load", "counts_by"), [(0.0, float), (2.0, np.log)])
def test_a_covariate_counts_by_its_logarithm_where_every_unit_has_one(load, counts_by):
    """That of the unit foreseen as well, though none of those it borrows from has nought."""
    loads = (load, 5.0, 5.0, 7.0, 7.0)
    paths = [replace(path, covariates=(each,)) for path, each in zip(units(5, rows=10), loads, strict=True)]
    pools = UnitPools(paths, seed=1)
    answer = pools.forecast(0, paths[0])
    assert answer.status == "range" and 0 < answer.low < answer.median < answer.high
    centre = pools.pool(0).shapes[0].scale.covariate_centre
    assert centre == pytest.approx([np.mean([counts_by(each) for each in loads[1:]])])


@pytest.mark.parametrize(
    ("per_clock", "per_wear"), [(1e3, 1.0), (0.01, 1.0), (1e-9, 1.0), (1.0, 1e-3), (1.0, 1e9), (1.0, 1e-9)]
)
@pytest.mark.parametrize("level", [None, 0.0])
def test_another_unit_of_the_clock_or_the_wear_tells_the_same(per_clock, per_wear, level):
    """Limits differ, so that as words they would stand in another order; or all readings are nought."""
    paths = [replace(path, limit=limit) for path, limit in zip(units(5), (2.0, 14.0, 3.0, 6.0, 30.0), strict=True)]
    if level is not None:
        paths = [replace(path, low=0 * path.low, high=0 * path.low) for path in paths]
    scaled = [
        replace(p, age=p.age * per_clock, low=p.low * per_wear, high=p.high * per_wear, limit=p.limit * per_wear)
        for p in paths
    ]
    one, other = (UnitPools(each, seed=1).forecast(0, each[0], level=0.5) for each in (paths, scaled))
    assert one.shape == other.shape
    for said, told in zip(ends(one), ends(other), strict=True):
        assert told == (None if said is None else pytest.approx(said * per_clock, rel=1e-6))


def test_what_is_added_to_every_reading_and_limit_changes_next_to_nothing():
    paths = units(5, rows=10)
    shifted = [replace(p, low=p.low + 1e6, high=p.high + 1e6, limit=p.limit + 1e6) for p in paths]
    one, other = (UnitPools(each, seed=1).forecast(0, each[0]) for each in (paths, shifted))
    assert one.status == other.status == "range" and ends(other) == pytest.approx(ends(one), rel=0.05)
