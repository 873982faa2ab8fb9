"""Lists of limits by command: what a CSV of them may say, in which words, and what is shown of it."""

import pytest

from tests.spc.commands.planted_cell import run, told


@pytest.mark.parametrize(
    "csv",
    [
        "part,characteristic,upper,lower,unit\nSP-1,flatness,0.6,,um\nSP-1,finish,0.05,,um\n",
        "Artikel;Merkmal;Grenzwert;Einheit\nSP-1;Ebenheit;0,6;µm\nSP-1;Rauheit Ra;0,05;µm\n",
        "Référence;Caractéristique;Limite;Unité\nSP-1;planéité;0,6;µm\nSP-1;rugosité;0,05;µm\n",
    ],
)
def test_limits_are_taken_in_the_words_that_logs_have_for_them(tmp_path, csv):
    store, limits = tmp_path / "lapcell.db", tmp_path / "limits.csv"
    (tmp_path / "lapcell.toml").write_text("", encoding="utf-8")
    limits.write_text(csv, encoding="utf-8")
    assert run(store, "parts", "take", str(limits), "--who", "QE").exit_code == 0
    found = {one["characteristic"]: one for one in told(store, "parts")["limits"]}
    assert {name: one["upper_um"] for name, one in found.items()} == {"flatness": 0.6, "finish": 0.05}
    assert {one["lower_text"] for one in found.values()} == {""}  # a unit alone says nothing of a lower side
    assert told(store, "parts", "set", "SP-1", "Planheit", "1 um", "--who", "QE")["characteristic"] == "flatness"


def test_a_limit_set_again_says_that_nothing_changed(tmp_path):
    store = tmp_path / "lapcell.db"
    (tmp_path / "lapcell.toml").write_text("", encoding="utf-8")
    two = ("parts", "set", "SP-1", "flatness", "2 bands", "--lamp", "helium", "--who", "QE")
    assert run(store, *two).output == "SP-1: flatness at most 2 bands, 0.58756 um.\n"
    again = run(store, *two)
    assert again.exit_code == 0
    assert again.output.endswith("0.58756 um, as revision 1 says already: nothing changed.\n")
    assert len(told(store, "parts", "list", "--all")["limits"]) == 1
    other = run(store, "parts", "set", "SP-2", "flatness", "none", "--who", "QE")
    assert other.exit_code == 3 and "must have a limit of flatness to take back, 'SP-2' has none" in other.output
