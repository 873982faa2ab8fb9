import math
from dataclasses import replace

import pytest

from spc.board.lap_state import decide_state, plural
from spc.board.results import RECONDITIONING, FacesLeft, PartLeft, Signal
from spc.wear.lead_sign import LeadMove

RANGE = FacesLeft("range", 20.0, 40.0, 70.0, 200.0, "faces", 0.9, "path", "20 to 70 faces left", 30, 9)
REFUSED = replace(RANGE, status="refused", low=None, median=None, high=None, sentence="cannot say: no past cycle")
LOOK = Signal("L-1", "minutes", "drifting", "Minutes on L-1 drift up.", "look", 1e-4, 7, 3, 4, "", math.nan, 9.0)
STOP = replace(LOOK, sign="scratch", sentence="A scratch on L-1.", severity="stop")


NEXT = replace(RANGE, low=5.0, median=14.0, high=33.0, crossing="next face", sentence="5 to 33 faces left")


MOVED = "6 of 6 laps moved together, to the worse: look at the room before any lap."


def state(signals=(), left=RANGE, soon=NEXT, pace=4.0, resting="", room="", fresh=False, unusual="", **more):
    return decide_state(
        "L-1", signals=signals, faces_left=left, next_face=soon, faces_per_shift=pace, out_of_use=resting,
        limit_text="2 bands", room=room, fresh=fresh, unusual=unusual, **more,
    )  # fmt: skip


def test_a_healthy_lap_cuts_and_says_how_long():
    found = state()
    assert found.state == "cutting"
    assert "20 to 70 faces left under 2 bands" in found.sentence


def test_a_stop_signal_holds_whatever_the_forecast():
    found = state((LOOK, STOP))
    assert found.state == "held"
    assert found.sentence.startswith("Stop.")
    assert found.reasons[0] == STOP.sentence


def test_a_lap_that_may_run_out_within_a_shift_is_due():
    assert state(left=replace(RANGE, low=4.0, sentence="4 to 30 faces left")).state == "due"
    assert state(left=replace(RANGE, low=4.1, sentence="4 to 30 faces left")).state == "watch"
    assert state(left=replace(RANGE, status="over", low=0.0)).state == "due"


def test_a_lap_whose_faces_soon_go_over_one_in_ten_is_due():
    assert state(soon=replace(NEXT, median=4.1)).state == "cutting"
    found = state(soon=replace(NEXT, low=0.0, median=2.0))
    assert found.state == "due"
    assert "one face in ten is soon over the limit; 20 to 70 faces left under 2 bands" in found.sentence


def test_a_look_signal_asks_for_a_look_and_no_more():
    found = state((LOOK,))
    assert found.state == "watch"
    assert LOOK.sentence in found.sentence


def test_too_little_to_say_is_watched_and_says_why():
    found = state(left=REFUSED)
    assert found.state == "watch"
    assert "no past cycle" in found.sentence


def test_a_lap_out_of_use_rests_even_with_signals():
    found = state((STOP,), resting="resting since 4 March")
    assert (found.state, found.step, found.reasons) == ("resting", "", (STOP.sentence,))
    assert found.sentence == f"L-1 has been resting since 4 March. {STOP.sentence} See that nothing is passed on."
    ended = replace(RANGE, status="ended", sentence="none until reconditioned")
    worn = state((STOP,), left=ended, resting="resting since 4 March")
    assert worn.reasons == ("Faces left: none until reconditioned.",)
    assert (worn.step, worn.sentence) == ("", "L-1 has been resting since 4 March.")


ASKED = replace(LOOK, sign=RECONDITIONING, sentence="L-1 may have been reconditioned. Was it? Say yes or no.")
DUE = replace(RANGE, low=2.0, sentence="2 to 9 faces left")
PLANNED = replace(RANGE, low=12.0)
APART = "is one of 5 laps that read high this shift in the faces of one operator alone"
PART_APART = APART.replace("operator", "part number")
WORN = LeadMove("minutes per face are 25% more than on a fresh lap", True)


