from dataclasses import replace

from dashboard import cards
from spc.board.results import STATES
from spc.board.safety import DEFERENCE, cautions_for
from tests.dashboard.fixtures import cell, lap, shift


def test_a_lap_line_says_state_name_sentence_and_faces_left():
    line = cards.lap_line(lap())
    for text in ("due", "CI-1", "plan to recondition", "6 to 14 faces left", "shift change at 14:00", "cast iron"):
        assert text in line


def test_names_are_text_wherever_they_stand():
    wild = cell()[-1]
    for card in (
        cards.lap_line(wild),
        cards.headline(wild.lap),
        cards.rest_line((wild,), "resting"),
        cards.sentences([wild.lap]),
    ):
        assert "<script>" not in card and "&lt;script&gt;" in card


def test_every_state_has_word_and_shape():
    for state in STATES:
        assert f"<b>{state}</b>" in cards.state_tag(state) and f"lc-mark-{state}" in cards.state_tag(state)


def test_counts_name_only_the_states_that_occur():
    counted = cards.state_counts(cell())
    assert "<b>1</b> held" in counted and "<b>2</b> cutting" in counted
    assert "held" not in cards.state_counts((lap(),))


def test_cautions_defer_to_local_rules_and_are_absent_without_an_action():
    card = cards.cautions(lap().safety)
    assert "lifting aid" in card and DEFERENCE in card
    assert "Take care" not in cards.cautions(())


def test_nothing_beside_a_hold_invites_to_go_on():
    held = lap(state="held", sentence="CI-1 is held.")
    assert "none until answered" in cards.lap_line(held)
    assert "faces left" not in cards.lap_line(held) and "next break" not in cards.lap_line(held)


def test_a_lap_out_of_use_says_what_is_left_of_it():
    worn = replace(lap().faces_left, status="ended", sentence="none until reconditioned")
    assert cards.left_words(lap(state="resting", faces_left=worn)) == "none until reconditioned"
    assert cards.left_words(lap(state="resting", faces_left=replace(worn, sentence=""))) == ""


def test_a_lap_name_with_a_comma_is_one_lap_of_a_list():
    room = replace(shift().room, laps=("CI-1", "CI-2, old", "DI-1"))
    assert "Laps: CI-1, &quot;CI-2, old&quot; and DI-1." in cards.room_card(room)
    rest = cards.rest_line((lap(lap="CI-2, old", state="resting"), lap(lap="DI-1", state="resting")), "resting")
    assert "&quot;CI-2, old&quot; and DI-1" in rest


def test_room_alarm_is_one_card_with_its_checks():
    card = cards.room_card(shift().room)
    assert "Three of eight laps" in card
    assert "Look at these first. Room temperature. Lamp and optical flat. Slurry batch." in card


def test_a_room_alarm_that_is_the_heading_is_not_said_twice():
    room = replace(shift().room, evidence="The middle lap moved by 3.1 sd (p = 0.003).", checks=("one lamp?", "slurry"))
    card = cards.room_card(room, said=room.sentence)
    assert room.sentence not in card
    assert "Laps: CI-1, DI-1 and CU-1. Look at these first. One lamp? Slurry." in card
    assert card.index("<summary>") < card.index("3.1\u00a0sd (p = 0.003)") < card.index("</details>")
    assert "3.1 sd" not in cards.room_card(room, folded=False)  # a wall is not pressed


def test_a_room_alarm_of_the_shift_before_has_a_name_of_its_own():
    assert 'aria-label="Room alarm"' in cards.room_card(shift().room)
    assert 'aria-label="Room alarm of the shift before"' in cards.room_card(
        shift().room, label="Room alarm of the shift before"
    )


def test_causes_are_a_table_with_the_share_of_each():
    card = cards.causes_card(lap().causes)
    assert "62%" in card and "straightedge across the plate" in card and "found 3 of 5 times" in card


def test_a_board_says_its_cautions_in_one_line_with_the_whole_folded_into_it():
    lines = cautions_for(["ring machine", "wash"])
    folded, wall = cards.cautions_line(lines), cards.cautions_line(lines, folded=False)
    assert folded.index("</summary>") < folded.index("lidded metal bin") and DEFERENCE in folded
    assert "stop and isolate what turns first" in wall and "<summary>" not in wall and "lidded metal bin" not in wall
    assert "Take care" not in cards.cautions_line(())
