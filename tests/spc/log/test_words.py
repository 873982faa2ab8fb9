import pytest

from spc.log.words import EVENTS, METHODS, OUTCOMES, REASONS, SHAPES, nearest, word


@pytest.mark.parametrize(
    ("typed", "table", "ours"),
    [
        ("Recharge", EVENTS, "recharged"), ("nachgeladen", EVENTS, "recharged"), ("Re-faced", EVENTS, "re-faced"),
        ("grit_change", EVENTS, "grit changed"), ("i.O.", OUTCOMES, "ok"), ("Ausschuss", OUTCOMES, "scrap"),
        ("relap", OUTCOMES, "re-lap"), ("CVX", SHAPES, "convex"), ("hohl", SHAPES, "concave"), ("?", SHAPES, ""),
        ("Planglas", METHODS, "optical flat"), ("Geplant", REASONS, "planned"), ("verschlissen", REASONS, "worn"),
        ("usé", REASONS, "worn"), ("verschmutzt", REASONS, "contamination"), ("DTI", METHODS, "indicator"),
    ],
)  # fmt: skip
def test_words_of_three_languages(typed, table, ours):
    assert word(typed, table, what="word") == ours


def test_unknown_word_names_the_known_ones():
    with pytest.raises(ValueError, match=r"is no known outcome: 'maybe'; known are ok, re-lap, regrind, scrap"):
        word("maybe", OUTCOMES, what="outcome")


def test_the_events_are_those_of_the_store():
    assert set(EVENTS.values()) == {
        "charged", "recharged", "cleaned", "grit changed", "dressed", "reconditioned", "re-faced", "measured",
        "ring moved", "swapped", "returned", "retired",
    }  # fmt: skip


def test_nearest_by_edit_distance():
    assert nearest("C1-03", ["CI-03", "CI-04", "CU-9", "Big plate"]) == ["CI-03", "CI-04"]
    assert nearest("zzzzzzzz", ["CI-03"]) == []
