"""Faces against their own cycle so far: what signals teaches nothing, all else as the joint normal law has it."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from spc.chart.baseline import analyse
from spc.chart.cycle_spread import CycleSpread, foretold
from spc.chart.norm import Norm, scored
from spc.chart.own_line import GATE_SD, OwnLine
from spc.chart.pair_chart import pair_chart_of
from spc.chart.replay import Revision, replay
from tests.honesty.worn_cycles import lap, rules

ALPHA = 1e-3
NORM = Norm("lognormal", float(np.log(0.4)), float(np.log(0.25)), 0.03, {}, 0.0, CycleSpread(0.3, 0.01, 0.9, 6, 1.0))


def cycle_of(faces=30, jump=0.0, seed=1):
    """One cycle whose middle jumps by so many sd of a reading at face 10."""
    made = lap(np.random.default_rng(seed), 1, running=faces, added=0.25 * jump * (np.arange(faces) >= 10))
    return made.where(made.cycle == made.cycle[-1])


def chart_of(stream, norm=NORM, lead=0):
    own = OwnLine(stream, norm, alpha=ALPHA, lead=lead)
    found = pair_chart_of(own, len(stream) - lead, weight=0.2, average_limit_z=1.0, starts=[0])
    return own.scores(), found


def usual(stream, norm=NORM):
    return scored(stream, replace(norm, cycles=None, phi=0.0))


def test_while_nothing_signals_every_face_teaches():
    stream = next(
        s for s in map(lambda k: cycle_of(seed=k), range(50)) if np.abs(chart_of(s)[0].z).max() < min(2.0, GATE_SD)
    )
    z = usual(stream).z
    centre, sd = foretold(z, stream.age_faces, stream.cycle, NORM.cycles)
    scores, found = chart_of(stream)
    assert not found.drifting.any() and not found.beyond.any()
    assert scores.centre == pytest.approx(centre, abs=1e-12) and scores.sd == pytest.approx(sd, rel=1e-12)
    assert scores.z == pytest.approx((z - centre) / sd, abs=1e-12) and (scores.step_z == scores.z).all()
    tail = ndtr((ndtri(usual(stream).tail_p) + centre) / sd)
    assert scores.tail_p == pytest.approx(tail, rel=1e-9)


def test_a_lasting_jump_goes_on_signalling_and_is_not_taken_for_the_way_the_lap_wears():
    told = []
    for seed in range(20):
        scores, found = chart_of(cycle_of(60, jump=3.0, seed=seed))
        told.append(bool((found.beyond | found.drifting)[-8:].any()))
        if told[-1]:
            assert scores.centre[-1] < 1.5  # of 3
    z = usual(cycle_of(60, jump=3.0)).z
    assert foretold(z, np.arange(60.0), np.ones(60, np.int64), NORM.cycles)[0][-1] > 2  # where all faces teach
    assert np.mean(told) >= 0.8


def faded(sign, seed):
    """A cycle that runs as usual for 60 faces and then moves by a twentieth of an sd a face, for 140 faces more."""
    made = lap(np.random.default_rng(seed), 1, running=200, added=0.25 * 0.05 * np.maximum(0.0, np.arange(200.0) - 60))
    return replace(made.where(made.cycle == made.cycle[-1]), sign=sign)


def test_a_slow_change_is_excused_as_far_as_cycles_differ_and_flatness_wears_on():
    norm = replace(NORM, phi=0.85, cycles=CycleSpread(1.0, 0.005, 0.97, 2, 0.001))
    differ_sd = np.hypot(1.0, 0.005 * np.arange(200.0))
    called = {"minutes": 0, "flatness": 0}  # of the last five faces of ten cycles
    for seed in range(10):
        for sign in called:
            scores, found = chart_of(faded(sign, seed), norm)
            called[sign] += int(found.beyond[-5:].sum())
            if sign == "minutes":
                assert (scores.centre <= -float(ndtri(ALPHA)) * differ_sd).all()
                by_the_usual = scores.sd == differ_sd
                assert (scores.centre[by_the_usual] == 0).all()
                assert (found.beyond == (scores.tail_p <= ALPHA)).all()
    assert called["minutes"] >= 45 and called["flatness"] <= 10


def test_a_fade_that_outlives_two_short_cycles_is_called_before_little_is_left():
    """2 % a face from face 10 on, noise 25 %; past cycles of 15 and 40 faces: called with a tenth left or more."""
    left, ages = [], np.arange(200.0)
    added = 0.02 * np.maximum(0.0, ages - 10)
    for seed in range(20):
        whole = replace(lap(np.random.default_rng(seed), 2, growth=0.0, running=200, added=added), sign="minutes")
        found = analyse(whole.where(whole.cycle < 2), rules(1800.0)).model
        seen = replay(whole, (Revision(1, int(whole.sort_us[whole.cycle == 2][0]), found),))
        called = np.flatnonzero((seen.beyond | seen.drifting)[-200:])
        left.append(float(np.exp(-added[called[called >= 10][:1]]).max(initial=0.0)))
    assert np.mean(np.array(left) >= 0.1) >= 0.9 - 4 * (0.9 * 0.1 / 20) ** 0.5
    assert found.norm.cycles.oldest_faces == 39


def test_a_face_far_off_teaches_nothing():
    stream = cycle_of(12)
    high = replace(stream, low=np.where(np.arange(12) == 5, 5.0, stream.low))
    high = replace(high, high=high.low)
    other = replace(high, low=np.where(np.arange(12) == 5, 9.0, high.low))
    other = replace(other, high=other.low)
    a, b = chart_of(high)[0], chart_of(other)[0]
    assert (a.centre[6:] == b.centre[6:]).all() and a.tail_p[5] <= ALPHA


def test_faces_that_lead_up_teach_and_are_not_judged():
    stream = cycle_of(20)
    scores, found = chart_of(stream, lead=8)
    whole, _ = chart_of(stream)
    assert scores.z.size == found.average.size == 12
    assert scores.centre == pytest.approx(whole.centre[8:], abs=1e-12)


def test_nothing_looks_ahead():
    stream = cycle_of(40, jump=2.5, seed=3)
    scores, found = chart_of(stream)
    for n in (5, 15, 25):
        part = np.arange(40) < n
        before, said = chart_of(stream.where(part))
        assert (before.z == scores.z[:n]).all() and (said.average == found.average[:n]).all()


def test_what_a_face_takes_from_the_one_before_is_left_out_of_the_average():
    stream = cycle_of(20)
    scores, _ = chart_of(stream, replace(NORM, phi=0.4))
    expected = (scores.z[1:] - 0.4 * scores.z[:-1]) / 0.84**0.5
    assert scores.step_z[0] == scores.z[0] and scores.step_z[1:] == pytest.approx(expected, abs=1e-12)


def test_it_asks_for_a_norm_that_tells_cycles_apart():
    with pytest.raises(ValueError, match="tell cycles apart"):
        OwnLine(cycle_of(), replace(NORM, cycles=None), alpha=ALPHA, lead=0)
