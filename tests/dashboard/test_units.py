import pytest

from dashboard.units import display_unit


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
