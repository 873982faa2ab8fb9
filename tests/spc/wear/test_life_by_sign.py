"""What a sign of wear says of a life: where it is known exactly, where it says nothing, and what may be asked of it."""

import numpy as np
import pytest

from spc.wear.life_by_sign import SignPath, log_likelihood_of_lives
from spc.wear.life_to_come import life_to_come

LIVES = np.array([20.0, 26.0, 31.0, 24.0, 35.0, 28.0, 22.0, 30.0])


def path(life, upto=None, *, noise=0.1, seed=0, rise=1.0, level=0.0):
    """Logarithm of minutes that grow with the share of the life, `rise` from fresh to worn."""
    age = np.arange(1.0, (life if upto is None else upto) + 1)
    error = noise * np.random.default_rng([seed, int(life)]).standard_normal(age.size)
    return SignPath(age, level + rise * age / life + error)


def past(**how):
    return [path(life, seed=k, **how) for k, life in enumerate(LIVES)]


ASKED = np.linspace(15.0, 60.0, 91)


def best(own, sisters=None):
    found = log_likelihood_of_lives(past() if sisters is None else sisters, LIVES, own, ASKED)
    return ASKED[int(np.argmax(found))], found


def test_the_likeliest_life_is_that_at_which_the_sign_has_gone_so_far():
    for life in (22.0, 30.0, 45.0):
        told, found = best(path(life, 14, seed=77, noise=0.03), past(noise=0.03))
        assert told == pytest.approx(life, rel=0.2)
        assert found.max() - found.min() > 5


def test_of_a_normal_law_with_known_sizes_it_is_the_normal_likelihood():
    """Second route: 400 cycles alike tell curve and error; then it is the normal log density of the readings."""
    rng = np.random.default_rng(5)
    lives = rng.uniform(20, 40, 40)
    ages = [np.linspace(0.02, 1, 200) * life for life in lives]
    many = [SignPath(age, age / age[-1] + 0.1 * rng.standard_normal(200)) for age in ages]
    own = path(30.0, 14, seed=9)
    found = log_likelihood_of_lives(many, lives, own, ASKED)
    dense = np.array([-np.sum((own.level - own.age / life) ** 2) / (2 * 0.1**2) for life in ASKED])
    near = dense > dense.max() - 8
    assert found[near] - found.max() == pytest.approx(dense[near] - dense.max(), abs=0.5)


def test_a_sign_that_never_moves_or_goes_at_one_pace_in_all_cycles_tells_no_life_apart():
    still = [path(life, seed=k, rise=0.0) for k, life in enumerate(LIVES)]
    assert np.ptp(best(path(30.0, 14, rise=0.0, seed=9), still)[1]) < 1.0
    paced = [SignPath(p.age, p.level - p.age / life + p.age / 28) for p, life in zip(past(), LIVES, strict=True)]
    own = SignPath(a := np.arange(1.0, 15), a / 28)
    moved = np.ptp(best(own)[1])
    assert np.ptp(best(own, paced)[1]) < 0.2 * moved


def test_cycles_that_differ_in_level_leave_more_lives_open():
    unlike = [path(life, seed=k, level=0.4 * (-1) ** k) for k, life in enumerate(LIVES)]
    own = path(30.0, 14, seed=9)
    alike, apart = (best(own, sisters)[1] for sisters in (past(), unlike))
    assert np.mean(apart > apart.max() - 2) > 1.3 * np.mean(alike > alike.max() - 2)


def test_one_mistyped_reading_does_not_lead():
    own = path(30.0, 14, seed=9)
    slip = SignPath(own.age, own.level + np.where(own.age == 7, np.log(100), 0.0))
    assert best(slip)[0] == pytest.approx(best(own)[0], rel=0.1)


