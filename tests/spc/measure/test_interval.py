import numpy as np
import pytest

from spc.measure.interval import middle_of


def test_the_middle_stands_for_a_reading_and_the_low_end_for_one_open_above():
    low, high = [0.1, 0.3, -0.4, np.nan, 0.2], [0.3, np.inf, -0.2, np.nan, 0.2]
    np.testing.assert_allclose(middle_of(low, high), [0.2, 0.3, -0.3, np.nan, 0.2], rtol=1e-15)
    assert float(middle_of(0.1, 0.4)) == pytest.approx(0.25, rel=1e-15)
