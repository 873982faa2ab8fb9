"""Past cycles as a table: ranges of faces at the limit and of readings, in the unit the reader chose."""

import math
from dataclasses import replace

import pytest

from dashboard.parts.past_section import held_table
from dashboard.units import MICROMETRE, display_unit
from spc.wear.past_forecasts import forecasts_held, not_counted
from spc.wear.wear_path import wear_path

WHOLE = wear_path("CI-1, cycle 2", range(24), [0.5] * 24)
ASIDE = not_counted(WHOLE, wear_path("", range(12), [0.5] * 12), share=0.5, why="no reading after that")


def row(unit=MICROMETRE, **change):
    table = held_table((forecasts_held([replace(ASIDE, **change)], share=0.5),), unit)
    return {
        name: value.replace("\u2060", "") if isinstance(value, str) else value for name, value in table.iloc[0].items()
    }


def read(low, high, came=(0.5, 0.5), outcome="held", reached=False):
    return {
        "said_low": low, "said_high": high, "came_low": came[0], "came_high": came[1], "outcome": outcome,
        "reached": reached, "why": "",
    }  # fmt: skip


def test_a_cycle_is_named_with_its_faces():
    found = row(**read(0.2, 0.7))
    assert found["lap and cycle"] == "CI-1, cycle 2" and found["foreseen from"] == "50%"
    assert (found["taken up to face"], found["read up to face"]) == (24, 12)


def test_a_cycle_told_in_passes_is_called_so():
    table = held_table((forecasts_held([replace(ASIDE, **read(17, 30, came=(19, 19), reached=True))], share=0.5),),
                       MICROMETRE, counted="pass")  # fmt: skip
    assert table["range said"].tolist() == ["limit at pass 18 to 31"] and table["read up to pass"].tolist() == [12]


@pytest.mark.parametrize(
    ("came", "words"), [((0.6, math.inf), "0.6 µm or more"), ((-math.inf, -0.6), "-0.6 µm or further")]
)
def test_an_open_reading_says_only_from_where(came, words):
    assert row(**read(0.2, math.inf, came=came))["what came"].replace("\u00a0", " ") == words


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ((0.2, 0.7), "0.2 to 0.7 µm"),
        ((0.2, math.inf), "0.2 µm to the limit"),
        ((math.inf, math.inf), "the limit"),
        ((-math.inf, -0.2), "the limit to -0.2 µm"),
    ],
)
def test_a_range_of_the_last_reading_may_end_at_the_limit(said, words):
    assert row(**read(*said))["range said"] == words


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ((17, 30.4), "limit at face 18 to 31"),
        ((17, math.inf), "limit at face 18 to later"),
        ((17, 17), "limit at face 18"),
    ],
)
def test_a_range_of_the_age_at_the_limit_counts_faces_from_one(said, words):
    found = row(**read(*said, came=(19, 19), reached=True))
    assert (found["range said"], found["what came"]) == (words, "limit at face 20")


def test_lengths_are_in_the_unit_chosen():
    found = row(display_unit("band-helium"), **read(0.29378, 0.58756, came=(0.29378, 0.29378)))
    assert (found["range said"], found["what came"]) == ("1 to 2 bands", "1 band")


def test_what_came_is_told_in_words():
    assert [row(**read(0.2, 0.7, outcome=o))["held"] for o in ("held", "faster", "slower")] == [
        "within",
        "wore faster",
        "wore slower",
    ]
    assert (row()["held"], row()["range said"], row()["what came"]) == ("not counted", "", "no reading after that")
