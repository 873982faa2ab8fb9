from dataclasses import replace

import pytest

from spc.board.lap_forecast import LapForecast
from spc.board.lap_words import confidence_words
from spc.board.results import FacesLeft

LEFT = FacesLeft("range", 20.0, 40.0, 70.0, 200.0, "faces", 0.9, "path", "20 to 70 faces left", 30, 9)
RESTS = "30 faces of its own, the rest from 9 past cycles"
FORECAST = LapForecast("L-1", "", 1.0, "1 um", LEFT, LEFT, None, None, RESTS, "linear")


@pytest.mark.parametrize("status", ["range", "over"])
def test_a_range_and_a_limit_reached_say_what_they_rest_on(status):
    forecast = replace(FORECAST, faces_left=replace(LEFT, status=status))
    assert confidence_words(forecast, 0, "") == f"90% range; {RESTS}"


@pytest.mark.parametrize("status", ["refused", "ended"])
def test_where_nothing_is_foretold_nothing_is_rested_on(status):
    assert confidence_words(replace(FORECAST, faces_left=replace(LEFT, status=status)), 0, "less sure") == ""


@pytest.mark.parametrize(
    ("asked", "said"), [(1, "there is one once each question"), (3, "there are 3 once each question")]
)
def test_past_cycles_that_wait_for_an_answer_are_told_where_there_are_no_others(asked, said):
    assert said in confidence_words(replace(FORECAST, faces_left=replace(LEFT, past_cycles=0)), asked, "")
    assert "once each question" not in confidence_words(FORECAST, asked, "")
