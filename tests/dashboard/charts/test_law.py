import numpy as np

from dashboard.charts.law import law_figure
from dashboard.theme import LIGHT
from dashboard.units import MICROMETRE, display_unit
from spc.model.interval_fit import fit_intervals

LOW = np.array([0.0, 0.1, 0.1, 0.2, 0.2, 0.2, 0.3, 0.4])
HIGH = LOW + 0.1


def draw(high=HIGH, unit=MICROMETRE, limit=0.6):
    fit = fit_intervals(LOW, high, family="gamma")
    return law_figure(LOW, high, fit, limit, LIGHT, unit, what="flatness"), fit


def test_the_band_holds_the_sure_and_the_possible_share():
    figure, _ = draw()
    band = figure.data[0]
    half = len(band.x) // 2
    at = int(np.searchsorted(np.asarray(band.x[:half]), 0.25))
    possible = band.y[at]
    sure = band.y[len(band.y) - 1 - at]
    assert possible == 100 * np.mean(LOW <= band.x[at]) and sure == 100 * np.mean(HIGH <= band.x[at])


def test_the_law_is_drawn_over_the_limit_with_units():
    figure, fit = draw(unit=display_unit("uin"))
    law = figure.data[1]
    middle = len(law.x) // 2
    assert law.y[middle] == 100 * float(fit.cdf(law.x[middle] * 0.0254))
    assert figure.layout.xaxis.title.text == "flatness, µin"
    assert figure.layout.annotations[0].text == "<b>limit 23.6 µin</b>"  # 0.6 / 0.0254


def test_open_readings_never_count_as_surely_under():
    high = HIGH.copy()
    high[-1] = np.inf
    figure, _ = draw(high=high)
    assert max(figure.data[0].y[len(figure.data[0].y) // 2 :]) < 100


def test_without_a_limit_no_line_is_drawn():
    figure, _ = draw(limit=float("nan"))
    assert not figure.layout.annotations and [trace.name for trace in figure.data][-1].startswith("fitted law")


def test_a_reading_far_above_all_others_does_not_press_the_law_together():
    fit = fit_intervals(LOW, HIGH, family="gamma")
    low, high = np.append(LOW, 59.8), np.append(HIGH, 60.0)
    figure = law_figure(low, high, fit, 0.6, LIGHT, MICROMETRE, what="flatness")
    assert figure.layout.xaxis.range[1] < 5.0
    assert any("1 reading above this picture, up to 60 µm" in note.text for note in figure.layout.annotations)
    calm, _ = draw()
    assert not any("above" in note.text for note in calm.layout.annotations)
