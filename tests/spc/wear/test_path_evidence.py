import numpy as np
import pytest
from scipy.interpolate import BarycentricInterpolator

from spc.wear.path_evidence import interpolated, inverted, line_evidence, solved, unit_evidence
from spc.wear.path_gram import RATIO_GRID, path_gram


def test_between_the_grid_a_cubic_through_four_points():
    # Second route: scipy's barycentric interpolation through the same four points.
    rng = np.random.default_rng(3)
    grid, table = np.log(RATIO_GRID), rng.normal(size=(RATIO_GRID.size, 2, 3))
    for k in (0, 5, 15):
        at = grid[k + 1] + 0.37 * (grid[1] - grid[0])
        cubic = BarycentricInterpolator(grid[k : k + 4], table[k : k + 4])(at)
        assert interpolated(table, np.array([at]))[0] == pytest.approx(cubic, rel=1e-9)
    assert interpolated(table, grid) == pytest.approx(table)


@pytest.mark.parametrize("terms", [2, 3])
def test_systems_are_solved_as_numpy_solves_them(terms):
    rng = np.random.default_rng(4)
    root = rng.normal(size=(7, 5, terms, terms))
    matrix, right = root @ np.swapaxes(root, -1, -2) + np.eye(terms), rng.normal(size=(7, 5, terms))
    solution, log_det = solved(matrix, right)
    assert solution == pytest.approx(np.linalg.solve(matrix, right[..., None])[..., 0])
    assert log_det == pytest.approx(np.linalg.slogdet(matrix)[1])
    assert inverted(matrix) == pytest.approx(np.linalg.inv(matrix))


@pytest.mark.parametrize("covariates", [0, 1])
@pytest.mark.parametrize("parts", [0, 1, 3])
def test_evidence_is_that_of_the_covariances_written_out(parts, covariates):
    # Slow reference: each unit's covariance as a matrix; at the grid's own ratios nothing is interpolated.
    rng = np.random.default_rng(5)
    count = np.array([9, 4, 7])
    age = np.sort(rng.random((3, 9)))
    columns = np.concatenate(
        [np.ones((3, 9, 1)), age[..., None], rng.integers(0, 2, (3, 9, parts)), rng.normal(size=(3, 9, 1))], axis=-1
    )
    multiplier = rng.uniform(0.5, 2, (3, 9))
    gram = path_gram(age, columns, multiplier, count)
    design = np.zeros((3, 2 + parts, 2 + parts + 2 * covariates))
    design[:, 0, 0] = design[:, 1, 1 + covariates] = 1
    design[:, 2:, 2 + 2 * covariates :] = np.eye(parts)
    if covariates:
        design[:, 0, 1] = design[:, 1, 3] = rng.normal(size=3)
    log_ratio = np.log(RATIO_GRID[[0, 7, 18]])
    spreads = np.column_stack([rng.normal(-1, 0.5, 3), log_ratio, rng.normal(size=(3, 2)), rng.normal(size=3)])
    whole = line_evidence(spreads, gram, design)
    each = unit_evidence(spreads, gram)
    for s, (log_scatter, log_r, log_level, log_slope, z) in enumerate(spreads):
        error = np.exp(2 * log_scatter) / (1 + 0.1 * np.exp(log_r))
        both = np.tanh(z) * np.exp(log_level + log_slope)
        between = np.array([[np.exp(2 * log_level), both], [both, np.exp(2 * log_slope)]])
        precision, shift, square, log_det = 0, 0, 0, 0
        for u, n in enumerate(count):
            line, y = columns[u, :n, :2], columns[u, :n, -1]
            cov = line @ between @ line.T + error * np.diag(multiplier[u, :n])
            cov += np.exp(log_r) * error * np.minimum.outer(age[u, :n], age[u, :n])
            own = columns[u, :n, :-1]
            weighted = np.linalg.solve(cov, np.column_stack([own, y]))
            assert each.precision[s, u] == pytest.approx(own.T @ weighted[:, :-1], rel=1e-8, abs=1e-8)
            assert each.shift[s, u] == pytest.approx(own.T @ weighted[:, -1], rel=1e-8, abs=1e-8)
            assert each.square[s, u] == pytest.approx(y @ weighted[:, -1], rel=1e-8)
            assert each.log_det[s, u] == pytest.approx(np.linalg.slogdet(cov)[1], rel=1e-8)
            precision = precision + design[u].T @ each.precision[s, u] @ design[u]
            shift = shift + design[u].T @ each.shift[s, u]
            square, log_det = square + each.square[s, u], log_det + each.log_det[s, u]
        assert whole.precision[s] == pytest.approx(precision)
        assert whole.shift[s] == pytest.approx(shift)
        assert (whole.square[s], whole.log_det[s]) == pytest.approx((square, log_det))
