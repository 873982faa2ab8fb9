"""Spreads and repeat readings as drawn: intervals as bars, one bar per reading, nobody named."""

import math

import numpy as np
import pandas as pd
import pytest

from dashboard.charts.spread import ShownSpread, repeats_figure, spread_figure, spread_table
from dashboard.charts.thin import MOST_MARKS
from dashboard.theme import LIGHT
from dashboard.units import MICROMETRE, display_unit

SPREADS = [
    ShownSpread("lap", 0.1, 0.05, 0.3),
    ShownSpread("<b>grit</b>", 0.0, 0.0, 0.2),
    ShownSpread("x", 0.4, math.nan, math.nan),
]


def test_each_interval_is_a_bar_and_the_estimate_a_stroke():
    figure = spread_figure(SPREADS, LIGHT, display_unit("uin"), x_title="standard deviation")
    bars, strokes = figure.data
    assert list(bars.base) == pytest.approx([0.05 / 0.0254, 0.0]) and list(bars.x) == pytest.approx(
        [0.25 / 0.0254, 0.2 / 0.0254]
    )
    assert list(strokes.x) == pytest.approx([0.1 / 0.0254, 0.0, 0.4 / 0.0254])
    assert figure.layout.xaxis.title.text == "standard deviation, µin"
    assert "&lt;b&gt;grit&lt;/b&gt;" in figure.layout.yaxis.ticktext


def test_the_table_says_the_same():
    assert spread_table(SPREADS, MICROMETRE)["at most"].tolist()[:2] == [0.3, 0.2]


def test_every_repeat_reading_is_a_bar_of_its_face():
    readings = pd.DataFrame({"face": [2, 1, 1], "low_um": [0.2, 0.1, 0.3], "high_um": [0.3, 0.2, 0.4]})
    bars = repeats_figure(readings, LIGHT, MICROMETRE, what="flatness").data[0]
    assert list(bars.base) == [0.1, 0.3, 0.2] and np.round(bars.x).tolist() == [1, 1, 2]
    assert bars.customdata[2] == "face 2: 0.2 to 0.3 µm"


def test_a_large_study_keeps_to_the_marks_a_picture_may_have():
    many = pd.DataFrame({"face": np.repeat(np.arange(1, 4001), 2), "low_um": 0.1, "high_um": 0.2})
    assert sum(len(trace.x) for trace in repeats_figure(many, LIGHT, MICROMETRE, what="flatness").data) <= MOST_MARKS
