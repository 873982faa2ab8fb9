import pytest

from spc.log.covariates import beyond_others, covariate_values
from spc.log.wear_table import WearColumns, read_wear_table


def test_covariates_in_numbers_and_words():
    text = b"lap,faces,flatness,load,metal\n" + b"".join(
        b"%s,1,1,%d,%s\n" % (u, load, metal)
        for u, load, metal in [(b"A", 10, b"steel"), (b"B", 50, b"iron"), (b"C", 90, b"steel"), (b"D", 20, b"iron")]
    )
    table = read_wear_table(text, WearColumns(("lap",), "faces", "flatness", covariates=("load", "metal")))
    values, remarks = covariate_values(table)
    assert values == {"A": (10, 1), "B": (50, -1), "C": (90, 1), "D": (20, -1)} and remarks == ()


def test_covariate_that_some_unit_lacks_is_named():
    table = read_wear_table(
        b"lap,faces,flatness,load\nA,1,1,10\nB,1,1,\n", WearColumns(("lap",), "faces", "flatness", covariates=("load",))
    )
    assert covariate_values(table) == ({"A": (), "B": ()}, ("covariate load is not used: unit B has none",))


def table_of(*cells, covariates=("load",)):
    """Units U0, U1, ... of one reading, each with its covariates as typed."""
    head = ",".join(["unit,clock,wear", *covariates])
    rows = [f"U{at},1,1,{cell}" for at, cell in enumerate(cells)]
    return read_wear_table("\n".join([head, *rows]).encode(), WearColumns(covariates=covariates))


def test_a_number_that_no_other_unit_comes_near_is_named():
    table = table_of("10", "50", "100", "55", "1000")
    assert (
        beyond_others(table)[-1]
        == "unit U4: load 1000 lies outside 10 to 100 of the other units: nothing is known there"
    )
    assert beyond_others(table, unit_id="U1") == ()
    assert beyond_others(table_of("7", "7", "8"))[0].startswith("unit U2: load 8 is not the 7 of the other units")


@pytest.mark.parametrize(("least", "said"), [("11", 0), ("1.5", 0), ("1.4", 1)])
def test_a_number_just_outside_the_others_goes_unremarked(least, said):
    """Others lie at 20 to 94.1 ..: a quarter of their range below 20 is 1.475."""
    found = beyond_others(table_of(least, "20", "40", "60", "94.1"), unit_id="U0")
    assert len(found) == said


def test_a_word_that_no_other_unit_has_is_named():
    table = table_of("brass", "steel", "steel", "iron", "iron", "iron")
    assert beyond_others(table) == (
        "unit U0: load brass is a value that none of the other units has: nothing is known of it",
    )


def test_nothing_is_said_of_a_covariate_that_is_not_used_or_of_one_unit_alone():
    assert beyond_others(table_of("10", "", "1000")) == ()
    assert beyond_others(table_of("a", "b", "c")) == ()  # as many words as units
    assert beyond_others(table_of("10")) == ()
