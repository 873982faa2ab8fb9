"""How cycles differ: the likelihood against whole matrices, the forecast of a face against the normal law's own."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize_scalar

from spc.chart.cycle_spread import ASSUMED_SD, CycleSpread, _restricted, cycle_spread, foretold

SOURCES = Path(__file__).parents[2] / "sources"
LENGTHS = (7, 12, 5)
AGE = np.concatenate([np.arange(float(k)) for k in LENGTHS])
CYCLE = np.repeat(np.arange(3), LENGTHS)


def scores(seed, start_sd=0.0, slope_sd=0.0, cycles=40, faces=25):
    rng = np.random.default_rng(seed)
    age, cycle = np.tile(np.arange(float(faces)), cycles), np.repeat(np.arange(cycles), faces)
    own = start_sd * rng.normal(size=cycles)[cycle] + slope_sd * rng.normal(size=cycles)[cycle] * age
    return own + rng.normal(size=age.size), age, cycle


@pytest.mark.parametrize(("start", "slope"), [(0.0, 0.0), (0.4, 0.0), (0.3, 0.7)])
def test_the_restricted_likelihood_is_that_of_whole_matrices(start, slope):
    z, t, n = np.random.default_rng(3).normal(size=24) + 0.5 * CYCLE, AGE / 9, 24
    same = CYCLE[:, None] == CYCLE
    v = np.eye(n) + (start**2 + slope**2 * np.outer(t, t)) * same
    x, inverse = np.column_stack([np.ones(n), t]), np.linalg.inv(v)
    information = x.T @ inverse @ x
    left = z @ (inverse - inverse @ x @ np.linalg.inv(information) @ x.T @ inverse) @ z
    expected = np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1] + (n - 2) * np.log(left)
    log, variance = _restricted(z, t, CYCLE, np.array([start]), np.array([slope]))
    assert log[0] == pytest.approx(-0.5 * expected, rel=1e-10)
    assert variance[0] == pytest.approx(left / (n - 2), rel=1e-10)


def test_the_restricted_likelihood_of_dyestuff_is_as_published():
    """Batches as cycles, all faces of one age. Source of data and values, from memory: tests/sources/dyestuff.json."""
    data = pd.read_csv(SOURCES / "dyestuff.csv")
    batch = pd.factorize(data["Batch"])[0].astype(np.int64)
    yields, n = data["Yield"].to_numpy(float), len(data)

    def at(ratio):
        log, rest = _restricted(yields, np.zeros(n), batch, np.array([ratio]), np.zeros(1))
        return float(log[0]), float(rest[0])

    ratio = minimize_scalar(lambda r: -at(r)[0], bounds=(0.0, 3.0), method="bounded", options={"xatol": 1e-9}).x
    log, rest = at(ratio)
    assert rest == pytest.approx(2451.25, abs=0.01) and rest * ratio**2 == pytest.approx(1764.05, abs=0.05)
    assert -2 * log + (n - 1) * (1 + np.log(2 * np.pi / (n - 1))) == pytest.approx(319.6543, abs=5e-4)


def test_a_face_is_foretold_as_the_joint_normal_law_does():
    z = np.random.default_rng(4).normal(size=24)
    centre, sd = foretold(z, AGE, CYCLE, CycleSpread(0.4, 0.05, 0.9, 3, 0.5))
    own, t = z[7:19], AGE[7:19]  # the second cycle
    v = 0.81 * np.eye(12) + 0.16 + 0.0025 * np.outer(t, t)
    for i in range(12):
        gain = np.linalg.solve(v[:i, :i], v[:i, i])
        assert centre[7 + i] == pytest.approx(gain @ own[:i], abs=1e-12)
        assert sd[7 + i] == pytest.approx((v[i, i] - gain @ v[:i, i]) ** 0.5, rel=1e-12)


def test_spreads_of_many_cycles_are_those_planted():
    found = cycle_spread(*scores(5, 0.6, 0.04))
    total = found.within_sd
    assert found.start_sd / total == pytest.approx(0.6, rel=0.3)
    assert found.slope_sd / total == pytest.approx(0.04, rel=0.3)
    assert found.p_value < 1e-6
    alike = cycle_spread(*scores(6))
    assert max(alike.start_sd, alike.slope_sd * 14) < 0.2 and alike.within_sd == pytest.approx(1.0, abs=0.03)


def test_one_cycle_leaves_what_is_assumed():
    z, age, cycle = scores(7, cycles=1)
    found = cycle_spread(z, age, cycle)
    expected = ASSUMED_SD * 2**0.5 * found.within_sd  # the usual cycle itself is known from one only
    assert found.start_sd == pytest.approx(expected, rel=0.02)
    assert found.slope_sd * np.mean(age**2) ** 0.5 == pytest.approx(expected, rel=0.02)
    assert found.p_value == 1.0 and found.cycles == 1


def test_cycles_that_do_not_differ_are_seldom_seen_to():
    p = np.array([cycle_spread(*scores(seed, cycles=8)).p_value for seed in range(400)])
    assert np.mean(p <= 0.05) <= 0.05 + 4 * (0.05 * 0.95 / 400) ** 0.5
    assert np.mean([cycle_spread(*scores(seed, 0.6, cycles=8)).p_value <= 0.01 for seed in range(50)]) >= 0.8


def test_faces_all_of_one_age_say_nothing_of_slopes():
    found = cycle_spread(np.random.default_rng(8).normal(size=24), np.zeros(24), CYCLE)
    assert np.isfinite([found.start_sd, found.slope_sd, found.within_sd]).all()


@pytest.mark.parametrize(
    ("cycles", "words"),
    [(1, "1 cycle; assumed"), (3, "3 cycles; partly assumed"), (8, "8 cycles; read from them")],
)
def test_it_is_said_what_is_assumed(cycles, words):
    found = CycleSpread(0.3, 0.02, 0.5, cycles, 1.0)
    assert found.words(20.0).startswith(f"cycles may differ by about 1.0 sd at 20 faces of age ({words})")
    assert replace(found, p_value=0.01).words(20.0).startswith("cycles differ by about 1.0 sd")
