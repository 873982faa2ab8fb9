"""The cycle picture as data: which readings stand where, and how far the fan goes."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from spc.board.cycle_picture import PAST_SHOWN, draw_cycle
from spc.board.lap_memo import LapMemo
from spc.board.results import CycleFan
from spc.board.room_history import NO_ROOM

FACES, CYCLES = 5, 9


def forecast(fan=None, *, limit_um=2.0, band=None, sentence="3 to 9 faces left"):
    left = SimpleNamespace(sentence=sentence, status="range")
    return SimpleNamespace(limit_um=limit_um, limit_text="2 um", fan=fan, band=band, faces_left=left)


def view_of(**changed):
    """A lap of nine cycles of five faces, the last one running; the second reading of each cycle is missing."""
    n = CYCLES * FACES
    low = 0.2 + 0.1 * (np.arange(n) % FACES)
    low[1::FACES] = np.nan
    rows = pd.DataFrame(
        {
            "face_id": 1 + np.arange(n), "kind": "face", "cycle": 1 + np.arange(n) // FACES, "attempt": 1,
            "age_faces": 1.0 + np.arange(n) % FACES, "sort_us": np.arange(n), "flatness_low_um": low,
            "flatness_high_um": low + 0.1, "flatness_text": [f"{v:.1f}" for v in low], "time_text": "4 March",
            "operator": "Ann", "part": "P1", "serial": "",
        }
    ).assign(**changed)  # fmt: skip
    cycles = pd.DataFrame({"cycle": 1 + np.arange(CYCLES), "start_known": True, "end_text": "2026-03-04 09:00"})
    return SimpleNamespace(
        memo=LapMemo(),
        faces_of=lambda lap: rows,
        events_of=lambda lap: (),
        cycles_of=lambda lap: cycles.assign(start_known=cycles["cycle"] != 4),
    )


def test_the_newest_past_cycles_whose_beginning_is_known_stand_behind_the_running_one():
    found = draw_cycle(view_of(), "L1", forecast(), (), room=NO_ROOM)
    assert [path.label for path in found.past] == [f"cycle {k}, to 2026-03-04" for k in (2, 3, 5, 6, 7, 8)]
    assert len(found.past) == PAST_SHOWN
    assert found.now.face_id.tolist() == [41, 43, 44, 45]  # the face that was not read is no point
    assert found.now.low_um == pytest.approx([0.2, 0.4, 0.5, 0.6]) and found.now.age_faces.tolist() == [1, 3, 4, 5]
    assert found.now.hover[0] == "4 March - Ann - P1"
    assert found.sentence == (
        "L1 has 4 flatness readings in this cycle, the last as typed 0.6, the highest up to 0.70 um; 6 past cycles "
        "drawn faint behind; limit 2 um; 3 to 9 faces left."
    )


def test_a_second_pass_stands_in_the_running_cycle_alone_and_what_the_room_moved_is_hollow():
    again = np.where(np.arange(CYCLES * FACES) % FACES == 3, 2, 1)
    room = NO_ROOM._replace(aside=((43, 45),))
    found = draw_cycle(view_of(attempt=again), "L1", forecast(), (), room=room)
    assert found.past[-1].face_id.tolist() == [36, 38, 40] and found.now.face_id.tolist() == [41, 43, 44, 45]
    assert found.now.aside.tolist() == [False, False, True, True]
    assert "; 2 of them drawn hollow, read while the whole room had moved;" in found.sentence


def test_the_fan_ends_where_all_of_it_is_over_the_limit_and_nothing_lies_below_flat():
    age = np.arange(6.0, 12)
    fan = CycleFan(age, 0.5 * age - 3.6, 0.5 * age - 2.0, 0.5 * age - 1.0)
    found = draw_cycle(view_of(), "L1", forecast(fan, limit_um=1.3, band=fan), (), room=NO_ROOM)
    assert found.fan.age_faces.tolist() == [6, 7, 8, 9, 10]  # its low edge passes 1.3 um between 9 and 10 faces
    assert found.fan.low_um == pytest.approx([0.0, 0.0, 0.4, 0.9, 1.4])
    assert found.band_age_faces.tolist() == age.tolist() and found.band_low_um.min() == 0
    unlimited = draw_cycle(view_of(), "L1", forecast(fan, limit_um=np.nan), (), room=NO_ROOM)
    assert unlimited.fan is fan


def test_without_a_reading_there_is_no_picture():
    assert draw_cycle(view_of(flatness_low_um=np.nan), "L1", forecast(), (), room=NO_ROOM) is None
    assert draw_cycle(view_of(kind="repeat"), "L1", forecast(), (), room=NO_ROOM) is None
