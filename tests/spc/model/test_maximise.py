import numpy as np
import pytest

from spc.model.maximise import maximise_rows

STEP = np.array([1e-4, 1e-4])


def test_each_row_finds_its_own_peak():
    peaks = np.array([[0.5, -1.0], [3.0, 2.0], [-2.0, 0.1]])

    def banana(theta, rows):  # a curved valley, upside down
        x, y = np.moveaxis(theta - peaks[rows], -1, 0)
        return -(x**2) - 10 * (y - x**2) ** 2

    best, value = maximise_rows(banana, np.zeros((3, 2)), low=np.full(2, -9.0), high=np.full(2, 9.0), step=STEP)
    assert best == pytest.approx(peaks, abs=1e-4) and value == pytest.approx(0, abs=1e-8)


def test_a_wall_is_a_valid_answer():
    best, value = maximise_rows(
        lambda theta, rows: theta[..., 0] - (theta[..., 1] - 1) ** 2,
        np.zeros((1, 2)),
        low=np.array([-1.0, -5.0]),
        high=np.array([2.0, 5.0]),
        step=STEP,
    )
    assert best[0] == pytest.approx([2.0, 1.0], abs=1e-5) and value[0] == pytest.approx(2.0)


def test_starts_on_the_wrong_side_of_an_inflection():
    best, _ = maximise_rows(
        lambda theta, rows: -np.log(1 + (theta[..., 0] - 4) ** 2),
        np.array([[-3.0], [9.0]]),
        low=np.array([-10.0]),
        high=np.array([10.0]),
        step=STEP[:1],
    )
    assert best[:, 0] == pytest.approx([4, 4], abs=1e-5)
