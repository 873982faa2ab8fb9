import numpy as np
import pandas as pd
import pytest

from spc.wear.sign_moves import share_interval, sign_moves


def frame(n, rng, **changes):
    values = {
        "first_low_um": rng.lognormal(-1, 0.3, n), "passes": np.ones(n), "minutes_ratio": rng.lognormal(0, 0.2, n),
        "rate_ratio": rng.lognormal(0, 0.2, n), "finish_ratio": np.full(n, np.nan), "relapped": np.zeros(n, bool),
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
    assert "times the usual" in moves["minutes"].sentence


def test_relap_share_up():
    move = by_sign(sign_moves(frame(48, np.random.default_rng(2), relapped=True)))["re-lap share"]
    assert (move.direction, move.recent, move.usual) == ("up", 1, 0)
    assert "8 of the last 8 faces (63% to 100%), 0 of 40 before" in move.sentence


def test_steady_signs_move_no_oftener_than_stated():
    rng = np.random.default_rng(3)
    calls = [m.direction in ("up", "down") for _ in range(300) for m in sign_moves(frame(40, rng), alpha=0.05)[:4]]
    tested = 900  # three of the four vary; the constant passes never move
    assert sum(calls) <= 0.05 * tested + 4 * (tested * 0.05 * 0.95) ** 0.5


def test_one_cycle_with_few_faces_says_so():
    moves = sign_moves(frame(9, np.random.default_rng(4)))
    assert {m.direction for m in moves} == {"too few"}
    assert all("too few" in m.sentence for m in moves)


def test_share_interval_published():
    # NIST/SEMATECH e-Handbook 7.2.4.1 works 4 of 20 (limits from memory of Clopper-Pearson tables, agreed by the beta
    # quantile's second route below).
    from scipy.stats import binom

    low, high = share_interval(4, 20)
    assert (low, high) == (pytest.approx(0.0573, abs=5e-5), pytest.approx(0.4366, abs=5e-5))
    assert binom.sf(3, 20, low) == pytest.approx(0.025, abs=1e-9)
    assert binom.cdf(4, 20, high) == pytest.approx(0.025, abs=1e-9)
    assert share_interval(0, 20, level=0.9)[1] == pytest.approx(1 - 0.05 ** (1 / 20))
    assert share_interval(0, 0) == (0, 1)


def test_refuses_impossible_counts():
    with pytest.raises(ValueError, match=r"`count` must be between 0 and `n`, got 5 of 4"):
        share_interval(5, 4)
    with pytest.raises(ValueError, match=r"`recent` must be at least 3"):
        sign_moves(frame(20, np.random.default_rng(5)), recent=2)
