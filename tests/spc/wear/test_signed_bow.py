import numpy as np
import pytest

from spc.wear.cycle import number_cycles
from spc.wear.signed_bow import bow_of_cycle, fit_signed_bow
from tests.spc.wear.made_up_log import events_frame, faces_frame


def fit(bow, *, step=0.1, signs=1.0, seed=1, **options):
    rng = np.random.default_rng(seed)
    size = np.abs(bow)
    read = np.round(size / step) * step
    sign = np.where(rng.random(bow.size) < signs, np.sign(bow), 0).astype(int)
    return fit_signed_bow(
        np.arange(bow.size), np.maximum(read - step / 2, 0), read + step / 2, sign, rng=rng, **options
    )


def path(n=20, start=0.4, drift=-0.04, noise=0.05, seed=2):
    return start + drift * np.arange(n) + np.random.default_rng(seed).normal(0, noise, n)


def test_agrees_with_least_squares_where_nothing_is_folded():  # second way
    bow = path(start=2.0, drift=0.03)
    found = fit(bow, step=0.001)
    slope, intercept = np.polyfit(np.arange(20), bow, 1)
    assert found.drift_um_per_face == pytest.approx(slope, abs=1e-3)
    assert found.start_um == pytest.approx(intercept, abs=0.01)
    residual = bow - np.polyval([slope, intercept], np.arange(20))
    error = np.sqrt(residual @ residual / 18 / np.sum((np.arange(20) - 9.5) ** 2))
    assert found.drift_high - found.drift_low == pytest.approx(2 * 1.734 * error, rel=0.15)


def test_a_turning_lap_is_seen_while_flatness_shrinks():
    found = fit(path(n=10, start=0.5, drift=-0.05))
    assert found.turning
    assert found.sentence.startswith("The form is turning: convex at first, it drifts concave")
    assert found.sentence.endswith("on the way through flat its flatness reads better.")  # how good is not known here


def test_a_turned_lap_and_a_growing_one():
    assert fit(path(n=25)).sentence.startswith("The form has turned from convex to concave")
    growing = fit(path(drift=0.03))
    assert not growing.turning
    assert growing.sentence.startswith("The form grows more convex")
    flattens = fit(path(start=-1.2, drift=0.03))
    assert flattens.sentence.startswith("The form grows less concave, by 0.0287 um")
    held = fit(path(drift=0.0))
    assert held.sentence.startswith("The form holds")


def test_missing_signs_are_borne():
    found = fit(path(n=25), signs=0.5)
    assert found.drift_low < -0.04 < found.drift_high
    assert found.signed < 25


def test_too_little_is_refused_in_words():
    assert "at least 5 are needed" in fit(path(n=4)).reason
    assert "log the sign with every reading" in fit(path(n=12), signs=0.0).sentence
    one_age = fit_signed_bow([3.0] * 6, [0.1] * 6, [0.2] * 6, [1] * 6, rng=np.random.default_rng(1))
    assert "one age" in one_age.reason
    assert not one_age.turning


def test_open_and_zero_readings_are_borne():
    low, high = np.array([0.0, 0.0, 0.1, 0.2, 0.3, 0.6]), np.array([0.1, 0.1, 0.2, 0.3, 0.4, np.inf])
    found = fit_signed_bow(np.arange(6), low, high, [0, 1, 1, 1, 1, 1], rng=np.random.default_rng(1))
    assert found.status == "fitted"
    assert np.isfinite([found.drift_low, found.drift_high, found.now_low, found.now_high]).all()


def test_bow_of_a_cycle_leaves_out_twist_repeats_and_relaps():
    rows = [{"flatness_low_um": 0.1, "flatness_high_um": 0.3, "shape": "convex"} for _ in range(8)]
    rows += [rows[0] | {"shape": "twist"}, rows[0] | {"attempt": 2}, rows[0] | {"kind": "repeat"}]
    found = bow_of_cycle(number_cycles(faces_frame(rows), events_frame([])), rng=np.random.default_rng(1))
    assert (found.readings, found.signed) == (8, 8)
    assert found.twist_share == pytest.approx(1 / 9)


def test_refuses_what_does_not_fit():
    rng = np.random.default_rng(1)
    with pytest.raises(ValueError, match="arrays must be of one length"):
        fit_signed_bow([1, 2], [0.1], [0.2], [1], rng=rng)
    with pytest.raises(ValueError, match="0 <= low <= high"):
        fit_signed_bow([1.0], [0.3], [0.2], [1], rng=rng)
