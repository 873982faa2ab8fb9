from spc.log.name_list import name_list


def test_names_are_told_in_a_row_and_one_that_could_be_two_is_marked():
    assert [name_list(names) for names in ("", "A", "AB", "ABC")] == ["", "A", "A and B", "A, B and C"]
    assert name_list(["A", "B, old", "salt and pepper"]) == 'A, "B, old" and "salt and pepper"'
    assert name_list(["A", "brandy"], more="3 more laps") == "A, brandy and 3 more laps"
