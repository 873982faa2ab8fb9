"""Which row held a changed row stands for: never one that another log holds, nor two for what is told twice."""

from tests.spc.log.test_intake import LEAST, ROWS, store, take

__all__ = ["store"]  # the fixture


def test_a_row_that_another_log_holds_takes_no_place_of_a_row_that_is_gone(store):
    take(store, ROWS[1:2], name="tablet.csv")
    assert take(store, [*ROWS[:2], ROWS[3]])[1] == (2, 0, 0, 0, 1)
    result, told = take(store, [ROWS[1], ROWS[3]])  # the log begins later now
    assert told == (0, 0, 0, 0, 2) and result.new_versions == 0
    assert sorted(store.faces()["serial"]) == ["1", "2", "4"] and set(store.faces()["version"]) == {1}


def test_a_row_changed_right_below_one_that_was_taken_out_is_still_found(store):
    rows = [f"Ann,CI-1,15 um,{minutes},0.{minutes},0.08\n" for minutes in range(3, 9)]
    bad = "Ann,CI-1,15 um,5,?,0.08\n"
    assert take(store, [*rows[:3], bad, *rows[3:]], head=LEAST)[1] == (6, 0, 0, 1, 0)
    assert take(store, rows, head=LEAST)[1] == (0, 0, 0, 0, 6)
    rows[3] = rows[3].replace("0.6", "0.7")
    result, told = take(store, rows, head=LEAST)
    assert told == (1, 0, 0, 0, 5) and result.new_versions == 1 and len(store.faces()) == 6


def test_what_is_told_twice_is_so_after_a_change_too(store):
    head = "time,lap,event,reason\n"
    take(store, ["2026-03-04 10:00,CI-1,reconditioned,worn\n"] * 2, head=head, name="events.csv")
    changed, told = take(store, ["2026-03-04 10:00,CI-1,reconditioned,planned\n"] * 2, head=head, name="events.csv")
    assert told == (0, 0, 1, 0, 1) and changed.new_versions == 1
    assert store.events()["reason"].tolist() == ["planned"]
    take(store, [ROWS[0], ROWS[0].replace("10:00", "10:05")])
    changed, told = take(store, [one.replace("0.3", "0.7") for one in (ROWS[0], ROWS[0].replace("10:00", "10:05"))])
    assert told == (1, 0, 0, 0, 1) and changed.new_versions == 1
    assert store.faces()["flatness_text"].tolist() == ["0.7"]
