import numpy as np
import pandas as pd
import pytest

from spc.board.answers import (
    answer_questions,
    compare_laps,
    pass_to_pass,
    what_is_it,
    which_lap_serves,
    with_lap_that_serves,
)
from spc.board.causes import diagnose, read_pattern
from spc.board.lap_compare import by_yield, faces_alike, flatter_words
from spc.board.pass_scatter import PassScatter, pass_scatter
from spc.measure.shown import ShownLength
from spc.wear.cycle import number_cycles
from spc.wear.signs import face_signs
from tests.spc.wear.made_up_log import events_frame, faces_frame


def numbered(rows):
    return number_cycles(faces_frame(rows), events_frame([]))


KNOWN = PassScatter(sd_um=0.03, free=100, usual_um=np.nan, usual_sd_um=np.nan, changes=0)


def told(own, **asked):
    """Answer of a lap whose readings scatter by so much."""
    return pass_to_pass(own, scatter=KNOWN, **asked)


def reading(low, high, attempt, **more):
    text = f"{low:g}-{high:g}"
    face = {"serial": "7", "face": "A", "attempt": attempt, "flatness_low_um": low, "flatness_high_um": high}
    return face | {"flatness_text": text} | more


def test_pass_to_pass_better_worse_and_not_told():
    assert told(numbered([reading(0.5, 0.7, 1), reading(0.2, 0.4, 2)])).startswith(
        "Better: P1 7 A read 0.5 to 0.7 um then 0.2 to 0.4 um over 2 passes."
    )
    worse = numbered([reading(0.2, 0.4, 1), reading(0.5, 0.7, 2)])
    assert told(worse).startswith("Worse")
    assert told(worse).endswith("2 passes. Look at the lap before the next pass.")
    assert told(worse, held=True).endswith("2 passes. Stop and look at the lap.")
    assert told(numbered([reading(0.2, 0.4, 1), reading(0.3, 0.5, 2)])).startswith("No change that the reading")
    assert "No face here has two readings" in told(numbered([reading(0.2, 0.4, 1)]))
    both_open = numbered([reading(0.5, np.inf, 1), reading(0.8, np.inf, 2)])
    assert told(both_open).startswith("No change that the reading can tell")
    assert told(numbered([reading(0.2, 0.4, 1), reading(0.8, np.inf, 2)])).startswith("Worse")


def test_pass_to_pass_says_neither_while_the_scatter_is_not_known_and_tells_what_a_pass_usually_does():
    rows = [reading(0.2, 0.4, 1), reading(0.5, 0.7, 2)]
    unknown = pass_to_pass(numbered(rows))
    assert unknown.startswith(
        "Read higher at last: P1 7 A read 0.2 to 0.4 um then 0.5 to 0.7 um over 2 passes. Whether"
    )
    before = [
        reading(size + 0.02 * (n % 3), size + 0.02 * (n % 3) + 0.01, attempt, serial=f"S{n}")
        for n in range(12) for attempt, size in ((1, 0.6), (2, 0.4))
    ]  # fmt: skip
    own = numbered([*before, *rows])
    words = pass_to_pass(own, scatter=pass_scatter(own))
    assert words.startswith("Worse: P1 7 A read 0.2 to 0.4 um then 0.5 to 0.7 um over 2 passes.")
    assert words.endswith(
        "On this lap a pass after the first usually reads 0.2 um flatter than the one before (13 of them)."
    )
    in_bands = pass_to_pass(own, scatter=pass_scatter(own), unit=ShownLength("bands", 0.25))
    assert " usually reads 0.8 bands flatter than the one before " in in_bands


def test_pass_to_pass_tells_passes_that_go_up_and_down():
    rows = [reading(1.5, 1.7, 1), reading(0.5, 0.7, 2), reading(1.1, 1.3, 3)]
    words = told(numbered(rows), held=True)
    assert words.startswith(
        "Up and down: P1 7 A read 1.5 to 1.7 um then 0.5 to 0.7 um then 1.1 to 1.3 um over 3 passes;"
    )
    assert words.endswith("the last change was to the worse. Stop and look at the lap.")
    rows = [reading(0.4, 0.6, 1), reading(1.5, 1.7, 2), reading(0.65, 0.75, 3)]
    assert told(numbered(rows)).endswith("; the last change was to the better.")
    rows = [reading(0.4, 0.6, 1), reading(0.55, 0.7, 2), reading(0.65, 0.75, 3)]  # no two neighbours tell, the ends do
    assert told(numbered(rows)).startswith("Worse: ")


