import numpy as np
import pandas as pd
import pytest

from spc.chart.stream import stream_of
from spc.wear.cycle import number_cycles
from tests.spc.board.invented_cell import events_of, faces_of


@pytest.fixture
def numbered():
    return number_cycles(faces_of("K1", 60, np.random.default_rng(50)), events_of("K1", 60))


def test_takes_one_sign_of_one_lap(numbered):
    stream = stream_of(numbered, lap="K1", sign="flatness")
    assert len(stream) == 60
    assert stream.age_faces[:3].tolist() == [0, 1, 2]
    assert np.flatnonzero(stream.fresh).tolist() == [0, 40]
    assert len(stream_of(numbered, lap="K1", sign="minutes", part="ring seal")) == 30
    assert len(stream_of(numbered, lap="other", sign="minutes")) == 0


def test_removal_rate_is_an_interval_from_both_thicknesses(numbered):
    stream = stream_of(numbered, lap="K1", sign="removal rate")
    minutes = numbered["minutes"].to_numpy()
    removed = numbered["thickness_before_low_um"].to_numpy() + 0.05 - 5000.0
    assert stream.low == pytest.approx((removed - 0.1) / minutes)
    assert stream.high == pytest.approx((removed + 0.1) / minutes)


def test_further_passes_and_missing_readings_are_told_not_charted(numbered):
    numbered.loc[3, "first_pass"] = False
    numbered.loc[5, ["flatness_low_um", "flatness_high_um"]] = np.nan
    stream = stream_of(numbered, lap="K1", sign="flatness")
    assert len(stream) == 58
    assert stream.left_out == (
        "1 further passes on a face already lapped are not charted",
        "1 faces carry no flatness at first pass",
    )


def test_a_start_falls_to_the_next_reading_kept(numbered):
    stream = stream_of(numbered, lap="K1", sign="flatness")
    keep = np.ones(60, dtype=bool)
    keep[[0, 40]] = False
    assert np.flatnonzero(stream.where(keep).fresh).tolist() == [0, 39]  # faces 2 and 42
    assert not stream.where(np.zeros(60, dtype=bool)).fresh.any()


def test_refuses_an_unknown_sign(numbered):
    with pytest.raises(ValueError, match="`sign` must be one of flatness, minutes, removal rate, finish, got 'colour'"):
        stream_of(numbered, lap="K1", sign="colour")


def test_a_change_of_grit_is_another_stream():
    faces = faces_of("K1", 30, np.random.default_rng(1), per_cycle=15)
    grit = np.where((np.arange(30) % 15) < 5, "15 um", "9 um")
    grit[28:] = "3 um"
    events = events_of("K1", 30, per_cycle=15)
    stream = stream_of(number_cycles(faces.assign(grit=grit), events), lap="K1", sign="flatness")
    assert np.flatnonzero(stream.of_this_grit()).tolist() == [28, 29] == np.flatnonzero(stream.running()).tolist()
    earlier = stream.where(stream.face_id <= 28)
    assert np.flatnonzero(earlier.of_this_grit()).tolist() == [*range(5, 15), *range(20, 28)]
    assert np.flatnonzero(earlier.running()).tolist() == [*range(20, 28)]


def test_a_change_of_grit_that_only_an_event_tells():
    faces = faces_of("K1", 20, np.random.default_rng(1), per_cycle=40).assign(grit="")
    events = events_of("K1", 20, per_cycle=40)
    changed = events.iloc[:1].assign(event="grit changed", sort_us=faces["sort_us"].iloc[12] - 1, event_id=9)
    stream = stream_of(number_cycles(faces, pd.concat([events, changed])), lap="K1", sign="flatness")
    assert np.flatnonzero(stream.running()).tolist() == [*range(12, 20)]
