"""Preston's law, dh/dt = k p v: Preston (1927), J. Soc. Glass Technology 11, 214-256."""

import numpy as np
import pandas as pd
import pytest

from spc.measure.preston import BASES, choose_basis, rate_divisor

RNG = np.random.default_rng(1927)


def faces(n=40, **columns):
    """Faces that all carry a rate of 1 um in a minute, and what is given."""
    rated = {"minutes": 2.0, "thickness_before_low_um": 102.0, "thickness_low_um": 100.0}
    return pd.DataFrame({**rated, **columns}, index=range(n))


def test_the_law_is_given_back_and_is_volume_per_newton_and_metre():
    n, k = 50, 0.4
    load, area, speed = RNG.uniform(10, 200, n), RNG.uniform(100, 2000, n), RNG.uniform(0.1, 2.0, n)
    um_per_min = k * (load / area) * speed
    told = um_per_min / rate_divisor(faces(n, load_n=load, area_mm2=area, speed_m_per_s=speed), "pressure and speed")
    assert told == pytest.approx(np.full(n, k), rel=1e-12)
    # The second way: volume removed over load times way rubbed, in mm3 per newton and metre.
    minutes = RNG.uniform(1, 9, n)
    volume_mm3 = um_per_min * minutes / 1000 * area
    way_m = speed * 60 * minutes
    assert volume_mm3 / (load * way_m) == pytest.approx(told / 60_000, rel=1e-12)


@pytest.mark.parametrize(
    ("carried", "basis", "words"),
    [
        ({}, "", ""),
        (
            {"load_n": 50.0, "area_mm2": 800.0},
            "pressure",
            "removal rate per N/mm2: all 40 faces carry load and contact",
        ),
        ({"speed_m_per_s": 0.5}, "speed", "removal rate per m/s: all 40 faces carry speed"),
        ({"load_n": 50.0, "area_mm2": 800.0, "speed_m_per_s": 0.5}, "pressure and speed", "per N/mm2 and m/s: all 40"),
        ({"load_n": 50.0}, "", "removal rate as it is, not per N/mm2: 0 of 40 faces carry load and contact area"),
        ({"load_n": np.nan, "area_mm2": np.nan}, "", ""),
        ({"load_n": 0.0, "area_mm2": 800.0}, "", "0 of 40 faces carry load and contact area"),
    ],
)
def test_the_basis_is_the_fullest_that_the_faces_carry(carried, basis, words):
    choice = choose_basis(faces(**carried))
    assert choice.basis == basis
    assert words in choice.sentence and bool(words) == bool(choice.sentence)


def test_four_in_five_of_the_newest_faces_with_a_rate_decide():
    def chosen(n, without, **more):
        load = np.where(np.arange(n) < without, np.nan, 50.0)
        return choose_basis(faces(n, load_n=load, area_mm2=800.0, **more))

    assert chosen(40, 8).basis == "pressure" and "32 of 40 faces" in chosen(40, 8).sentence
    assert chosen(40, 9).basis == "" and "31 of 40 faces" in chosen(40, 9).sentence
    assert chosen(1000, 840).basis == "pressure" and "160 of the newest 200" in chosen(1000, 840).sentence
    assert chosen(1000, 841).basis == ""
    unread = np.where(np.arange(40) < 20, np.nan, 2.0)  # faces without a rate have no say
    assert chosen(40, 20, minutes=unread).basis == "pressure"
    assert choose_basis(faces(0, load_n=50.0)).sentence == ""


def test_a_frame_without_the_columns_is_plain_and_what_is_no_quantity_divides_nothing():
    assert rate_divisor(faces(3), "").tolist() == [1, 1, 1]
    assert np.isnan(rate_divisor(faces(3), "pressure")).all()
    odd = faces(4, load_n=[-5.0, 0.0, np.nan, 50.0], area_mm2=800.0)
    assert np.isnan(rate_divisor(odd, "pressure")).tolist() == [True, True, True, False]
    with pytest.raises(
        ValueError, match="`basis` must be one of 'pressure and speed', 'pressure', 'speed', '', got 'k'"
    ):
        rate_divisor(odd, "k")


def test_units_and_columns_carry_their_names():
    assert [b.unit for b in BASES] == ["um/min per N/mm2 and m/s", "um/min per N/mm2", "um/min per m/s", "um/min"]
    assert len({b.column for b in BASES}) == len(BASES)
