import numpy as np
import pytest

from spc.wear.path_evidence import line_evidence, log_marginal
from spc.wear.path_gram import PathGram
from spc.wear.path_shape import SHAPES
from spc.wear.pool_without import pool_without
from spc.wear.pooled import fit_alone, fit_pooled
from spc.wear.time_to_limit import time_to_limit
from spc.wear.wear_path import taken, wear_path

LIMIT = 3.0
STRAIGHT = [shape for shape in SHAPES if shape.straight]


def cycles(count, seed=1, *, parts=(), load=()):
    rng, age = np.random.default_rng(seed), np.arange(1.0, 16)
    names = tuple(parts[at % len(parts)] for at in range(age.size)) if parts else ()
    return [
        wear_path(
            f"cycle {at}",
            age,
            0.5 + (0.08 + 0.02 * rng.standard_normal()) * age + 0.1 * rng.standard_normal(age.size),
            parts=names,
            covariates=(load[at % len(load)],) if load else (),
        )
        for at in range(count)
    ]


def fitted(paths, seed=2, **asked):
    return fit_pooled(paths, limit=LIMIT, rng=np.random.default_rng(seed), **asked)


@pytest.mark.parametrize("told", [{}, {"parts": ("ring", "pin")}, {"load": (1.0, 2.0, 5.0)}])
def test_the_mean_line_without_a_cycle_is_that_of_the_others_for_each_draw(told):
    # Second route: the sums of the others alone.
    paths = cycles(7, **told)
    pool = fitted(paths, shapes=STRAIGHT)
    rest = pool_without(pool, rng=np.random.default_rng(3))[2]
    for shape in rest.shapes:
        whole = shape.units.gram
        gram = PathGram(
            *(np.delete(getattr(whole, name), 2, axis=1) for name in ("gram", "log_det")),
            np.delete(whole.count, 2),
            *(np.delete(getattr(whole, name), 2, axis=1) for name in ("state", "state_variance", "table")),
        )
        evidence = line_evidence(shape.lines.spreads, gram, np.delete(shape.units.design, 2, axis=0))
        _, mean, precision = log_marginal(evidence, shape.scale.prior_precision())
        assert shape.lines.mean == pytest.approx(mean, abs=1e-6)
        assert shape.lines.covariance == pytest.approx(np.linalg.inv(precision), abs=1e-8)


def test_a_cycle_is_foreseen_as_from_a_pool_fitted_to_the_others():
    paths = cycles(9)
    rests = pool_without(fitted(paths), rng=np.random.default_rng(3))
    for at, (path, rest) in enumerate(zip(paths, rests, strict=True)):
        own = taken(path, slice(0, 7))
        anew = fitted([other for other in paths if other is not path], seed=at)
        ends = [
            np.quantile(np.minimum(answer.draws, 100), [0.05, 0.5, 0.95])
            for answer in (
                time_to_limit(pool, own, limit=LIMIT, draws=3000, rng=np.random.default_rng(4)) for pool in (rest, anew)
            )
        ]
        assert len(rest.past) == 8 and path.label not in [other.label for other in rest.past]
        assert ends[0] == pytest.approx(ends[1], rel=0.12)
        assert sum(shape.share for shape in rest.shapes) == pytest.approx(1)


def test_a_cycle_like_no_other_leaves_a_pool_that_does_not_know_it():
    paths = [*cycles(8), wear_path("steep", np.arange(1.0, 13), 0.5 + 0.2 * np.arange(1.0, 13))]
    pool = fitted(paths, shapes=STRAIGHT)
    rest = pool_without(pool, rng=np.random.default_rng(3))[-1]
    anew = fitted(paths[:-1], shapes=STRAIGHT)
    spread = [np.exp(np.median(each.shapes[0].lines.spreads[:, 3])) for each in (pool, rest or anew, anew)]
    assert spread[0] > 1.5 * spread[2]  # the pool has it in
    assert spread[1] == pytest.approx(spread[2], rel=0.35)


def test_of_few_cycles_none_is_left_out_by_weights():
    assert pool_without(fitted(cycles(4)), rng=np.random.default_rng(3)) == (None,) * 4


def test_a_pool_without_past_cycles_is_refused():
    alone = fit_alone(cycles(1)[0], rng=np.random.default_rng(5))
    with pytest.raises(ValueError, match="must come from `fit_pooled`"):
        pool_without(alone, rng=np.random.default_rng(3))
