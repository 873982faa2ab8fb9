import dataclasses

import numpy as np
import pytest
from scipy.stats import norm as normal

from spc.chart.norm import Norm, frozen_law, growth_of, part_factors_of, part_sd_of, scored
from spc.chart.stream import stream_of
from spc.model.interval_fit import fit_intervals
from spc.wear.cycle import number_cycles
from tests.spc.board.invented_cell import events_of, faces_of


def stream(sign="minutes", n=120, seed=51, **options):
    faces = faces_of("K1", n, np.random.default_rng(seed), **options)
    return stream_of(number_cycles(faces, events_of("K1", n)), lap="K1", sign=sign)


@pytest.mark.parametrize("family", ["lognormal", "gamma", "Weibull", "folded normal", "Rayleigh", "half-normal"])
def test_a_frozen_law_is_the_law_that_was_fitted(family):
    x = np.random.default_rng(52).gamma(4, 0.3, size=80)
    fit = fit_intervals(x, x, family=family)
    again = frozen_law(family, float(np.log(fit.scale_um)), fit.shape)
    at = np.array([0.1, 1.0, 4.0])
    assert again.sf(at) == pytest.approx(fit.sf(at), rel=1e-12)
    assert again.isf(0.001) == pytest.approx(fit.isf(0.001), rel=1e-12)


def test_scores_are_those_of_the_law_at_part_and_age():  # second way: the lognormal law by hand
    s = stream()
    norm = Norm("lognormal", np.log(14.0), np.log(0.2), 0.01, {"ring seal": 0.8, "gauge pin": 1.0}, 0.0)
    found = scored(s, norm)
    z, step_z, tail = found.z, found.step_z, found.tail_p
    factor = np.where(s.part == "ring seal", 0.8, 1.0) * np.exp(0.01 * s.age_faces)
    expected = np.log(s.low / factor / 14.0) / 0.2
    assert z == pytest.approx(expected, abs=1e-9)
    assert step_z == pytest.approx(expected, abs=1e-9)
    assert tail == pytest.approx(normal.sf(expected), rel=1e-9)


def test_a_part_without_a_usual_size_is_put_against_its_own_readings():  # second way: the joint normal law by hand
    s = stream(n=12)
    norm = Norm("lognormal", np.log(14.0), np.log(0.2), 0.0, {"ring seal": 0.8, "gland": 1.2}, 0.0, part_sd=0.3)
    found, z = scored(s, norm), np.log(s.low / 14.0) / 0.2
    new = np.flatnonzero(s.part == "gauge pin")
    variance = (0.3 / 0.2) ** 2
    for k, i in enumerate(new):
        joint = variance * np.ones((k + 1, k + 1)) + np.eye(k + 1)
        lean = np.linalg.solve(joint[:k, :k], joint[:k, k]) if k else np.zeros(0)
        centre, spread = float(lean @ z[new[:k]]), float(joint[k, k] - lean @ joint[:k, k])
        assert found.part_centre[i] == pytest.approx(centre, abs=1e-9)
        assert found.z[i] == pytest.approx((z[i] - centre) / spread**0.5, abs=1e-9)
        assert found.tail_p[i] == pytest.approx(normal.sf(found.z[i]), rel=1e-6)
    assert np.all(found.part_centre[s.part == "ring seal"] == 0) and norm.unknown(s.part).sum() == new.size > 2


def test_of_a_part_nothing_is_said_before_its_second_reading_where_the_law_knows_one_part_only():
    s = stream(n=12)
    found = scored(s, Norm("lognormal", np.log(14.0), np.log(0.2), 0.0, {"ring seal": 1.0}, 0.0))
    first, second = np.flatnonzero(s.part == "gauge pin")[:2]
    z = np.log(s.low / 14.0) / 0.2
    assert found.z[first] == 0.0 and found.tail_p[first] == 0.5
    assert found.z[second] == pytest.approx((z[second] - z[first]) / 2**0.5)


def test_lower_side_counts_the_tail_below():
    s = stream("removal rate")
    tail = scored(s, Norm("lognormal", np.log(0.4), np.log(0.1), 0.0, {}, 0.0)).tail_p
    assert tail == pytest.approx(normal.cdf(np.log(s.high / 0.4) / 0.1), rel=1e-9)


def test_neighbours_are_taken_out_within_a_cycle_only():
    s = stream()
    plain = Norm("lognormal", np.log(14.0), np.log(0.2), 0.0, {}, 0.0)
    z = scored(s, plain).z
    step = scored(s, dataclasses.replace(plain, phi=0.5)).step_z
    assert step[0] == z[0]
    assert step[40] == z[40]  # first after a reconditioning
    assert step[1] == pytest.approx((z[1] - 0.5 * z[0]) / 0.75**0.5)


def test_parts_that_differ_get_factors_and_parts_that_do_not_get_none():
    factors = part_factors_of(stream())  # made with 12 and 18 minutes: the ratio is 1.5
    assert factors["gauge pin"] / factors["ring seal"] == pytest.approx(1.5, rel=0.08)
    one = stream()
    assert part_factors_of(one.where(one.part == "ring seal")) == {"ring seal": 1.0}
    assert part_factors_of(one.where(one.part == "none")) == {}
    alike = [part_factors_of(stream("flatness", seed=k)) for k in range(10)]
    assert sum(set(f.values()) == {1.0} for f in alike) >= 4
    assert all(0.85 < v < 1.15 for f in alike for v in f.values())


def test_the_spread_of_parts_is_seldom_told_too_small():  # second way: the bound by counting, few parts and many
    rng, tau = np.random.default_rng(53), 0.3
    base = stream(n=60)
    for parts in (2, 6):
        held = 0
        for _ in range(200):
            part = np.array([f"P{k % parts}" for k in range(60)], dtype=object)
            size = tau * rng.normal(size=parts)
            y = np.exp(size[np.arange(60) % parts] + 0.2 * rng.normal(size=60))
            held += part_sd_of(dataclasses.replace(base, part=part, low=y, high=y)) >= tau
        assert abs(held / 200 - 0.99) <= 4 * (0.0099 / 200) ** 0.5
    assert part_sd_of(base.where(base.part == "ring seal")) is None


def test_growth_is_found_where_there_is_some_and_left_out_where_there_is_none():
    assert growth_of(stream("flatness", growth=0.03), {}) == pytest.approx(0.03, abs=0.012)
    assert sum(growth_of(stream("flatness", seed=k), {}) != 0 for k in range(12)) <= 1
    assert growth_of(stream("flatness", n=15, growth=0.1), {}) == 0.0  # too few to say


def test_sizes_that_shrink_through_flat_and_grow_again_have_no_one_growth():
    whole = stream("flatness", n=160)
    rng = np.random.default_rng(9)
    for turns_at, grows in ((17.0, False), (-5.0, True)):  # a form that goes through flat, and one that does not
        bow = 0.05 * (whole.age_faces - turns_at) + 0.05 * rng.normal(size=len(whole))
        sizes = dataclasses.replace(whole, low=np.abs(bow) + 0.02, high=np.abs(bow) + 0.04)
        assert (growth_of(sizes, {}) > 0) is grows


def test_empty_stream_scores_nothing():
    empty = stream().where(np.zeros(120, dtype=bool))
    assert scored(empty, Norm("gamma", 0.0, 1.0, 0.0, {}, 0.0)).z.size == 0
