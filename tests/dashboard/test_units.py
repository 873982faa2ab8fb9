import pytest

from dashboard.units import display_unit


def test_a_length_that_a_sentence_rounds_is_rounded_once_in_another_unit():
    told = "Accept readings up to 0.441 um: fine (limit 0.588 um)."
    exact_um = (1.5 * 0.29378, 2 * 0.29378)
    uin = display_unit("uin")
    assert uin.said(told, exactly_um=exact_um) == "Accept readings up to 17.3 uin: fine (limit 23.1 uin)."  # not 17.4
    assert display_unit("um").said(told, exactly_um=exact_um) == told


@pytest.mark.parametrize(
    ("unit", "written", "said"),
    [
        ("band-helium", "1", "1 band"),
        ("band-sodium", "1.5", "1.5 bands"),
        ("band-helium", "0.9 to 1", "0.9 to 1 bands"),
        ("um", "1", "1 µm"),
        ("uin", "12", "12 µin"),
    ],
)
def test_a_number_is_written_with_the_unit_in_its_right_form(unit, written, said):
    assert display_unit(unit).named(written) == said