@pytest.mark.parametrize(
    ("asked", "step", "named"),
    [
        ({"signals": (LOOK, STOP)}, "Stop", "Stop. "),
        ({"left": DUE}, "Recondition", "Recondition L-1 at the next break"),
        ({"left": replace(RANGE, status="over", low=0.0)}, "Recondition", "Recondition L-1 before the next face"),
        ({"left": DUE, "room": MOVED}, "Look at the room", "Look at the room before L-1 is worked on, then"),
        ({"left": DUE, "one_reader": True}, "Second reader", "Let a second reader read one of the last faces"),
        ({"left": DUE, "one_part": True}, "Another part", "Read a face of another part number on L-1 first; if that"),
        ({"signals": (LOOK,)}, "Look", "Look at L-1 before the next lot. "),
        ({"signals": (LOOK,), "one_part": True}, "Another part", "Read a face of another part number on L-1 before"),
        ({"signals": (LOOK,), "one_reader": True}, "Second reader", "Let a second reader read one of the last faces"),
        ({"signals": (LOOK,), "room": MOVED}, "Look at the room", "Look at the room before L-1 is worked on"),
        ({"signals": (LOOK,), "part": "P1"}, "Look at the part", "Look at P1 first, then at L-1, before"),
        ({"signals": (ASKED,)}, "Say yes or no", ASKED.sentence),
        ({"signals": (ASKED,), "room": MOVED}, "Look at the room", "Look at the room before L-1 is worked on"),
        ({"left": REFUSED}, "", "L-1: too little to say how long."),
        ({"left": REFUSED, "room": MOVED}, "Look at the room", "L-1 moved with the room: trust its readings of this"),
        ({"left": REFUSED, "leading": WORN}, "Look", "Look at L-1 before the next lot."),
        ({"left": PLANNED}, "Plan", "L-1 wears as usual, but plan its reconditioning"),
        ({"left": PLANNED, "room": MOVED}, "Look at the room", "L-1 moved with the room: trust its readings of this"),
        ({"left": PLANNED, "room": MOVED, "room_found": "Found by Ann: a lamp."}, "Plan", "L-1 moved with the room"),
        ({}, "Carry on", "L-1 wears as usual"),
        ({"room": MOVED}, "Look at the room", "L-1 moved with the room: trust its readings of this"),
        ({"read_apart": APART}, "Second reader", f"L-1 {APART}: let a second reader read one of its last faces again."),
        ({"left": PLANNED, "read_apart": PART_APART}, "Another part", f"L-1 {PART_APART}: read a face of another "),
        ({"left": replace(RANGE, past_cycles=0)}, "Carry on", "L-1 has no past cycle to compare with: 20 to 70 faces"),
        ({"left": replace(RANGE, own_faces=0)}, "Carry on", "L-1 has no reading of this cycle that counts: 20 to 70"),
        ({"left": replace(PLANNED, past_cycles=0)}, "Plan", "L-1 has no past cycle to compare with; plan its"),
        ({"left": REFUSED, "equal_readings": True}, "Check the reading", "L-1: the readings do not move. Check the"),
        ({"left": DUE, "read_apart": APART}, "Second reader", "Let a second reader read one of the last faces"),
    ],
)  # fmt: skip
def test_the_step_is_the_first_that_the_sentence_names(asked, step, named):
    found = state(**asked)
    assert found.step == step and found.sentence.startswith(named)


def test_the_planning_watch_ends_after_three_usual_shifts():
    assert state(left=replace(RANGE, low=12.0)).state == "watch"
    assert state(left=replace(RANGE, low=12.5)).state == "cutting"


@pytest.mark.parametrize("pace", [0.0, 0.4])
def test_an_unknown_pace_counts_as_one_face_a_shift(pace):
    found = state(left=replace(RANGE, low=1.0), pace=pace)
    assert found.state == "due"
    assert any("in a shift" in reason for reason in found.reasons) == (pace > 0)


