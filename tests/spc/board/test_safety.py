import pytest

from spc.board.safety import CAUTIONS, DEFERENCE, cautions_for, urges_speed


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
    with pytest.raises(ValueError, match="`actions` must be among wash.*; got juggle"):
        cautions_for(["juggle"])
