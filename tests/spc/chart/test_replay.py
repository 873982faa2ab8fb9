import dataclasses

import numpy as np
import pytest

from spc.chart.baseline import RulesInUse, analyse
from spc.chart.norm import scored
from spc.chart.replay import BEYOND, DRIFTING, Revision, digest_of, replay, signals_of
from spc.chart.stream import stream_of
from spc.wear.cycle import number_cycles
from tests.spc.board.invented_cell import DAY_US, START_US, events_of, faces_of

RULES = RulesInUse(0.0005, 0.2, 1.1, 1000.0, 13.0, 4.0)


def stream(n=200, sign="minutes", seed=70, **options):
    faces = faces_of("K1", n, np.random.default_rng(seed), **options)
    return stream_of(number_cycles(faces, events_of("K1", n)), lap="K1", sign=sign)


def first(s, n=72, number=1):
    model = analyse(s.where(np.arange(len(s)) < n), RULES).model
    return Revision(number, int(s.sort_us[n - 1]) + 1, model)


def usual(revision):
    """The same, but that cycles differ is not allowed for, as in limits frozen long ago."""
    norm = dataclasses.replace(revision.model.norm, cycles=None)
    return dataclasses.replace(revision, model=dataclasses.replace(revision.model, norm=norm))


def test_readings_before_the_first_revision_are_not_judged():
    s = stream()
    judged = replay(s, (usual(first(s)),))
    assert (judged.revision[:72] == 0).all()
    assert (judged.revision[72:] == 1).all()
    assert np.isnan(judged.z[:72]).all()
    assert judged.z[72:] == pytest.approx(scored(s, usual(first(s)).model.norm).z[72:], abs=1e-12)
    assert (replay(s, (first(s),)).revision == judged.revision).all()


def test_a_jump_is_called_and_dated():
    s = stream(jump_at=150, jump=1.5)
    found = signals_of(replay(s, (first(s),)))
    assert {f.rule for f in found} == {BEYOND, DRIFTING}
    assert 150 <= found[0].position <= 153
    drift = next(f for f in found if f.rule == DRIFTING)
    assert drift.since <= drift.position
    assert drift.p_value < 0.001


def test_later_faces_change_nothing_of_the_past():
    s = stream(jump_at=120, jump=1.3)
    r = (first(s),)
    whole = signals_of(replay(s, r), until_us=START_US + 12 * DAY_US)
    part = signals_of(replay(s.where(s.sort_us < START_US + 12 * DAY_US), r))
    assert len(part) > 0
    assert digest_of(whole) == digest_of(part)


def test_a_later_revision_leaves_earlier_days_as_they_were():
    s = stream(jump_at=100, jump=1.3)
    old = first(s)
    model = analyse(s.where((np.arange(200) >= 100) & (np.arange(200) < 150)), RULES).model
    new = Revision(2, int(s.sort_us[149]) + 1, model)
    until = new.valid_from_us
    assert digest_of(signals_of(replay(s, (old,)), until_us=until)) == digest_of(
        signals_of(replay(s, (old, new)), until_us=until)
    )
    judged = replay(s, (new, old))  # in any order
    assert judged.revision[149] == 1
    assert judged.revision[150] == 2
    assert not (judged.beyond | judged.drifting)[150:].any()


def test_of_two_revisions_of_one_moment_the_later_judges():
    s = stream()
    one = first(s)
    two = dataclasses.replace(one, number=2)
    assert (replay(s, (two, one)).revision[72:] == 2).all()


def test_the_limit_follows_part_and_age():
    s = stream("flatness" and 200, sign="flatness", growth=0.03)
    judged = replay(s, (usual(first(s)),))
    rising = judged.limit[80:120]  # one cycle, one part in two
    assert (np.diff(rising[::2]) > 0).all()


def test_nothing_to_replay():
    s = stream()
    assert signals_of(replay(s, ())) == ()
    empty = s.where(np.zeros(200, dtype=bool))
    assert signals_of(replay(empty, (first(s),))) == ()


def test_refuses_strangers_and_disorder():
    s = stream()
    with pytest.raises(ValueError, match="`revisions` must be of K1 flatness"):
        replay(stream(sign="flatness"), (first(s),))
    with pytest.raises(ValueError, match="in order of time"):
        replay(s.where(np.arange(200)[::-1] < 500).__class__(**{
            f.name: getattr(s, f.name)[::-1] if isinstance(getattr(s, f.name), np.ndarray) else getattr(s, f.name)
            for f in dataclasses.fields(s)
        }), ())  # fmt: skip
