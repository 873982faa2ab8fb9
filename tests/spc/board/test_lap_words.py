from dataclasses import replace

import pytest

from spc.board.lap_forecast import LapForecast
from spc.board.lap_words import confidence_words
from spc.board.past_held import NO_DOUBT, RangesDoubt
from spc.board.results import FacesLeft

LEFT = FacesLeft("range", 20.0, 40.0, 70.0, 200.0, "faces", 0.9, "path", "20 to 70 faces left", 30, 9)
RESTS = "30 faces of its own, the rest from 9 past cycles"
FORECAST = LapForecast("L-1", "", 1.0, "1 um", LEFT, LEFT, None, None, RESTS, "linear")
DOUBT = RangesDoubt(("faster",), "from the middle, only 6 of 12 past cycles came out within such a range", "")


@pytest.mark.parametrize("status", ["range", "over"])
def test_a_range_and_a_limit_reached_say_what_they_rest_on(status):
    forecast = replace(FORECAST, faces_left=replace(LEFT, status=status))
    assert confidence_words(forecast, 0, NO_DOUBT, "") == f"90% range; {RESTS}"


@pytest.mark.parametrize("status", ["refused", "ended"])
def test_where_nothing_is_foretold_nothing_is_rested_on(status):
    assert confidence_words(replace(FORECAST, faces_left=replace(LEFT, status=status)), 0, DOUBT, "") == ""


@pytest.mark.parametrize(
    ("asked", "said"), [(1, "there is one once each question"), (3, "there are 3 once each question")]
)
def test_past_cycles_that_wait_for_an_answer_are_told_where_there_are_no_others(asked, said):
    assert said in confidence_words(replace(FORECAST, faces_left=replace(LEFT, past_cycles=0)), asked, NO_DOUBT, "")
    assert "once each question" not in confidence_words(FORECAST, asked, NO_DOUBT, "")


@pytest.mark.parametrize(
    ("by_lives", "said"), [(False, "; less sure than that: "), (True, "; it takes in how long past cycles lasted, ")]
)
def test_a_doubt_of_its_ranges_is_told_with_what_was_done_about_it(by_lives, said):
    forecast = replace(FORECAST, faces_left=replace(LEFT, by_lives=by_lives))
    told = confidence_words(forecast, 0, DOUBT, "all were called worn early")
    assert told.startswith(f"90% range; {RESTS}{said}") and told.endswith("; all were called worn early")
