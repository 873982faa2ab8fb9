import math

import pytest

from spc.capability.gauge_budget import bending_um, budget, resolution, step_uncertainty


def test_step_uncertainty_is_the_rectangular_law():
    # JCGM 100:2008, 4.3.7: half-width over sqrt 3 (formula from memory of the guide).
    assert step_uncertainty(0.5) == pytest.approx(0.25 / math.sqrt(3))


def test_half_band_on_two_bands_is_too_coarse_and_ten_bands_pass():
    # 5 % of the limit, ISO 22514-7 (bound from memory): half a band is 25 % of 2 bands, and 5 % of 10.
    assert resolution(0.5, 2.0).verdict == "too coarse" and resolution(0.5, 2.0).share == 0.25
    assert resolution(0.5, 10.0).verdict == "fine enough"
    assert resolution(0.5, 6.0).verdict == "coarse"
    assert "at most 5% is asked, a step of 0.1 um" in resolution(0.5, 2.0).sentence


def test_larger_of_repeatability_and_step_counts():
    coarse = budget(repeatability_um=0.1, reader_um=0.0, step_um=0.5)
    assert coarse.u_um == pytest.approx(step_uncertainty(0.5))
    fine = budget(repeatability_um=0.2, reader_um=0.0, step_um=0.5)
    assert fine.u_um == pytest.approx(0.2)


def test_parts_combine_in_squares_and_missing_ones_are_said():
    # Second route: by hand, 0.2^2 + 0.1^2 + (0.03/sqrt3)^2 + (0.06/sqrt3)^2.
    days = budget(repeatability_um=0.03, reader_um=0.0, step_um=0.0, run_um=0.04)
    assert days.u_um == pytest.approx(0.05) and [p.name for p in days.parts][3] == "day to day"  # 3, 4, 5
    full = budget(
        repeatability_um=0.2, reader_um=0.1, step_um=0.1, flat_error_um=0.03, temperature_um=0.06, limit_um=2.0
    )
    by_hand = math.sqrt(0.04 + 0.01 + 0.0009 / 3 + 0.0036 / 3)
    assert full.u_um == pytest.approx(by_hand) and full.complete
    said = {one.name: one.source for one in full.parts}
    assert "from face to face" in said["reader to reader"]  # it is more than the readers differ on the whole
    assert full.share_of_limit == pytest.approx(4 * by_hand / 2.0)
    part = budget(repeatability_um=0.2, reader_um=math.nan, step_um=0.1)
    assert not part.complete and "at least" in part.sentence and "reader to reader" in part.sentence


def test_heat_bends_a_plate():
    # Worked by hand: alpha dT L^2/(8 t) with L 50 mm, t 10 mm, 0.5 K, 11.5e-6/K = 0.18 um.
    assert bending_um(50, 10, 0.5) == pytest.approx(0.18, abs=0.005)
    assert bending_um(50, 10, -0.5) == bending_um(50, 10, 0.5)


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: step_uncertainty(-1), "step_um"),
        (lambda: resolution(0.1, 0), "limit_um"),
        (lambda: bending_um(0, 1, 1), "length_mm"),
        (lambda: bending_um(1, 1, math.nan), "difference_k"),
        (lambda: budget(repeatability_um=math.nan, reader_um=0, step_um=0), "repeatability_um"),
        (lambda: budget(repeatability_um=0.1, reader_um=-1, step_um=0), "reader_um"),
        (lambda: budget(repeatability_um=0.1, reader_um=0, step_um=0, limit_um=-2), "limit_um"),
    ],
)
def test_bad_input(call, name):
    with pytest.raises(ValueError, match=f"`{name}` must be"):
        call()
