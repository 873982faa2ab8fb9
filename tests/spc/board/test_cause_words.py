import pytest

from spc.board.cause_table import CAUSES, UNKNOWN
from spc.board.cause_words import cause_cured_by, cause_meant, short_words
from spc.board.causes import diagnose, read_pattern


@pytest.mark.parametrize(
    ("words", "cause"),
    [
        ("glazed lap", "glazed lap"),
        ("Glased  Lap", "glazed lap"),
        ("coarse grain", "coarse grain or contamination"),
        ("lap worn", "lap worn out of shape"),
        ("The room", "the room: temperature, lamp, flat, slurry batch"),
        ("temperature", "the room: temperature, lamp, flat, slurry batch"),
        ("room", "the room: temperature, lamp, flat, slurry batch"),
        ("contamination", "coarse grain or contamination"),
        ("BAD WIPE", "bad wipe"),
        ("not fuond", "not found"),
        ("unknown", "not found"),
        ("something else: spilt paste", "something else: spilt paste"),
        ("Something else:spilt paste", "something else: spilt paste"),
    ],
)
def test_words_are_taken_for_the_nearest_cause(words, cause):
    assert cause_meant(words) == cause


@pytest.mark.parametrize("words", ["spilt paste", "lap", "x", "", "grit", "reading"])
def test_words_like_no_cause_are_refused_with_the_list(words):
    with pytest.raises(ValueError, match="`cause` must be one of: lap worn out of shape; .*not found; got ") as refused:
        cause_meant(words)
    assert all(c.name in str(refused.value) for c in CAUSES if c.name != UNKNOWN)
    assert "'something else: ' and your own words" in str(refused.value)


def test_something_else_must_be_said():
    with pytest.raises(ValueError, match="must say in words what else it was"):
        cause_meant("something else: ")


def test_every_cause_has_words_for_a_button_of_its_own():
    assert len({c.short.casefold() for c in CAUSES}) == len(CAUSES)
    for cause in CAUSES:
        assert len(cause.short) <= 20 and short_words(cause.name) == cause.short
        assert cause.name == UNKNOWN or cause_meant(cause.short) == cause.name


def test_what_was_done_counts_as_the_likeliest_cause_that_it_puts_right():
    scratched = diagnose(read_pattern((), scratch=True, scope="one lap")).causes
    assert cause_cured_by("recharged", scratched, default="") == "coarse grain or contamination"
    slow = diagnose(read_pattern((), scratch=False, also={"minutes": "up"}, scope="one lap")).causes
    assert cause_cured_by("recharged", slow, default="") == "charge used up"
    assert cause_cured_by("recharged", (), default="charge used up") == "charge used up"
