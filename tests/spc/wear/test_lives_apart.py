"""Lives of several laps: alike ones are called unlike no oftener than said, and laps that wear at other rates are."""

import numpy as np
import pytest

from spc.wear.lifetime_fit import choose_lifetime, fit_lifetime
from spc.wear.lives_apart import lives_apart_p


def test_exact_lives_have_log_rank_scores():
    """Second route: by exact lives of an exponential law the score is 1 - hazard, compared as Kruskal and Wallis do."""
    from scipy.stats import chi2

    rng = np.random.default_rng(2)
    lives, laps = rng.weibull(3.0, 30) * 50, np.repeat(["A", "B", "C"], 10)
    fit = fit_lifetime(lives, lives)
    score = 1 - (lives / fit.scale) ** fit.shape
    means = np.array([score[laps == lap].mean() for lap in "ABC"])
    expected = chi2.sf(10 * np.sum((means - score.mean()) ** 2) / score.var(ddof=1), 2)
    assert lives_apart_p(fit, lives, lives, laps.tolist()) == pytest.approx(expected, rel=1e-6)
    near = lives_apart_p(fit, lives * (1 - 1e-4), lives * (1 + 1e-4), laps.tolist())
    assert near == pytest.approx(expected, rel=1e-2)  # a narrow interval scores as the life in it


def made_up(rng, scales):
    """Five cycles of each lap, the last running; every third lap is taken off by plan before most wear out."""
    low, high, laps = [], [], []
    for number, scale in enumerate(scales):
        life = scale * rng.weibull(6.0, 5)
        ends = np.where(np.arange(5) == 4, rng.uniform(5, 60, 5), 45.0 if number % 3 == 2 else np.inf)
        seen = life <= ends
        low += np.where(seen, life, ends).tolist()
        high += np.where(seen, life, np.inf).tolist()
        laps += [f"L{number}"] * 5
    return low, high, laps


def p_of(rng, scales):
    low, high, laps = made_up(rng, scales)
    return lives_apart_p(choose_lifetime(low, high)[0], low, high, laps)


def test_alike_laps_are_called_unlike_no_oftener_than_said():
    rng = np.random.default_rng(5)
    p = np.array([p_of(rng, [60.0] * 5) for _ in range(400)])
    assert np.mean(p < 0.01) <= 0.01 + 4 * np.sqrt(0.01 * 0.99 / 400)
    assert np.mean(p < 0.1) <= 0.1 + 4 * np.sqrt(0.1 * 0.9 / 400)


def test_laps_that_wear_at_other_rates_are_called():
    rng = np.random.default_rng(6)
    assert np.mean([p_of(rng, [40.0, 40.0, 60.0, 60.0, 90.0, 90.0]) < 0.01 for _ in range(40)]) > 0.8


def test_nothing_to_compare_and_refusals():
    lives = np.linspace(40, 60, 8)
    fit = fit_lifetime(lives, lives)
    assert np.isnan(lives_apart_p(fit, lives, lives, ["A"] * 8))
    assert np.isnan(lives_apart_p(fit, lives, lives, ["A"] * 7 + ["B"]))  # one life of B says nothing of its laps
    assert np.isnan(lives_apart_p(fit_lifetime(lives[:3], lives[:3]), lives[:3], lives[:3], ["A", "A", "B"]))
    with pytest.raises(ValueError, match="`lap` must have one name per life"):
        lives_apart_p(fit, lives, lives, ["A"])
