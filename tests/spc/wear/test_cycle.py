import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spc.wear.cycle import AGE_COLUMNS, number_cycles, removed_um
from spc.wear.cycle_table import list_cycles
from spc.wear.event_order import EVENT_EFFECTS
from spc.wear.log_remarks import log_remarks
from tests.spc.wear.made_up_log import events_frame, faces_frame, hours


def clocks(faces, events, *names):
    numbered = number_cycles(faces, events)
    return [numbered[name].tolist() for name in names]


def test_reconditioning_resets_both_clocks_and_recharge_only_the_cutting_one():
    faces = faces_frame([{"sort_us": hours(i), "minutes": 2.0} for i in range(6)])
    events = events_frame(
        [{"event": "recharged", "sort_us": hours(1.5)}, {"event": "reconditioned", "sort_us": hours(3.5)}]
    )
    cycle, age, charge, minutes, known = clocks(
        faces, events, "cycle", "age_faces", "faces_since_charge", "age_minutes", "start_known"
    )
    assert cycle == [1, 1, 1, 1, 2, 2]
    assert age == [0, 1, 2, 3, 0, 1]
    assert charge == [0, 1, 0, 1, 0, 1]
    assert minutes == [0, 2, 4, 6, 0, 2]
    assert known == [False] * 4 + [True] * 2


def test_events_out_of_order_give_the_same_clocks():
    faces = faces_frame([{"sort_us": hours(i)} for i in range(8)])
    rows = [
        {"event": e, "sort_us": hours(h)} for e, h in [("re-faced", 5.5), ("recharged", 1.5), ("reconditioned", 3.5)]
    ]
    pd.testing.assert_frame_equal(
        number_cycles(faces, events_frame(rows)), number_cycles(faces, events_frame(rows[::-1]))
    )
    life, cycle = clocks(faces, events_frame(rows), "life", "cycle")
    assert life == [1] * 6 + [2] * 2
    assert cycle == [1] * 4 + [2] * 2 + [3] * 2


def test_event_before_the_first_face_starts_its_cycle():
    faces = faces_frame([{"sort_us": hours(i)} for i in range(2)])
    numbered = number_cycles(faces, events_frame([{"event": "reconditioned", "sort_us": hours(-1)}]))
    assert numbered["cycle"].tolist() == [1, 1]
    assert numbered["start_known"].all()


def test_no_events_at_all():
    numbered = number_cycles(faces_frame([{"sort_us": hours(i)} for i in range(3)]), events_frame([]))
    assert numbered["age_faces"].tolist() == [0, 1, 2]
    assert not numbered["start_known"].any()


def test_event_with_no_time_is_placed_by_row_only_in_a_shared_file():
    faces = faces_frame([{"sort_us": hours(0), "row_number": r} for r in (1, 2, 4)])
    timeless = {"event": "reconditioned", "sort_us": hours(0), "time_text": "", "time_utc": pd.NaT, "row_number": 3}
    same, other = (clocks(faces, events_frame([timeless | {"intake_id": i}]), "cycle")[0] for i in (1, 2))
    assert same == [1, 1, 2]
    assert other == [1, 1, 1]


def test_equal_times_in_another_file_put_the_event_first_unless_it_closes():
    faces = faces_frame([{"sort_us": hours(i)} for i in range(3)])
    assert clocks(faces, events_frame([{"event": "reconditioned", "sort_us": hours(1)}]), "cycle")[0] == [1, 2, 2]
    assert clocks(faces, events_frame([{"event": "retired", "sort_us": hours(1)}]), "life")[0] == [1, 1, 2]


def test_grit_change_starts_a_stream_once_whether_logged_or_only_seen():
    grits = ["15 um", "15 um", "", "9 um", "9 um"]
    faces = faces_frame([{"sort_us": hours(i), "grit": g} for i, g in enumerate(grits)])
    seen = clocks(faces, events_frame([]), "stream")[0]
    logged = clocks(faces, events_frame([{"event": "grit changed", "sort_us": hours(1.5)}]), "stream")[0]
    assert seen == [1, 1, 1, 2, 2]
    assert logged == [1, 1, 2, 2, 2]


