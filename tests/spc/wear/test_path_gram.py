import numpy as np
import pytest

from spc.wear.path_evidence import interpolated, sums_at
from spc.wear.path_gram import RATIO_GRID, path_gram


@pytest.mark.parametrize("longest", [9, 70])  # within one block, and over three
def test_the_filter_gives_what_the_covariances_written_out_give(longest):
    rng = np.random.default_rng(6)
    count = np.array([longest, 1, longest // 2])
    age, columns = np.sort(rng.random((3, longest)), axis=1), rng.normal(size=(3, longest, 3))
    multiplier = rng.uniform(0.5, 2, (3, longest))
    found = path_gram(age, columns, multiplier, count)
    for r in (0, 8, 18):
        for u, n in enumerate(count):
            own, t = columns[u, :n], age[u, :n]
            wander = RATIO_GRID[r] * np.minimum.outer(t, t)
            cov = wander + np.diag(multiplier[u, :n])
            solved = np.linalg.solve(cov, np.column_stack([own, wander[:, -1]]))
            assert found.gram[r, u] == pytest.approx(own.T @ solved[:, :-1], rel=1e-7, abs=1e-9)
            assert found.log_det[r, u] == pytest.approx(np.linalg.slogdet(cov)[1], rel=1e-9, abs=1e-9)
            assert found.state[r, u] == pytest.approx(wander[-1] @ solved[:, :-1], rel=1e-7, abs=1e-9)
            left = wander[-1, -1] - wander[-1] @ solved[:, -1]
            assert found.state_variance[r, u] == pytest.approx(left, rel=1e-6, abs=1e-9)


def test_what_lies_past_the_last_reading_says_nothing():
    rng = np.random.default_rng(7)
    age, columns = np.sort(rng.random((1, 6)), axis=1), rng.normal(size=(1, 6, 3))
    whole = path_gram(age[:, :4], columns[:, :4], np.ones((1, 4)), np.array([4]))
    padded = path_gram(age, columns, np.ones((1, 6)), np.array([4]))
    assert padded.table == pytest.approx(whole.table) and padded.state == pytest.approx(whole.state)


def test_the_table_holds_the_products_of_each_pair_of_columns_once():
    rng = np.random.default_rng(24)
    gram = path_gram(np.sort(rng.random((4, 9))), rng.normal(size=(4, 9, 3)), np.ones((4, 9)), np.array([9, 5, 1, 7]))
    log_ratio = np.array([-4.0, 0.3, 8.9])
    rows = sums_at(gram, log_ratio)
    first, second = np.triu_indices(3)
    products = interpolated(gram.gram, log_ratio)[..., first, second]
    assert rows[:-1] == pytest.approx(products.transpose(2, 1, 0))
    assert rows[-1] == pytest.approx(interpolated(gram.log_det, log_ratio).T)
