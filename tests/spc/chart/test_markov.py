import numpy as np
import pytest
from scipy.sparse import csr_matrix

from spc.chart.markov import Chain, average_from, chain_average, chain_law, law_of_both, percentile_of


def geometric(p):
    return Chain(start=np.array([1 - p]), matrix=np.array([[1 - p]]))


def test_geometric_waiting_time():
    law = chain_law(geometric(0.1))
    assert law.average == pytest.approx(10.0)
    assert law.deviation == pytest.approx(np.sqrt(0.9) / 0.1)
    assert [law.percentile(q) for q in (0.1, 0.5, 0.9)] == [1.0, 7.0, 22.0]
    assert law.steady == pytest.approx([1.0])


def test_two_steps_needed():
    """Two states in a row, then the signal: exactly three points."""
    law = chain_law(Chain(start=np.array([1.0, 0.0]), matrix=np.array([[0.0, 1.0], [0.0, 0.0]])))
    assert law.average == pytest.approx(3.0)
    assert law.deviation == pytest.approx(0.0, abs=1e-7)
    assert law.percentile(0.5) == 3.0


def test_head_counts_the_points_before():
    plain = chain_law(geometric(0.2))
    headed = Chain(start=np.array([0.64]), matrix=np.array([[0.8]]), head=(1.0, 0.8))
    law = chain_law(headed)
    assert law.average == pytest.approx(plain.average)
    assert law.deviation == pytest.approx(plain.deviation)
    assert chain_average(headed) == pytest.approx(plain.average)


def test_sparse_and_dense_agree():
    rng = np.random.default_rng(1)
    dense = rng.random((400, 400)) * (rng.random((400, 400)) < 0.02)
    dense /= 1.02 * np.maximum(dense.sum(axis=1, keepdims=True), 1e-9)
    start = np.full(400, 1 / 400)
    a, b = chain_law(Chain(start, dense)), chain_law(Chain(start, csr_matrix(dense)))
    assert a.average == pytest.approx(b.average, rel=1e-9)
    assert a.deviation == pytest.approx(b.deviation, rel=1e-9)
    assert average_from(Chain(start, csr_matrix(dense)), a.steady) == pytest.approx(1 / (1 - a.ratio), rel=1e-6)


def test_first_of_two_independent_charts():
    law = law_of_both(chain_law(geometric(0.1)), chain_law(geometric(0.2)))
    p = 1 - 0.9 * 0.8
    assert law.average == pytest.approx(1 / p)
    assert law.deviation == pytest.approx(np.sqrt(1 - p) / p)


def test_percentile_beyond_the_listed_points_follows_the_tail():
    assert percentile_of(np.array([1.0, 0.9]), 0.9, 0.5) == 7.0
    assert percentile_of(np.array([1.0, 1.0]), 1.0, 0.5) == np.inf


@pytest.mark.parametrize("n", [3, 40, 400])
@pytest.mark.parametrize("stays", [0.59, 0.0])
def test_survival_is_that_of_single_steps(n, stays):
    """Against one multiplication a point, beyond the points that are followed at once, and where the chain ends."""
    rng = np.random.default_rng(n)
    matrix, state, lasting = np.diag(np.full(n - 1, 0.3), 1) + stays * np.eye(n), rng.dirichlet(np.ones(n)), [1.0, 1.0]
    matrix[:, 0] += 0.15 * stays
    law = chain_law(Chain(state, csr_matrix(matrix), head=(1.0, 1.0)))
    assert law.survival.size == 2 + n if stays == 0 else law.survival.size > 60
    for _ in range(law.survival.size - 2):
        lasting.append(float(state.sum()))
        state, steady = state @ matrix, state
    assert law.survival == pytest.approx(lasting, rel=1e-9)
    assert law.steady == pytest.approx(steady / steady.sum(), abs=1e-9)
    assert law.ratio == (pytest.approx(state.sum() / steady.sum()) if stays else 0.0)