def test_segments_break_at_part_change_charge_and_long_stop():
    rows = [{"sort_us": hours(h), "part": p} for h, p in [(0, "P1"), (1, "P1"), (2, "P2"), (3, "P2"), (10, "P2")]]
    assert clocks(faces_frame(rows), events_frame([]), "segment")[0] == [1, 1, 2, 2, 3]
    cleaned = events_frame([{"event": "cleaned", "sort_us": hours(0.5)}])
    assert clocks(faces_frame(rows), cleaned, "segment")[0] == [1, 1, 2, 2, 3]
    charged = events_frame([{"event": "recharged", "sort_us": hours(0.5)}])
    assert clocks(faces_frame(rows), charged, "segment")[0] == [1, 2, 3, 3, 4]


def test_every_attempt_wears_and_repeats_never_count():
    faces = faces_frame(
        [
            {"serial": "1", "face": "A"},
            {"serial": "1", "face": "A", "attempt": 2},
            {"serial": "2", "face": "A"},
            {"serial": "1", "face": "A", "kind": "repeat"},
            {"serial": "3", "face": "A"},
        ]
    )
    numbered = number_cycles(faces, events_frame([]))
    assert numbered["age_faces"].tolist() == [0, 1, 2, 1, 3]
    assert numbered["first_pass"].tolist() == [True, False, True, False, True]


def test_a_repeat_that_names_no_face_repeats_the_one_before():
    faces = faces_frame([{}, {}, {"kind": "repeat"}, {}])
    assert number_cycles(faces, events_frame([]))["age_faces"].tolist() == [0, 1, 1, 2]


def test_missing_minutes_are_told_and_never_zero():
    minutes = [4.0, np.nan, 0.0, 2.0, 3.0]
    numbered = number_cycles(faces_frame([{"minutes": m} for m in minutes]), events_frame([]))
    assert numbered["age_minutes"].tolist() == [0, 4, 8, 12, 12]
    assert numbered["age_minutes_missing"].tolist() == pytest.approx([0, 0, 1 / 2, 2 / 3, 1 / 2])
    unknown = number_cycles(faces_frame([{}, {}]), events_frame([]))
    assert unknown["age_minutes"].isna().tolist() == [False, True]


def test_stock_removed_is_summed():
    faces = faces_frame([{"thickness_before_um": 1000.0 - i, "thickness_um": 990.0 - i} for i in range(3)])
    assert number_cycles(faces, events_frame([]))["age_removed_um"].tolist() == [0, 10, 20]


def test_laps_do_not_mix_and_row_order_is_kept():
    faces = faces_frame([{"lap": lap, "sort_us": hours(i)} for i, lap in enumerate("ABABAB")])
    numbered = number_cycles(faces, events_frame([{"lap": "B", "event": "reconditioned", "sort_us": hours(2.5)}]))
    assert numbered["face_id"].tolist() == faces["face_id"].tolist()
    assert numbered["cycle"].tolist() == [1, 1, 1, 2, 1, 2]
    assert numbered["age_faces"].tolist() == [0, 0, 1, 0, 2, 1]


def test_no_clock_looks_ahead():
    rng = np.random.default_rng(5)
    faces = faces_frame([{"sort_us": hours(i), "minutes": m} for i, m in enumerate(rng.choice([2.0, 3.0, np.nan], 60))])
    events = events_frame([{"event": "reconditioned", "sort_us": hours(h)} for h in (20.5, 40.5)])
    whole = number_cycles(faces, events)
    part = number_cycles(faces.iloc[:30], events[events["sort_us"] < hours(29.5)])
    pd.testing.assert_frame_equal(whole.iloc[:30], part)


def test_agrees_with_counting_face_by_face():  # second way: a plain loop over a random log
    rng = np.random.default_rng(11)
    kinds = ["recharged", "reconditioned", "re-faced", "cleaned", "dressed"]
    faces = faces_frame([{"lap": rng.choice(["A", "B"]), "sort_us": hours(2 * i)} for i in range(150)])
    events = events_frame(
        [
            {"lap": rng.choice(["A", "B"]), "event": rng.choice(kinds), "sort_us": hours(2 * rng.integers(150) + 1)}
            for _ in range(40)
        ]
    )
    numbered = number_cycles(faces, events)
    for lap, own in numbered.groupby("lap"):
        log = [(us, "") for us in own["sort_us"]] + list(
            events.loc[events["lap"] == lap, ["sort_us", "event"]].itertuples(index=False, name=None)
        )
        age = charge = 0
        expected = []
        for _, event in sorted(log):
            if event in ("reconditioned", "re-faced"):
                age = charge = 0
            elif event in ("recharged", "dressed"):
                charge = 0
            elif event == "":
                expected.append((age, charge))
                age, charge = age + 1, charge + 1
        assert list(zip(own["age_faces"], own["faces_since_charge"], strict=True)) == expected


