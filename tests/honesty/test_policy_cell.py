import numpy as np
import pytest

from tests.honesty.policy_cell import (
    CellModel,
    fixed_age,
    make_readings,
    operators_feel,
    reading_rule,
    run_policy,
    run_to_limit,
    worn_lives,
)


def readings(model=None, cycles=400, faces=200, seed=1):
    return make_readings(model or CellModel(), cycles=cycles, faces=faces, rng=np.random.default_rng(seed))


def outcome(policy, seed=1, **options):
    rng = np.random.default_rng(9)
    return run_policy("x", policy, readings(seed=seed), rng=rng, **({"planned_cost": 1, "worn_cost": 5} | options))


def test_without_noise_the_life_is_where_the_path_crosses():
    made = readings(CellModel(noise=0, fresh_spread=0, wear_spread=0, power=1, step_um=0))
    low, high = worn_lives(made)
    assert set(low) == {58.0}  # 0.15 + 0.008 t is over 0.6 first at t = 57, the 58th face
    assert np.array_equal(low, high)


def test_unworn_cycles_are_censored():
    low, high = worn_lives(readings(CellModel(wear_um=1e-6, noise=0), faces=10))
    assert set(low) == {10.0}
    assert np.isinf(high).all()


def test_policies_do_what_they_say():
    assert outcome(run_to_limit()).worn_share == 1
    early = outcome(fixed_age(2))
    assert early.mean_faces <= 2
    assert early.cost_per_face == pytest.approx(0.5, rel=0.05)
    assert 0 < outcome(operators_feel()).worn_share < 1
    assert outcome(operators_feel(bias=-3)).mean_faces < outcome(operators_feel()).mean_faces
    assert outcome(reading_rule(0.4)).mean_faces < outcome(reading_rule(0.9)).mean_faces


def test_reading_rule_by_hand():
    made = readings(CellModel(noise=0, fresh_spread=0, wear_spread=0, power=1, step_um=0), cycles=1)
    age = reading_rule(0.5, faces=3)(made, np.random.default_rng(1))[0]
    mean = [made.read_um[0, i - 3 : i].mean() for i in range(3, 200)]
    assert age == 3 + int(np.argmax(np.array(mean) >= 0.3))


def test_readings_stand_on_their_step():
    made = readings()
    assert np.allclose(made.read_um / 0.147, np.round(made.read_um / 0.147))


def test_refusals():
    with pytest.raises(ValueError, match="`age` must be greater than 0"):
        fixed_age(0)
    with pytest.raises(ValueError, match="`share` must be above 0"):
        reading_rule(2)
    with pytest.raises(ValueError, match="`cycles` must be at least 1"):
        readings(cycles=0)
