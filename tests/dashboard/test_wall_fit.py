import re

from dashboard.wall_fit import fit_wall

SENTENCE = "Recondition K1 at the next break: 4 to 13 faces left under 1 um (P1)."


def test_the_type_shrinks_with_what_there_is_to_say_and_grows_with_the_screen():
    sizes = [fit_wall("One lap is due.", [], [SENTENCE] * laps, 1).type_vw for laps in (1, 4, 8)]
    assert sizes == sorted(sizes, reverse=True) and sizes[0] > sizes[-1]
    assert f"{sizes[0]:.2f}vw" in fit_wall("One lap is due.", [], [SENTENCE], 1).style


def test_on_a_screen_of_few_pixels_the_type_is_as_small_as_was_reckoned_so_that_no_lap_runs_off():
    fit = fit_wall("Many laps are due.", [SENTENCE] * 3, [SENTENCE] * 9, 2)
    least = int(re.search(r"max\((\d+)px", fit.style)[1])
    assert all(least <= fit.type_vw * width / 100 for width in (1280, 1366, 1600))


def test_laps_that_no_readable_type_has_room_for_share_a_line():
    few, many = (fit_wall("Many laps are due.", [SENTENCE], [SENTENCE] * laps, 2) for laps in (6, 40))
    assert few.rows == 6 and 6 < many.rows < 40
    assert fit_wall("No lap.", [], [], 0).rows == 0
