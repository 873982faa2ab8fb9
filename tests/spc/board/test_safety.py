from dataclasses import replace

import pytest

from spc.board.safety import (
    CAUTIONS,
    DEFERENCE,
    by_hand,
    cautions_for,
    lap_cautions,
    shift_cautions,
    short_caution,
    urges_speed,
)
from tests.dashboard.fixtures import lap, shift


def test_cautions_come_once_and_end_with_who_decides():
    lines = cautions_for(["wash", "recharge", "wash"])
    assert len(lines) == len(set(lines)) == len(CAUTIONS["wash"]) + len(CAUTIONS["recharge"]) + 1
    assert lines[-1] == DEFERENCE
    assert cautions_for([]) == ()


@pytest.mark.parametrize("action", CAUTIONS)
def test_every_caution_is_a_short_sentence_that_hurries_nobody(action):
    for line in CAUTIONS[action]:
        assert line.endswith(".")
        assert len(line) <= 120
        assert not urges_speed(line)


@pytest.mark.parametrize("word", ["Hurry up.", "Do it faster", "Quickly, please"])
def test_hurry_is_recognised(word):
    assert urges_speed(word)


def test_unknown_action_is_refused():
    with pytest.raises(ValueError, match="`actions` must be among ring machine, wash.*; got juggle"):
        cautions_for(["juggle"])


def test_what_turns_is_stopped_and_isolated_before_gloves_come_near():
    lines = lap_cautions("due", "")
    assert lines[0].startswith("Stop and isolate the drive")
    gloves = [line for line in lines if "gloves" in line and "no gloves" not in line]
    assert gloves and all("nothing turning" in line for line in gloves)


@pytest.mark.parametrize(
    ("kind", "turns"),
    [
        ("", True), ("Läppmaschine", True), ("plateau", True), ("ring machine plate", True), ("hand-fed machine", True),
        ("hand lap", False), ("Handläppplatte", False),
    ],
)  # fmt: skip
def test_a_plate_is_taken_to_turn_unless_it_is_known_to_be_worked_by_hand(kind, turns):
    assert by_hand(kind) != turns
    for state in ("due", "held", "watch"):
        assert set(CAUTIONS["ring machine"]) <= set(lap_cautions(state, kind)) if turns else True
        assert turns or not set(CAUTIONS["ring machine"]) & set(lap_cautions(state, kind))


def test_reconditioning_comes_with_the_cautions_for_washing():
    assert set(CAUTIONS["wash"]) <= set(lap_cautions("due", "hand lap"))


def test_a_lap_that_cuts_has_cautions_only_for_what_is_asked_of_it():
    assert lap_cautions("cutting", "") == ()
    asked = lap_cautions("cutting", "hand lap", cautions_for(["recharge"]))
    assert asked == (*CAUTIONS["recharge"], DEFERENCE)


def test_a_board_says_each_caution_once_and_a_line_says_them_shortly():
    board = replace(shift(), laps=(lap(safety=lap_cautions("due", "hand lap")), lap(safety=lap_cautions("held", ""))))
    lines = shift_cautions(board)
    assert len(lines) == len(set(lines)) and lines[0] in CAUTIONS["ring machine"] and lines[-1] == DEFERENCE
    assert set(CAUTIONS["recharge"]) <= set(lines)  # of the room
    line = short_caution(lines)
    assert line.startswith("Take care: stop and isolate what turns first; ") and line.endswith("decide.")
    assert not urges_speed(line) and short_caution(()) == ""
    assert shift_cautions(replace(board, laps=(), room=None)) == ()
