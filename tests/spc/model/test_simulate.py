import numpy as np
import pytest

from spc.model.grouping import group_readings
from spc.model.interval_fit import fit_intervals
from spc.model.simulate import draw_counts, reading_rule
from tests.honesty.laws import read_on_step


def drawn(low, high, *, family="lognormal", n=None, cut=np.inf, repetitions=400):
    fit = fit_intervals(low, high, family=family, cut_um=cut)
    rule = reading_rule(fit.readings, fit.law, fit.log_scale, fit.shape)
    scaled_cut = cut / fit.readings.scale_um
    out = draw_counts(
        rule,
        fit.law,
        fit.log_scale,
        fit.shape,
        repetitions=repetitions,
        rng=np.random.default_rng(1),
        cut=scaled_cut,
        n=n,
    )
    return fit, out[0] * fit.readings.scale_um, out[1] * fit.readings.scale_um, out[2]


@pytest.mark.parametrize("step", [0.0, 0.01, 0.25, 1.0])
def test_samples_follow_the_law_on_its_own_steps(step):
    fit, low, high, count = drawn(*read_on_step(np.random.default_rng(2).lognormal(0, 0.5, 300), step))
    assert (count.sum(axis=1) == 300).all()
    for edge in np.unique(high[np.isfinite(high)]):
        below = count[:, high <= edge * (1 + 1e-9)].sum(axis=1).mean() / 300
        assert below == pytest.approx(float(fit.cdf(edge)), abs=4 * 0.5 / (300 * 400) ** 0.5)
    if step >= 0.25:
        bulk = (low > 0) & (high < 2.5)
        assert (high - low)[bulk] == pytest.approx(step, rel=1e-6)


def test_less_than_and_or_more_come_back_as_such():
    x = np.random.default_rng(3).lognormal(0, 0.5, 400)
    low, high = read_on_step(x, 0.25)
    low, high = np.where(high <= 0.63, 0.0, low), np.where(high <= 0.63, 0.625, high)
    low, high = np.where(low >= 1.87, 1.875, low), np.where(low >= 1.87, np.inf, high)
    fit, d_low, d_high, count = drawn(low, high)
    share = count.mean(axis=0) / 400
    floor, top = (d_low == 0) & np.isclose(d_high, 0.625), np.isclose(d_low, 1.875) & np.isinf(d_high)
    assert share[floor].sum() == pytest.approx(float(fit.cdf(0.625)), abs=0.005)
    assert share[top].sum() == pytest.approx(float(fit.sf(1.875)), abs=0.005)
    assert d_high[~top & (count.sum(axis=0) > 0)].max() < 1.9
    assert (d_high[floor] <= 0.626).all() and d_low[~floor].min() > 0.6


def test_two_ways_of_reading_stay_in_proportion():
    rng = np.random.default_rng(4)
    fine, coarse = read_on_step(rng.lognormal(0, 0.5, 100), 0.1), read_on_step(rng.lognormal(0, 0.5, 300), 0.5)
    _, low, high, count = drawn(np.r_[fine[0], coarse[0]], np.r_[fine[1], coarse[1]])
    bulk = (low > 0.3) & (high < 2.0)  # far out, and at zero, stretches are wider
    by_step = [count[:, bulk & np.isclose(high - low, step)].sum(axis=1).mean() for step in (0.1, 0.5)]
    assert by_step[0] / by_step[1] == pytest.approx(1 / 3, rel=0.25)
    assert (count.sum(axis=1) == 400).all()


def test_nothing_is_kept_beyond_the_cut_and_n_may_differ():
    x = np.random.default_rng(5).lognormal(0, 0.5, 500)
    low, high = read_on_step(x[x <= 1.625], 0.25)
    fit, _, d_high, count = drawn(low, high, cut=1.625, n=77)
    assert (count.sum(axis=1) == 77).all() and d_high.max() <= 1.625 * (1 + 1e-9)
    below = count[:, d_high <= 0.88].sum(axis=1).mean() / 77
    assert below == pytest.approx(float(fit.cdf(0.875) / fit.cdf(1.625)), abs=0.01)


def test_grouping_counts_and_keeps_every_reading():
    low, high = read_on_step(np.random.default_rng(6).gamma(3, 0.4, 5000), 0.25)
    readings = group_readings(low, high)
    assert readings.count.sum() == readings.n == 5000 and readings.low.size < 30
    order = np.argsort(readings.low)
    values, counts = np.unique(low, return_counts=True)
    assert readings.low[order] * readings.scale_um == pytest.approx(values)
    assert (readings.count[order] == counts).all()
