import math

import numpy as np
import pytest

from spc.wear.limit_crossing import limit_crossings


def crossing(readings, parts=None):
    """Crossing of one cycle: 'u' under the limit, 'o' over it, '-' not read."""
    n = len(readings)
    found = limit_crossings(
        np.ones(n, np.int64), [0] * n if parts is None else [ord(p) for p in parts], np.arange(1.0, n + 1),
        over=[r == "o" for r in readings], within=[r == "u" for r in readings],
    )  # fmt: skip
    return (*found.low.tolist(), *found.high.tolist(), *found.stray.tolist())


@pytest.mark.parametrize(
    ("readings", "low", "high", "stray"),
    [
        ("uuuuu", 5, math.inf, False),
        ("uuuooo", 3, 4, False),
        ("uouuuuu", 7, math.inf, False),  # one stray reading
        ("uouuuuuooo", 7, 8, False),
        ("uuuuo", 4, math.inf, True),  # nothing confirms it yet
        ("uuouoo", 2, 5, False),  # in doubt from the third on
        ("uuoouuuuuu", 10, math.inf, False),  # the lap came back under it
        ("ooo", 0, 1, False),
        ("uoo", 1, 2, False),
        ("u--o-o", 1, 4, False),
    ],
)
def test_a_crossing_is_confirmed_by_what_follows(readings, low, high, stray):
    assert crossing(readings) == (low, high, stray)


def test_part_numbers_confirm_themselves_and_the_limit_that_runs_out_first_counts():
    assert crossing("uuuuouou", "abababab") == (3, 5, False)  # 'a' has the tighter limit
    assert crossing("uuuuououoo", "ababababab") == (3, 5, False)  # 'b' is over at last too
    assert crossing("uuuoou", "aaabab") == (6, math.inf, False)  # one stray of each


def test_cycles_do_not_mix_and_one_without_a_reading_is_left_out():
    found = limit_crossings(
        [1, 1, 1, 2, 3, 3, 3], [0] * 7, [1, 2, 3, 1, 1, 2, 3],
        over=[0, 1, 1, 0, 0, 0, 1], within=[1, 0, 0, 0, 1, 1, 0],
    )  # fmt: skip
    assert found.cycle.tolist() == [1, 3]
    assert (found.low.tolist(), found.high.tolist()) == ([1, 2], [2, math.inf])
    assert found.stray.tolist() == [False, True]
    assert limit_crossings([], [], [], over=[], within=[]).cycle.size == 0


@pytest.mark.parametrize("sd_um", [0.01, 0.03, 0.05])
def test_a_noisy_path_is_said_to_cross_where_it_does_and_hardly_ever_before(sd_um):
    """Flatness of 0.2 um grows to the limit of 0.6 um over 25 faces, give or take 4; cycles end late, or in time."""
    rng = np.random.default_rng(1)

    def crossed(share_of_life):
        """Ends found and true lives, of cycles that went on for so much of their life."""
        found = []
        for life in rng.normal(25, 4, 300):
            age = np.arange(1.0, int(life * share_of_life) + 1)
            over = 0.2 + 0.4 * age / life + rng.normal(0, sd_um, age.size) >= 0.6
            one = limit_crossings(np.ones(age.size, np.int64), [0] * age.size, age, over=over, within=~over)
            found.append(((one.low[0] + one.high[0]) / 2, life))
        return np.array(found).T

    middle, life = crossed(1.4)
    assert np.isfinite(middle).all() and abs(float(np.mean(middle - life))) < 0.5
    assert np.isfinite(crossed(0.8)[0]).mean() < 0.01