def test_a_lap_that_moved_with_the_room_is_not_worked_on_first():
    found = state(left=replace(RANGE, low=2.0, sentence="2 to 9 faces left"), room=MOVED)
    assert found.state == "due" and MOVED in found.reasons
    assert found.sentence.startswith("Look at the room before L-1 is worked on, then recondition it at the next break")


def test_a_lap_that_moved_with_the_room_is_looked_at_after_the_room():
    found = state((LOOK,), room=MOVED)
    assert found.state == "watch" and found.reasons[0] == MOVED
    first = "Look at the room before L-1 is worked on, then at L-1 before the next lot. "
    assert found.sentence == first + LOOK.sentence
    found = state((LOOK,), room=MOVED, room_found="Found by Ann: a warm lamp.")
    assert found.sentence == "Look at L-1 before the next lot. " + LOOK.sentence


@pytest.mark.parametrize(
    ("left", "named", "said"),
    [
        (RANGE, "cutting", "looked at; the faces left do not count them. 20 to 70 faces left under 2 bands."),
        (
            replace(RANGE, low=12.0),
            "watch",
            "looked at; the faces left do not count them. Then plan its reconditioning: 20 to 70 faces left under",
        ),
        (REFUSED, "watch", "looked at. Too little to say how long. Cannot say: no past cycle."),
    ],
)
def test_a_lap_that_moved_with_the_room_is_not_said_to_wear_as_usual(left, named, said):
    found = state(left=left, room=MOVED)
    assert found.state == named and found.reasons[0] == MOVED
    assert found.sentence.startswith("L-1 moved with the room: trust its readings of this shift")
    assert said in found.sentence and "as usual" not in found.sentence
    found = state(left=left, room=MOVED, room_found="Found by Ann: a warm lamp.", room_counted=True)
    assert found.state == named and found.sentence.startswith(
        "L-1 moved with the room this shift (found by Ann: a warm"
    )
    assert "looked at" not in found.sentence and "Found by Ann: a warm lamp." in found.reasons
    assert not any("look at the room" in reason for reason in found.reasons)
    assert ("lamp). The faces left count its readings of this shift." in found.sentence) == (left.status == "range")


@pytest.mark.parametrize("room", ["", MOVED])
def test_a_lap_without_a_face_since_its_reconditioning_is_fresh(room):
    found = state(fresh=True, room=room)
    assert found.state == "cutting"
    assert found.sentence == "L-1 is fresh and has no face of its own yet: 20 to 70 faces left under 2 bands."
    planned = state(left=replace(RANGE, low=12.0), fresh=True, room=room)
    assert planned.sentence.startswith("L-1 is fresh and has no face of its own yet, but plan its reconditioning: 20")


def test_a_fresh_lap_that_begins_at_the_limit_is_not_reconditioned_again():
    over = replace(RANGE, status="over", low=0.0, median=0.0, high=1.0, sentence="no faces left: at the limit")
    found = state(left=over, fresh=True)
    assert found.state == "watch" and "econdition" not in found.sentence
    assert found.sentence.startswith("Read the first face of L-1 before it goes on: it is fresh, and by")
    assert state(left=over).sentence.startswith("Recondition L-1 before the next face")


def test_a_lap_whose_sloping_chart_says_otherwise_is_not_said_to_wear_as_usual():
    found = state(unusual="a jump, begun at face 12")
    assert found.state == "cutting" and "wears as usual" not in found.sentence
    assert found.sentence.startswith("L-1 does not wear as usual (a jump, begun at face 12): 20 to 70 faces left")
    assert any("Its sloping chart says it does not wear as usual: a jump" in reason for reason in found.reasons)
    soon = state(left=replace(RANGE, low=9.0), unusual="a bend")
    assert soon.sentence.startswith("L-1 does not wear as usual (a bend); plan its reconditioning: ")


def test_a_lap_forecast_from_its_own_readings_alone_is_not_said_to_wear_as_usual():
    found = state(left=replace(RANGE, own_way=True))
    assert found.state == "cutting" and found.sentence.startswith("L-1 does not go as past cycles did: 20 to 70 faces")
    soon = state(left=replace(RANGE, low=9.0, own_way=True))
    assert soon.sentence.startswith("L-1 does not go as past cycles did; plan its reconditioning: ")


