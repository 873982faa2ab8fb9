import re
from pathlib import Path

import pytest

from dashboard.theme import DARK, LIGHT, look_for, rules, state_mark, stylesheet
from spc.board.results import STATES


def luminance(colour):
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(first, second):
    """WCAG 2.1, relative luminance and contrast ratio."""
    high, low = sorted((luminance(first), luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
def test_text_contrast(look):
    for ground in (look.paper, look.panel):
        assert contrast(look.ink, ground) >= 7  # WCAG 2.1 criterion 1.4.6
        assert contrast(look.quiet, ground) >= 4.5  # WCAG 2.1 criterion 1.4.3
    assert contrast(look.now, look.paper) >= 3  # WCAG 2.1 criterion 1.4.11: graphical objects
    assert contrast(look.ring, look.paper) >= 3


def test_every_state_has_its_own_shape_in_the_stylesheet():
    css = stylesheet(LIGHT, wall=False)
    shapes = {line.split("{")[1] for line in css.splitlines() if line.startswith(".lc-mark-")}
    assert len(shapes) == len(STATES)
    assert all(
        f"lc-mark-{state}" in state_mark(state) and 'aria-hidden="true"' in state_mark(state) for state in STATES
    )


def test_the_stylesheet_names_nothing_that_no_page_writes():
    css = rules("screen") + stylesheet(LIGHT, wall=True)
    assert set(re.findall(r"(--lc-[a-z-]+):", css)) <= set(re.findall(r"var\((--lc-[a-z-]+)\)", css))
    pages = "".join(path.read_text() for path in (Path(__file__).parents[2] / "dashboard").rglob("*.py"))
    made = {f"lc-{kind}-{state}" for kind in ("is", "mark") for state in STATES}
    made |= {f"lc-{kind}" for kind in re.findall(r'kind="([a-z]+)"', pages)} | set(
        re.findall(r"lc-[a-z-]*[a-z]", pages)
    )
    assert set(re.findall(r"\.(lc-[a-z-]+)", css)) <= made


def test_the_wall_adds_its_rules_and_larger_type():
    assert len(stylesheet(LIGHT, wall=True)) > len(stylesheet(LIGHT, wall=False))
    assert look_for("dark", scale=1.5).scale == 1.5 and look_for(None).mode == "light"
