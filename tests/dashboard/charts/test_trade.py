"""The trade of acceptance rules as drawn: the numbers are those of the rules, the chosen one is ringed."""

import math
from contextvars import copy_context

import numpy as np
import pytest

from dashboard.charts.trade import conformance_figure, trade_figure, trade_table
from dashboard.theme import DARK, LIGHT
from dashboard.units import MICROMETRE, display_unit
from dashboard.words import speak
from spc.capability.guard_band import acceptance_trade
from spc.model.interval_fit import choose_family
from spc.report.locale import LOCALES, TOLD


@pytest.fixture(scope="module")
def trade():
    middle = np.random.default_rng(5).gamma(4.0, 0.07, 400)
    low = np.maximum(0.0, np.round(middle / 0.147) * 0.147 - 0.0735)
    law = choose_family(low, low + 0.147).best
    return acceptance_trade(law, upper_um=0.588, step_um=0.147, reader_sd_um=0.07)


def traces(figure):
    return {trace.name: trace for trace in figure.data}


def test_each_line_holds_the_share_of_each_rule(trade):
    drawn = traces(trade_figure(trade, LIGHT, MICROMETRE))
    rules = [rule for rule in trade.rules if rule.accepted > 0]
    rejected = drawn["good faces rejected, of all good"]
    assert rejected.x == pytest.approx([rule.accept_um for rule in rules])
    assert rejected.y == pytest.approx([max(100 * rule.good_rejected, 0.01) for rule in rules])
    bad = drawn["bad among the accepted"]
    assert bad.y == pytest.approx([max(100 * rule.bad_among_accepted, 0.01) for rule in rules])


def test_the_chosen_rule_is_ringed_and_the_limit_drawn_in_the_shown_unit(trade):
    unit = display_unit("band-helium")
    figure = trade_figure(trade, DARK, unit)
    drawn = traces(figure)
    assert trade.chosen is not None
    assert drawn["the rule for a risk of 0.5%"].x[0] == pytest.approx(unit.from_um(trade.chosen.accept_um))
    assert drawn["limit"].x[0] == pytest.approx(0.588 / unit.um_per_unit)
    assert "bands" in figure.layout.xaxis.title.text and "%" in figure.layout.yaxis.title.text


def test_the_scale_has_the_readers_marks(trade):
    def german():
        speak(LOCALES["de"])
        return [text.replace(TOLD, "") for text in trade_figure(trade, LIGHT, MICROMETRE).layout.yaxis.ticktext]

    assert copy_context().run(german) == ["under 0,01", "0,1", "1", "10", "100"]


def test_the_table_names_the_chosen_rule_once(trade):
    table = trade_table(trade, MICROMETRE)
    assert table["rule"].tolist().count("chosen") == 1
    assert len(table) == sum(rule.accepted > 0 for rule in trade.rules)


def test_a_reading_the_law_cannot_give_has_no_bar():
    figure = conformance_figure([0.0, 0.147, 0.294], [1.0, 0.9, math.nan], 0.2, LIGHT, MICROMETRE)
    bar = figure.data[0]
    assert list(bar.text) == ["100", "90", ""] and bar.y[1] == pytest.approx(90)


def test_what_is_said_under_the_finger_has_its_unit_in_the_right_form(trade):
    unit = display_unit("band-helium")
    bar = conformance_figure([unit.um_per_unit, 1.5 * unit.um_per_unit], [1.0, 0.9], 0.5, LIGHT, unit).data[0]
    assert list(bar.customdata) == ["1 band", "1.5 bands"]
    said = traces(trade_figure(trade, LIGHT, unit))["bad among the accepted"].customdata
    assert all(text.startswith("accept up to ") and "lamp" not in text for text in said)
