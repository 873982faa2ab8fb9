import numpy as np
import pytest
from scipy.stats import t as student

from spc.wear.pooled import fit_pooled
from spc.wear.time_to_limit import time_to_limit
from spc.wear.unit_tails import TAILS, over_tails, scale_spreads, tail_shares, unit_scales
from spc.wear.wear_path import wear_path


def test_scales_mix_a_normal_law_into_students_of_the_same_variance():
    rng = np.random.default_rng(1)
    for column, tail in enumerate([(4.0, np.inf), (np.inf, 4.0)]):
        found = np.exp(unit_scales(tail, 200_000, rng)[:, column]) * rng.standard_normal(200_000)
        law = student(4, scale=np.sqrt(0.5))  # variance 4 / 2 times one half
        assert np.quantile(found, [0.9, 0.95, 0.99]) == pytest.approx(law.ppf([0.9, 0.95, 0.99]), rel=0.02)


def test_no_tails_move_nothing():
    assert not unit_scales(TAILS[0], 50, np.random.default_rng(2)).any()


def test_scales_move_the_spreads_they_name():
    moved = scale_spreads(np.zeros((1, 5)), np.array([[0.3, -0.2]]))
    assert moved[0].tolist() == [-0.2, 0.0, 0.3, 0.3, 0.0]


def test_the_tail_that_foresees_best_gets_most():
    scores = np.array([[-9.0, -3.0], [-4.0, -3.1], [-9.0, -9.0], [-9.0, -9.0]])
    shares = tail_shares(scores)
    score = over_tails(scores, shares)
    assert shares.argmax() == 1 and shares[2:].sum() == 0 and shares.sum() == pytest.approx(1)
    assert (score <= [-4.0, -3.0]).all() and score[0] > -5


def group(scatter, slope_at=0.06):
    rng = np.random.default_rng(3)
    age = np.arange(1.0, 21)
    return [
        wear_path(f"c{i}", age, 0.7 + slope_at * age + sd * rng.standard_normal(20)) for i, sd in enumerate(scatter)
    ]


def test_uneven_scatter_between_cycles_is_heard_and_even_scatter_is_not():
    even = fit_pooled(group([0.1] * 10), rng=np.random.default_rng(1)).shapes[0].log_scales
    uneven = fit_pooled(group([0.03] * 8 + [0.3] * 2), rng=np.random.default_rng(1)).shapes[0].log_scales
    straying = [float(np.mean(scales[:, 1] != 0)) if scales.size else 0.0 for scales in (even, uneven)]
    assert straying[0] < 0.2 and straying[1] > 0.8


@pytest.mark.parametrize("seed", range(4))
def test_a_cycle_noisier_than_its_sisters_gets_a_wider_range(seed):
    past = fit_pooled(group([0.03] * 8 + [0.3] * 2), rng=np.random.default_rng(seed))
    age = np.arange(1.0, 11)
    calm = wear_path("calm", age, 0.7 + 0.06 * age + 0.03 * np.tile([1, -1], 5))
    rough = wear_path("rough", age, 0.7 + 0.06 * age + 0.3 * np.tile([1, -1], 5))
    width = []
    for own in (calm, rough):
        answer = time_to_limit(past, own, limit=2.0, rng=np.random.default_rng(2))
        width.append(answer.high - answer.low)
    assert width[1] > 1.6 * width[0]  # 1.85 to 2.4 in twelve fits
