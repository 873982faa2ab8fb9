import numpy as np
import pytest

from spc.chart.phi_aware import (
    dependent_chart,
    dependent_run_length,
    false_alarm_rate_of_moving_ranges,
    residuals_of,
    width_for_phi,
)
from spc.chart.rules import RULES
from spc.chart.run_length import rule_run_length


def autoregression(rng, phi, shape):
    x = rng.normal(size=shape)
    for i in range(1, shape[-1]):
        x[..., i] = phi * x[..., i - 1] + (1 - phi**2) ** 0.5 * x[..., i]
    return x


# Closed form 2 Phi(-3 sqrt(1 - phi)), worked out apart from this code to four decimals; then counted.
@pytest.mark.parametrize(("phi", "rate"), [(0.0, 0.0027), (0.25, 0.0094), (0.5, 0.0339), (0.75, 0.1336)])
def test_moving_ranges_flood_the_chart(phi, rate):
    assert false_alarm_rate_of_moving_ranges(phi) == pytest.approx(rate, abs=5.1e-5)
    x = autoregression(np.random.default_rng(1), phi, (2000, 500))
    sigma = np.abs(np.diff(x)).mean() * np.sqrt(np.pi) / 2
    assert np.mean(np.abs(x) > 3 * sigma) == pytest.approx(rate, rel=0.09)


def test_without_correlation_it_is_the_plain_chart():
    for shift in (0.0, 1.0):
        plain = rule_run_length((RULES["beyond the limit"],), shift_sd=shift).average
        assert dependent_run_length(0.0, 3.0, shift_sd=shift).average == pytest.approx(plain, rel=1e-9)


@pytest.mark.parametrize(("phi", "sides", "shift"), [(0.5, "both", 0.0), (0.8, "upper", 0.0), (0.6, "lower", 1.0)])
def test_run_length_agrees_with_counting(phi, sides, shift):
    rng = np.random.default_rng(3)
    runs = 4000
    moved = -shift if sides == "lower" else shift
    found = dependent_run_length(phi, 2.4, sides=sides, shift_sd=moved)
    x, length, going, point = rng.normal(size=runs), np.zeros(runs), np.arange(runs), 0
    while going.size:
        point += 1
        value = x + moved
        out = {"both": np.abs(value) > 2.4, "upper": value > 2.4, "lower": value < -2.4}[sides]
        length[going[out]] = point
        going, x = going[~out], x[~out]
        x = phi * x + (1 - phi**2) ** 0.5 * rng.normal(size=going.size)
    assert found.average == pytest.approx(length.mean(), abs=4 * length.std() / runs**0.5)


def test_width_gives_the_wanted_average():
    width = width_for_phi(200.0, phi=0.7, sides="upper")
    assert dependent_run_length(0.7, width, sides="upper").average == pytest.approx(200.0, rel=1e-6)


def test_residuals_are_independent_also_over_uneven_steps():
    rng = np.random.default_rng(4)
    long = autoregression(rng, 0.8, (1, 60_000))[0]
    kept = np.flatnonzero(rng.random(long.size) < 0.5)
    found = residuals_of(long[kept], phi=0.8, steps=np.diff(kept, prepend=kept[0] - 1))
    assert found.std() == pytest.approx(1.0, abs=4 / (2 * found.size) ** 0.5)
    assert np.corrcoef(found[1:], found[:-1])[0, 1] == pytest.approx(0.0, abs=4 / found.size**0.5)


def test_residuals_restart_at_breaks_and_pass_over_missing():
    z = np.array([1.0, np.nan, 0.5, 2.0])
    found = residuals_of(z, phi=0.5, segments=[1, 1, 1, 2])
    assert found == pytest.approx([1.0, np.nan, (0.5 - 0.25) / (1 - 0.0625) ** 0.5, 2.0], nan_ok=True)


def test_charts_keep_the_wanted_rate():
    rng = np.random.default_rng(5)
    x = 10 + 2 * autoregression(rng, 0.6, (1, 100_000))[0]
    for residuals in (False, True):
        chart = dependent_chart(x, phi=0.6, centre=10, sigma=2, average=200, residuals=residuals)
        assert chart.status == "ok" and chart.run_length.average == pytest.approx(200, rel=1e-6)
        assert chart.signals[0].index.size == pytest.approx(500, rel=0.35)


def test_refusals():
    with pytest.raises(ValueError, match="`phi` must lie between -0.99 and 0.99, got 1.0"):
        dependent_run_length(1.0, 3.0)
    with pytest.raises(ValueError, match="`steps` must be whole when `phi` is negative"):
        residuals_of([1.0, 2.0], phi=-0.5, steps=[1.0, 0.5])


def test_residuals_after_a_shift_as_counted():
    from spc.chart.phi_aware import residual_run_length

    phi, shift, width = 0.5, 1.5, 2.8
    said = residual_run_length(phi, width, sides="upper", shift_sd=shift)
    rng, runs, points = np.random.default_rng(74), 4000, 400
    e = rng.normal(size=(runs, points))
    e[:, 0] += shift / (1 - phi**2) ** 0.5
    e[:, 1:] += shift * (1 - phi) / (1 - phi**2) ** 0.5
    out = e > width
    first = np.where(out.any(axis=1), out.argmax(axis=1) + 1, points)
    assert abs(first.mean() - said) < 4 * first.std() / runs**0.5
    assert residual_run_length(0.0, 3.0, shift_sd=1.0) == pytest.approx(43.89, abs=0.01)  # Champ and Woodall 1987


@pytest.mark.parametrize("sides", ["both", "upper"])
def test_an_average_out_of_reach_is_refused_in_words(sides):
    with pytest.raises(ValueError, match=r"`average` must be more than the [\d.]+ points that the nearest limits give"):
        width_for_phi(1.001, phi=0.3, sides=sides)