@pytest.mark.parametrize(("worn", "said"), [(True, "Look at L-1 before the next lot."), (False, "how long cannot be")])
def test_where_flatness_hides_the_wear_the_leading_sign_decides(worn, said):
    leading = LeadMove("minutes per face are 60% more than on a fresh lap", worn)
    found = decide_state(
        "L-1", signals=(), faces_left=REFUSED, next_face=REFUSED, faces_per_shift=4.0, leading=leading
    )  # fmt: skip
    assert found.state == "watch" and said in found.sentence
    assert "too little" not in found.sentence


BY_LIVES = replace(RANGE, from_lives=True, sentence="20 to 70 faces left, as past cycles lasted")


@pytest.mark.parametrize(
    ("low", "median", "worn", "state", "step", "said"),
    [
        (20.0, 40.0, None, "cutting", "Carry on", "L-1: 20 to 70 faces left, as past cycles lasted."),
        (20.0, 40.0, False, "cutting", "Carry on", "L-1: 20 to 70 faces left, as past cycles lasted."),
        (20.0, 40.0, True, "watch", "Look", "Look at L-1 before the next lot: 20 to 70 faces left, as past cycles"),
        (4.0, 40.0, None, "watch", "Plan", "L-1: plan its reconditioning; 20 to 70 faces left, as past cycles lasted."),
        (5.0, 12.0, None, "watch", "Plan", "L-1: plan its reconditioning; 20 to 70 faces left, as past cycles lasted."),
        (
            0.0,
            4.0,
            None,
            "watch",
            "Look",
            "Look at L-1 before the next lot: 20 to 70 faces left, as past cycles lasted",
        ),
    ],
)
def test_faces_left_that_rest_on_no_reading_make_no_lap_due(low, median, worn, state, step, said):
    left = replace(BY_LIVES, low=low, median=median)
    leading = None if worn is None else LeadMove("minutes per face are 60% more than on a fresh lap", worn)
    found = decide_state(
        "L-1", signals=(), faces_left=left, next_face=REFUSED, faces_per_shift=4.0, limit_text="2 um", leading=leading
    )  # fmt: skip
    assert (found.state, found.step) == (state, step) and found.sentence.startswith(said)
    assert "under 2 um" not in found.sentence and "20 to 70 faces left, as past cycles lasted." in found.reasons[-1]


def test_faces_left_that_rest_on_no_reading_do_not_hide_a_room_that_moved():
    found = decide_state(
        "L-1", signals=(), faces_left=BY_LIVES, next_face=REFUSED, faces_per_shift=4.0, room=MOVED
    )  # fmt: skip
    assert found.state == "watch" and found.sentence.startswith("L-1 moved with the room: trust its readings")
    assert state((STOP,), left=BY_LIVES).state == "held" and state((LOOK,), left=BY_LIVES).state == "watch"


@pytest.mark.parametrize(("counted", "many"), [("face", "faces"), ("pass", "passes")])
def test_part_numbers_that_last_longer_are_told_by_their_figures(counted, many):
    others = (PartLeft("A", 75.0, 90.0, 120.0, f"75 to 120 {many} left"), PartLeft("C", 30.0, 50.0, 80.0, ""))
    assert replace(RANGE, counted=counted, part="B", others=others).longer == "A: 75 to 120"


def test_a_lap_whose_retirement_has_no_time_is_retired():
    assert state(resting="retired").sentence == "L-1 is retired."


@pytest.mark.parametrize(
    ("count", "word", "said"),
    [(1, "face", "1 face"), (2.5, "face", "2.5 faces"), (2, "pass", "2 passes"), (1_250, "point", "1,250 points"),
     (1_234_567, "point", "1,234,567 points")],
)  # fmt: skip
def test_counts_of_a_thousand_and_more_carry_their_mark(count, word, said):
    assert plural(count, word) == said
