"""Registers as CSV: each row is taken or refused by itself, however the rows beside it are written."""

import pytest

from spc.log.dialect import LogRefusedError
from spc.log.register import read_register

WORDS = {"lap": ("lap", "l\u00e4ppscheibe"), "material": ("material", "werkstoff"), "note": ("note",)}


def rows(text):
    return [
        (row.row_number, row.cells["lap"], row.cells.get("material", ""), row.fault)
        for row in read_register(text.encode(), name="laps.csv", words=WORDS)[1]
    ]


def test_a_quote_that_is_never_closed_spoils_its_own_row_only():
    found = rows('Lap;Material;Note\nA;"cast iron;tall\nB;copper;\n\nC;ceramic;"two\nlines"\n')
    assert [one[0] for one in found] == [1, 2, 4] and "quote that is never closed" in found[0][3]
    assert [one[1:] for one in found[1:]] == [("B", "copper", ""), ("C", "ceramic", "")]


def test_a_cell_may_hold_a_sign_that_parts_lines_elsewhere_or_be_very_long():
    assert rows("lap,material\nA,cop\u2028per\n") == [(1, "A", "cop\u2028per", "")]
    assert rows(f"lap,material\nA,{'x' * 200_000}\n")[0][3] == ""


def test_accents_apart_and_spaces_that_do_not_break_are_read_as_they_look():
    assert rows("La\u0308ppscheibe;Werkstoff\nLa\u0308pp\u00a01;copper\n") == [(1, "L\u00e4pp 1", "copper", "")]


def test_a_row_of_what_no_column_is_known_for_is_not_dropped():
    assert rows("lap,material,colour\n,,green\n,,\nA,copper,red\n") == [(1, "", "", ""), (3, "A", "copper", "")]


@pytest.mark.parametrize("text", ["", "colour;size\nred;1\n"])
def test_what_is_no_register_is_refused_by_its_name(text):
    with pytest.raises(LogRefusedError, match=r"^laps\.csv: "):
        rows(text)