def test_readings_that_take_after_the_one_before_say_less():
    rng = np.random.default_rng(3)
    lives = np.tile(LIVES, 2)

    def drifting(life, upto):
        age, error = np.arange(1.0, upto + 1), np.zeros(int(upto))
        for at in range(1, error.size):
            error[at] = 0.8 * error[at - 1] + 0.06 * rng.standard_normal()
        return age, age / life, error

    worn = [drifting(life, life) for life in lives]
    chained = [SignPath(age, rise + error) for age, rise, error in worn]
    shuffled = [SignPath(age, rise + rng.permutation(error)) for age, rise, error in worn]
    own = path(30.0, 14, seed=9)
    told = [log_likelihood_of_lives(paths, lives, own, ASKED) for paths in (chained, shuffled)]
    assert np.ptp(told[0]) < 0.6 * np.ptp(told[1])


def test_counts_of_passes_are_left_as_they_are_though_most_are_one():
    rng = np.random.default_rng(4)
    lives = np.tile(LIVES, 3)
    paths = [SignPath(a := np.arange(1.0, life + 1), np.log(1 + rng.poisson(1.2 * (a / life) ** 2))) for life in lives]
    early = SignPath(np.arange(1.0, 15), np.zeros(14))
    late = SignPath(np.arange(1.0, 15), np.log(1.0 + np.array([0, 0, 0, 0, 1, 0, 1, 1, 2, 1, 1, 2, 1, 2])))
    told = [ASKED[int(np.argmax(log_likelihood_of_lives(paths, lives, own, ASKED)))] for own in (early, late)]
    assert told[1] < told[0]


def test_nothing_is_said_of_too_few_cycles_or_faces_or_of_readings_that_are_all_equal():
    own = path(30.0, 14)
    assert log_likelihood_of_lives(past()[:4], LIVES[:4], own, ASKED) is None
    assert log_likelihood_of_lives(past(), LIVES, path(30.0, 2), ASKED) is None
    short = [SignPath(p.age[:4], p.level[:4]) for p in past()]
    assert log_likelihood_of_lives(short, LIVES, own, ASKED) is None
    equal = [SignPath(p.age, np.zeros(p.age.size)) for p in past()]
    assert log_likelihood_of_lives(equal, LIVES, SignPath(own.age, np.zeros(14)), ASKED) is None
    assert log_likelihood_of_lives([], [], own, ASKED) is None


def test_what_may_not_be_asked_is_said():
    with pytest.raises(ValueError, match="one number above 0 for each of 8 past cycles"):
        log_likelihood_of_lives(past(), LIVES[:7], path(30.0, 14), ASKED)
    with pytest.raises(ValueError, match="`asked` must be above 0"):
        log_likelihood_of_lives(past(), LIVES, path(30.0, 14), [0.0, 3.0])


def told(now, **more):
    lives = {"low": LIVES - 1, "high": LIVES, "laps": ["L1"] * 8, "lap": "L1", "age": 14.0, "signs": past()}
    return life_to_come(**(lives | {"now": now, "rng": np.random.default_rng(1)} | more))


def test_the_range_of_what_is_left_takes_it_in():
    alone, quick, slow = told(None), told(path(20.0, 14, seed=9)), told(path(45.0, 14, seed=9))
    assert (alone.by_sign, quick.by_sign, slow.by_sign) == (False, True, True)
    assert quick.median < alone.median < slow.median
    assert quick.high - quick.low < 0.7 * (alone.high - alone.low)


def test_a_cycle_taken_off_good_says_nothing_of_how_the_sign_goes_with_a_life():
    high = np.where(np.arange(8) == 7, np.inf, LIVES)
    wild = SignPath(np.arange(1.0, 30), np.linspace(0, -9, 29))
    own = path(22.0, 14, seed=9)
    one, other = (told(own, high=high, signs=[*past()[:7], last]) for last in (past()[7], wild))
    assert one == other


def test_a_sign_that_goes_as_in_no_past_cycle_is_not_asked():
    """Ten times the minutes that a worn lap takes: no life makes that likely, the lives alone are told."""
    found = told(SignPath(np.arange(1.0, 15), np.full(14, np.log(30.0)) + 0.05 * np.arange(14) % 0.2))
    assert not found.by_sign
    assert [found.low, found.high] == pytest.approx([told(None).low, told(None).high], rel=0.1)