def test_pass_to_pass_dates_a_face_of_an_earlier_shift():
    own = numbered([reading(0.5, 0.7, 1), reading(0.2, 0.4, 2)])
    last = own.iloc[-1]
    at = int(last["sort_us"])
    assert told(own, shift_us=at).startswith("Better: P1 7 A read 0.5")
    assert told(own, shift_us=at + 1).startswith(f"Better: P1 7 A, of {last['time_text']}, read 0.5")
    assert told(own.assign(time_text=""), shift_us=at + 1).startswith("Better: P1 7 A read 0.5")


def test_pass_to_pass_names_the_unit_each_reading_was_typed_in():
    rows = [reading(0.2, 0.4, 1), reading(0.5, 0.7, 2, flatness_text="2", flatness_unit="band")]
    assert told(numbered(rows)).startswith("Worse: P1 7 A read 0.2 to 0.4 um then 2 bands over 2 passes.")


def test_pass_to_pass_tells_a_turned_form_and_takes_the_last_spell():
    rows = [reading(0.2, 0.4, 1), reading(0.1, 0.15, 2), reading(0.5, 0.6, 1, shape="convex"),
            reading(0.9, 1.0, 2, shape="concave")]  # fmt: skip
    answer = told(numbered(rows))
    assert answer.startswith("Worse: P1 7 A read 0.5 to 0.6 um then 0.9 to 1 um over 2 passes.")
    assert answer.endswith("The form turned from convex to concave.")


def test_pass_to_pass_tells_of_the_face_that_was_read_last():
    first, back = reading(0.5, 0.7, 1), reading(0.1, 0.15, 2)
    other = [reading(0.5, 0.7, 1, face="B"), reading(0.2, 0.4, 2, face="B")]
    assert told(numbered([first, *other, back])).startswith("Better: P1 7 A read 0.5 to 0.7 um then 0.1 to 0.15 um")
    unnamed = [one | {"serial": ""} for one in (first, *other, first, reading(0.8, 0.9, 2))]  # another part's face A
    assert told(numbered(unnamed)).startswith("Worse: P1 A read 0.5 to 0.7 um then 0.8 to 0.9 um")


def test_faces_without_a_serial_number_are_no_passes_of_one_face():
    """Every part has a face A: where no serial number tells them apart, the pass number has to."""
    rows = [reading(0.2 + 0.1 * k, 0.3 + 0.1 * k, 1, serial="") for k in range(6)]
    assert "No face here has two readings" in told(numbered(rows))
    rows.append(reading(0.9, 1.0, 2, serial=""))
    assert told(numbered(rows)).startswith("Worse: P1 A read 0.7 to 0.8 um then 0.9 to 1 um over 2 passes.")


