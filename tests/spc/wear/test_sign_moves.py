import numpy as np
import pandas as pd
import pytest
from scipy.stats import fisher_exact

from spc.wear.sign_moves import sign_moves


def frame(n, rng, **changes):
    values = {
        "first_low_um": rng.lognormal(-1, 0.3, n), "passes": np.ones(n), "minutes_ratio": rng.lognormal(0, 0.2, n),
        "rate_ratio": rng.lognormal(0, 0.2, n), "finish_ratio": np.full(n, np.nan), "relapped": np.zeros(n, bool),
        "cycle": 1, "stream": 1, "part": "P1", "age_faces": np.arange(n),
    }  # fmt: skip
    signs = pd.DataFrame(values)
    signs["first_high_um"] = signs["first_low_um"]
    for name, change in changes.items():
        signs.loc[n - 8 :, name] = signs.loc[n - 8 :, name] * change if name != "relapped" else change
    return signs


def by_sign(moves):
    return {m.sign: m for m in moves}


def test_a_halved_rate_and_longer_minutes_are_seen():
    moves = by_sign(sign_moves(frame(48, np.random.default_rng(1), rate_ratio=0.5, minutes_ratio=1.8)))
    assert moves["removal rate"].direction == "down"
    assert moves["minutes"].direction == "up"
    assert moves["flatness"].direction == "steady"
    assert moves["finish"].direction == "too few"


def worn(rng, cycles=5, n=30, last=30, extra=1.0, slopes=0.0, evenly="in logs"):
    """Cycles that wear from unlike starts, the last one of another length, its last faces changed by a factor."""
    faces = [n] * (cycles - 1) + [last]
    cycle, age = np.repeat(np.arange(1, cycles + 1), faces), np.concatenate([np.arange(k) for k in faces])
    start = rng.normal(0, 0.3, cycles)[cycle - 1]
    growth = 0.05 * np.exp(slopes * rng.normal(size=cycles))[cycle - 1] * age
    growth = np.log1p(2 * growth) if evenly == "in um" else growth
    flatness = 0.2 * np.exp(growth + start + rng.normal(0, 0.3, cycle.size))
    flatness[-8:] *= extra
    signs = frame(cycle.size, rng).assign(cycle=cycle, age_faces=age, first_low_um=flatness, first_high_um=flatness)
    return by_sign(sign_moves(signs))["flatness"].direction


def test_wear_as_usual_is_no_move_at_any_age_and_more_than_usual_is():
    rng = np.random.default_rng(6)
    quiet = [worn(rng, last=last) != "steady" for last in (8, 15, 30) for _ in range(60)]
    assert np.mean(quiet) <= 0.03 + 4 * (0.03 / 180) ** 0.5
    assert np.mean([worn(rng, extra=2.0) == "up" for _ in range(60)]) > 0.8


@pytest.mark.parametrize(("cycles", "last", "evenly"), [(6, 55, "in logs"), (6, 55, "in um"), (1, 40, "in um")])
def test_wear_as_usual_is_no_move_in_cycles_of_unlike_slopes_that_outlive_the_past_or_have_none(cycles, last, evenly):
    rng = np.random.default_rng(61)
    quiet = [worn(rng, cycles, last=last, slopes=0.3, evenly=evenly) != "steady" for _ in range(60)]
    assert np.mean(quiet) <= 0.01 + 4 * (0.01 / 60) ** 0.5


def test_a_fresh_cycle_has_no_last_faces_and_so_has_not_moved():
    signs = frame(48, np.random.default_rng(9), minutes_ratio=3.0)
    assert by_sign(sign_moves(signs))["minutes"].direction == "up"
    assert by_sign(sign_moves(signs, cycle_now=2))["minutes"].direction == "too few"


def test_too_little_of_a_first_cycle_says_nothing_of_what_is_usual():
    signs = frame(30, np.random.default_rng(10), minutes_ratio=3.0).assign(cycle=[1] * 16 + [2] * 14)
    assert by_sign(sign_moves(signs))["minutes"].direction == "too few"


def test_lately_does_not_reach_back_past_a_reconditioning_or_a_grit_change():
    rng = np.random.default_rng(7)
    signs = frame(60, rng, minutes_ratio=3.0).assign(cycle=[1] * 58 + [2] * 2)
    assert by_sign(sign_moves(signs))["minutes"].direction == "too few"
    assert by_sign(sign_moves(signs.assign(cycle=1, stream=[1] * 45 + [2] * 15)))["minutes"].direction == "too few"


def test_a_rougher_part_number_is_no_move():
    rng = np.random.default_rng(8)
    signs = frame(80, rng)
    signs["part"] = ["P1", "P2"] * 34 + ["P2"] * 12
    rough = np.where(signs["part"] == "P2", 3.0, 1.0)
    signs = signs.assign(first_low_um=signs["first_low_um"] * rough, first_high_um=signs["first_high_um"] * rough)
    assert by_sign(sign_moves(signs))["flatness"].direction == "steady"
    assert sign_moves(signs.iloc[:0])[0].direction == "too few"


def test_relap_share_up():
    move = by_sign(sign_moves(frame(48, np.random.default_rng(2), relapped=True)))["re-lap share"]
    assert (move.direction, move.p_value) == ("up", pytest.approx(fisher_exact([[8, 0], [0, 40]]).pvalue))


def test_steady_signs_move_no_oftener_than_stated():
    rng = np.random.default_rng(3)
    calls = [m.direction in ("up", "down") for _ in range(300) for m in sign_moves(frame(40, rng), alpha=0.05)[:4]]
    tested = 900  # three of the four vary; the constant passes never move
    assert sum(calls) <= 0.05 * tested + 4 * (tested * 0.05 * 0.95) ** 0.5


def test_one_cycle_with_few_faces_says_so():
    moves = sign_moves(frame(9, np.random.default_rng(4)))
    assert {m.direction for m in moves} == {"too few"}


def test_refuses_too_short_a_recent_past():
    with pytest.raises(ValueError, match=r"`recent` must be at least 3"):
        sign_moves(frame(20, np.random.default_rng(5)), recent=2)
