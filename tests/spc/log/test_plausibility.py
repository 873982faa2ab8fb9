import numpy as np
import pytest

from spc.log.plausibility import FACTS, coarse_grit, hours_long, shift_long, too_flat
from spc.settings import GUARDS, Settings

# Figures of the trade: common practice, no source.


def test_every_fact_belongs_to_a_switch_and_says_that_it_has_no_source():
    assert {f.guard for f in FACTS} <= set(GUARDS)
    assert all(f.why and f.source == "common practice, no source" for f in FACTS)


def test_paper_does_not_reach_what_a_charged_lap_does():
    high = np.array([1.0, 1.0, 6.0, np.nan])
    found = too_flat(high, np.array(["paper on plate", "cast iron"], dtype=object), np.array([0, 1, 0, 0]), Settings())
    assert [mask.tolist() for mask, _ in found] == [[True, False, False, False]]
    assert "5 um" in found[0][1]


@pytest.mark.parametrize(("minutes", "long"), [(480, True), (479, False), (1441, True), (720, False)])
def test_minutes_of_a_whole_shift(minutes, long):
    assert shift_long(minutes, [], Settings()) is long
    assert not shift_long(minutes, [], Settings(guards_off=frozenset({"shift_long_minutes"})))


def test_the_site_s_own_shift_length_counts():
    assert shift_long(720, [720], Settings())
    assert not shift_long(480, [720], Settings())


def test_coarse_grit():
    mask, sentence = coarse_grit(np.array([15.0, 9.0, np.nan]), np.array([6.0, 6.0, 6.0]), Settings())
    assert mask.tolist() == [True, False, False]
    assert "scratches" in sentence


def test_hours_on_a_face_are_asked_about_and_kept():
    assert "minutes, not hours" in hours_long(121.0, Settings()) and hours_long(120.0, Settings()) == ""
    assert hours_long(float("nan"), Settings()) == ""
    assert hours_long(300.0, Settings(guards_off=frozenset({"hours_on_a_face"}))) == ""