@settings(max_examples=30, deadline=None)
@given(st.data())
def test_clocks_hold_together_whatever_the_log(data):
    n = data.draw(st.integers(1, 25))
    hour = st.integers(-2, 12)
    rows = [
        {
            "lap": data.draw(st.sampled_from("AB")), "kind": data.draw(st.sampled_from(["face", "face", "repeat"])),
            "sort_us": hours(data.draw(hour)), "attempt": data.draw(st.integers(1, 3)), "intake_id": 1 + i % 2,
            "serial": data.draw(st.sampled_from(["", "1", "2"])),
            "minutes": data.draw(st.sampled_from([np.nan, 0.0, 3.0])),
        }
        for i in range(n)
    ]  # fmt: skip
    kinds = st.sampled_from(sorted(EVENT_EFFECTS))
    events = events_frame(
        [
            {"lap": data.draw(st.sampled_from("ABC")), "event": data.draw(kinds), "sort_us": hours(data.draw(hour)),
             "intake_id": 1 + i % 3, "reason": data.draw(st.sampled_from(["", "worn", "planned"]))}
            for i in range(data.draw(st.integers(0, 8)))
        ]
    )  # fmt: skip
    numbered = number_cycles(faces_frame(rows), events)
    assert len(numbered) == n
    for _, own in numbered[numbered["kind"] == "face"].groupby("lap"):
        for name in ("life", "cycle", "stream", "segment"):
            assert own[name].iloc[0] >= 1
            assert own[name].diff().dropna().isin([0, 1, 2, 3, 4, 5, 6, 7, 8]).all()
        assert (own["age_faces"] == own.groupby("cycle").cumcount()).all()
        assert (own["faces_since_charge"] <= own["age_faces"]).all()
        assert own["age_minutes_missing"].between(0, 1).all()
    cycles = list_cycles(numbered, events)
    counted = numbered[numbered["kind"] == "face"].groupby(["lap", "cycle", "life"]).size().to_dict()
    listed = cycles[cycles["faces"] > 0].set_index(["lap", "cycle", "life"])["faces"].to_dict()
    assert listed == counted
    assert (cycles["low_faces"] <= cycles["high_faces"]).all()
    assert all(remark.endswith(".") for remark in log_remarks(numbered, events))


def test_empty_frame_keeps_its_columns():
    empty = faces_frame([{}]).iloc[:0]
    assert set(AGE_COLUMNS) <= set(number_cycles(empty, events_frame([])).columns)


def test_refuses_what_it_does_not_know():
    faces = faces_frame([{}])
    with pytest.raises(ValueError, match=r"`faces` must have .* missing: part"):
        number_cycles(faces.drop(columns="part"), events_frame([]))
    with pytest.raises(ValueError, match=r"`events` must hold only events of .* got polished"):
        number_cycles(faces, events_frame([{"event": "polished", "sort_us": hours(0)}]))


def test_thickness_that_is_open_above_removes_an_unknown_amount():
    rows = [{"sort_us": hours(i), "minutes": 2.0} for i in range(3)]
    faces = faces_frame(rows).assign(
        thickness_before_low_um=[2.0, 12.0, 12.0], thickness_before_high_um=[np.inf, 12.0, 12.0],
        thickness_low_um=[2.0, 2.0, 2.0], thickness_high_um=[np.inf, 2.0, np.inf],
    )  # fmt: skip
    assert removed_um(faces)[1] == 10.0
    assert np.isnan(removed_um(faces)[[0, 2]]).all()


def test_a_thickness_of_nought_was_not_measured():
    """Nobody laps a whole part away; a deviation from nominal, read on either side of 0, is none."""
    names = ("thickness_before_low_um", "thickness_before_high_um", "thickness_low_um", "thickness_high_um")
    ends = (
        (10004.5, 10005.5, 9999.5, 10000.5),
        (10004.5, 10005.5, 0, 0.5),
        (0, 0.5, 9999.5, 10000.5),
        (4.5, 5.5, -0.5, 0.5),
    )
    faces = faces_frame([dict(zip(names, each, strict=True)) for each in ends])
    assert np.array_equal(removed_um(faces), [5, np.nan, np.nan, 5], equal_nan=True)