def lapped(shares, n=30, minutes=None):
    rng = np.random.default_rng(1)
    rows = []
    for lap, bad in shares.items():
        for i in range(n):
            attempts = 1 + (i % 10 < 10 * bad)
            for attempt in range(1, attempts + 1):
                spent = float((minutes or {}).get(lap, 3.0) * rng.lognormal(0, 0.1))
                rows.append({"lap": lap, "serial": f"{lap}{i}", "attempt": attempt, "minutes": spent})
    signs = face_signs(numbered(rows))
    number = signs.groupby("lap").cumcount()
    return signs.assign(cycle=number // 6 + 1, age_faces=number % 6)  # cycles of six faces


def serves(signs, part, states=None, **more):
    """Answer for laps in the states named, 'cutting' where none is."""
    states = states or {}
    out = {lap: state for lap, state in states.items() if state in ("held", "resting")}
    return which_lap_serves(compare_laps(signs, part, out_of_use=out, **more), lambda lap: states.get(lap, "cutting"))


def test_every_length_of_laps_that_are_compared_is_said_in_the_unit_shown():
    age = np.arange(10.0)
    first = {
        lap: pd.DataFrame(
            {"cycle": np.repeat(range(6), 10), "age_faces": np.tile(age, 6), "first_low_um": level - 0.005,
             "first_high_um": level + 0.005}
        )
        for lap, at in (("A", 0.25), ("B", 0.5), ("C", 0.75)) for level in [at + np.repeat([-0.01, 0.01] * 3, 10)]
    }  # fmt: skip
    said = flatter_words(first, compared=3, unit=ShownLength("bands", 0.25))
    assert said == "A reads flatter at like age (1 band) than B (2 bands), C (3 bands)"


def test_faces_of_a_cycle_that_hang_together_say_less():
    cycle = np.repeat([1, 2, 3, 4], 5)
    together = {"A": (cycle, cycle < 3), "B": (cycle, cycle > 2)}  # whole cycles are good or not
    assert faces_alike(together) == pytest.approx(4 / 3 * 4 * 2.5**2 / (20 * 0.25))
    apart = {"A": (cycle, np.arange(20) % 5 == 0), "B": (np.ones(4, int), np.arange(4) < 2)}
    assert faces_alike(apart) == faces_alike({"A": (cycle, cycle > 0)}) == 1.0
    assert by_yield({"A": (20, 20), "B": (10, 20)})[1] == ["B"]
    assert by_yield({"A": (20, 20), "B": (10, 20)}, alike=5.0)[1] == []


def test_which_lap_serves():
    clear = serves(lapped({"A": 0.0, "B": 0.5}), "P1")
    assert clear.startswith("A serves P1 best, better than B. A: 30 of 30 good at the first pass (81% to 100%)")
    assert serves(lapped({"A": 0.1, "B": 0.1}), "P1").startswith("Any of A, B: the log cannot tell")
    slow = serves(lapped({"A": 0.1, "B": 0.1}, minutes={"A": 6.0}), "P1")
    assert slow.startswith("First passes do not tell them apart; B takes fewer minutes")
    assert serves(lapped({"A": 0.1}), "P1").startswith("Only A has done")
    assert serves(lapped({"A": 0.1}, n=2), "P1").startswith("Too few faces of P1")


def test_a_lap_compared_by_its_newest_faces_alone_is_told_by_the_last_of_them():
    told = serves(lapped({"A": 0.1}, n=250), "P1")
    assert told.startswith("Only A has done 5 or more faces of P1 with this grit: 180 of the last 200 good at the")
    assert ": 180 of 200 good at the first pass" in serves(lapped({"A": 0.1}, n=200), "P1")


def test_a_lap_that_nothing_may_go_on_serves_nothing():
    signs = lapped({"A": 0.0, "B": 0.1, "C": 0.5, "D": 0.5})
    told = serves(signs, "P1", {"A": "held", "B": "due", "C": "watch", "D": "resting"})
    assert told.startswith("B (due) serves P1 best, better than C (watch). B: ")
    assert told.endswith("Left out: A (held), D (resting).") and "A:" not in told
    alike = lapped(dict.fromkeys("ABC", 0.1))
    told = serves(alike, "P1", {"A": "due", "B": "watch"})
    assert told.startswith("Any of B (watch), C, A (due): the log cannot tell them apart for P1 yet. B: ")
    told = serves(signs, "P1", dict.fromkeys("ABCD", "held"))
    assert told.startswith(
        "Too few faces of P1 to say: no lap in use has done 5 of them with this grit. Left out: 4 held."
    )


def test_at_most_three_laps_are_named_beside_the_one_that_serves():
    told = serves(lapped(dict.fromkeys("ABCDEFG", 0.1)), "P1")
    assert told.startswith("Any of A, B, C, D: the log cannot tell") and told.endswith(" 3 more have done it.")
    assert told.count("good at the first pass") == 4


def test_a_lap_that_is_told_to_be_worse_is_named():
    told = serves(lapped({"A": 0.0, "B": 0.1, "C": 0.1, "D": 0.1, "E": 0.9}), "P1")
    assert told.startswith("A serves P1 best, better than E. By that B, C cannot be told from it. A: ")
    assert "E: 3 of 30 good at the first pass" in told and told.endswith(" 1 more has done it.")


def test_a_range_of_first_passes_tells_that_faces_of_a_cycle_hang_together():
    """Whole cycles good or not: the share is known from ten cycles, not from sixty faces."""
    rows = [
        {"lap": lap, "serial": f"{lap}{i}", "attempt": attempt, "minutes": 3.0}
        for lap in "AB" for i in range(60) for attempt in range(1, 3 if lap == "B" and i // 6 % 5 < 2 else 2)
    ]  # fmt: skip
    signs = face_signs(numbered(rows))
    number = signs.groupby("lap").cumcount()
    told = serves(signs.assign(cycle=number // 6 + 1, age_faces=number % 6), "P1")
    assert "A: 60 of 60 good at the first pass (66% to 100%); B: 36 of 60 good at the first pass (21% to 86%)" in told


def test_what_is_it_names_a_group_or_says_it_cannot_tell():
    scratched = read_pattern([], scratch=True, scope="one lap")
    assert what_is_it(scratched, diagnose(scratched)).startswith("Most likely the grit")
    nothing = read_pattern([], scratch=False)
    assert what_is_it(nothing, diagnose(nothing)) == "Nothing has moved, so none of them shows."
    vague = read_pattern([], scratch=False, also={"re-lap share": "up"})
    assert what_is_it(vague, diagnose(vague)).startswith("The signs cannot tell yet")


def test_what_is_it_names_two_groups_that_lead_together_and_the_room_where_all_laps_moved():
    """Where faces of one operator alone read high, the hand and the reading share what speaks for either."""
    one_hand = read_pattern([], scratch=False, scope="one operator", also={"flatness": "up"})
    found = diagnose(one_hand)
    assert max(found.groups.values()) < 0.5
    assert what_is_it(one_hand, found).startswith("Most likely the hand or the reading (")
    all_laps = read_pattern([], scratch=False, scope="many laps")
    found = diagnose(all_laps)
    assert max(found.groups, key=found.groups.get) == "the room" and found.groups["the room"] < 0.5
    assert what_is_it(all_laps, found).startswith("Most likely the room (")
    either = read_pattern([], scratch=False, scope="one operator or many laps", also={"flatness": "up"})
    assert what_is_it(either, diagnose(either)).startswith(("The signs cannot tell yet", "It cannot be told yet"))


def test_what_is_it_says_nothing_against_the_rest_of_the_page():
    untold = read_pattern([], scratch=True, scope="one lap or many laps")
    assert what_is_it(untold, diagnose(untold)).startswith("It cannot be told yet; the signs lean to the grit (")
    moved, nothing = read_pattern([], scratch=True), read_pattern([], scratch=False)
    assert what_is_it(moved, diagnose(moved), called=False) == "No signal is open, so none of them is looked for."
    bend = "No sign tells them apart: all that shows is that it does not wear as usual (a bend)."
    assert what_is_it(nothing, diagnose(nothing), unusual="a bend") == bend
    assert what_is_it(moved, diagnose(moved), called=False, unusual="a bend") == bend
    known = read_pattern([], scratch=True, scope="one lap")
    assert what_is_it(known, diagnose(known), unusual="a bend").startswith("Most likely the grit")


def test_three_questions_even_from_an_empty_lap():
    pattern = read_pattern([], scratch=False)
    frame = numbered([{}])
    passes = told(frame.iloc[:0])
    answers = with_lap_that_serves(
        answer_questions(passes, pattern=pattern, diagnosis=diagnose(pattern)), serves(face_signs(frame).iloc[:0], "")
    )
    assert [q[-1] for q, _ in answers] == ["?"] * 3
    assert all(a for _, a in answers)


def test_a_first_reading_over_the_limit_is_not_good():
    rows = [reading(0.8, 1.0, 1, serial=f"{lap}{i}", lap=lap) for lap in "AB" for i in range(8)]
    signs = face_signs(numbered(rows))
    assert "A: 8 of 8 not lapped again" in serves(signs, "P1")  # nothing says that one was judged good
    assert "A: 8 of 8 good at the first pass" in serves(signs, "P1", limit_um=2.0)
    assert "A: 0 of 8 good at the first pass" in serves(signs, "P1", limit_um=0.5)


def test_first_passes_that_are_not_logged_are_not_compared():
    alike = serves(lapped({"A": 0.0, "B": 0.0}), "P1", hidden=True)
    assert (
        alike.startswith("How many were good at the first pass cannot be told")
        and "A, B cannot be told apart by them yet" in alike
    )
    slow = serves(lapped({"A": 0.0, "B": 0.0}, minutes={"A": 6.0}), "P1", hidden=True)
    assert "A takes the fewest" not in slow and "B takes the fewest" in slow
    assert serves(lapped({"A": 0.0}), "P1", hidden=True).endswith(
        "how many were good at the first pass cannot be told."
    )
