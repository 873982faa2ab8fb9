"""The control picture, from a replay of frozen limits over an invented stream that shifts at the end."""

from dataclasses import replace

import numpy as np
import pytest

from dashboard.charts.control import axis_words, control_figure, control_table, sign_words
from dashboard.theme import LIGHT
from dashboard.units import MICROMETRE, display_unit
from spc.chart.baseline import RulesInUse, analyse
from spc.chart.replay import BEYOND, DRIFTING, Revision, replay
from spc.chart.stream import Stream

RULES = RulesInUse(0.0027, 0.2, 1.0, 370.0, 40.0, 6.0)
STEP = 0.147


def stream(faces, *, shift_from=None, seed=4):
    rng = np.random.default_rng(seed)
    value = rng.gamma(9.0, 0.05, faces)
    if shift_from is not None:
        value[shift_from:] *= 2.2
    middle = np.maximum(np.round(value / STEP), 1) * STEP
    texts = np.array([f"4 March {n // 60:02d}:{n % 60:02d}" for n in range(faces)], dtype=object)
    return Stream(
        lap="CI-1",
        sign="flatness",
        face_id=np.arange(1, faces + 1),
        sort_us=np.arange(faces, dtype=np.int64) * 60_000_000,
        low=middle - STEP / 2,
        high=middle + STEP / 2,
        part=np.array(["plate"] * faces, dtype=object),
        age_faces=np.arange(1.0, faces + 1),
        cycle=np.ones(faces, dtype=np.int64),
        grit=np.array(["9 um"] * faces, dtype=object),
        fresh=np.zeros(faces, dtype=bool),
        time_text=texts,
        flatness_low_um=middle - STEP / 2,
        flatness_high_um=middle + STEP / 2,
        left_out=(),
        running_cycle=1,
    )


@pytest.fixture(scope="module")
def replayed():
    model = analyse(stream(60), RULES).model
    revisions = (Revision(1, 0, model), Revision(2, 90 * 60_000_000, model))
    return replay(stream(120, shift_from=110), revisions)


def traces(figure, name):
    return [trace for trace in figure.data if trace.name == name]


def test_axes_carry_units(replayed):
    figure = control_figure(replayed, LIGHT, MICROMETRE)
    assert figure.layout.xaxis.title.text == "faces charted, oldest to newest"
    assert figure.layout.yaxis.title.text == "flatness at first pass, µm"
    assert "usual spreads" in figure.layout.yaxis2.title.text
    assert axis_words("minutes", MICROMETRE) == ("lapping time at first pass, minutes", 1.0)
    assert axis_words("removal rate", display_unit("uin"))[0].endswith("µin per minute")
    assert axis_words("removal rate", MICROMETRE, "pressure")[0].endswith("µm per minute per N/mm2")


def test_a_limit_is_said_with_the_unit_of_its_sign_not_with_the_lamp_alone():
    bands = display_unit("band-helium")
    assert sign_words("flatness", bands.um_per_unit, bands) == "1 band"
    assert sign_words("removal rate", 1.5 * bands.um_per_unit, bands) == "1.5 bands per minute"
    assert sign_words("removal rate", 20.0, MICROMETRE, "pressure and speed") == "20 µm per minute per N/mm2 and m/s"
    assert sign_words("minutes", 24.7, bands) == "24.7 minutes"
    assert sign_words("finish", 0.03, bands) == "0.03 µm"
    assert sign_words("flatness", 0.254, display_unit("uin")) == "10 µin"


def test_readings_are_bars_and_limits_step_with_the_revision(replayed):
    figure = control_figure(replayed, LIGHT, MICROMETRE)
    (bars,) = traces(figure, "reading")
    np.testing.assert_allclose(np.asarray(bars.base, dtype=float), replayed.stream.low)
    (limit,) = traces(figure, "chart limit")
    np.testing.assert_allclose(limit.y, replayed.limit)
    texts = [note.text for note in figure.layout.annotations]
    assert "limits revision 1" in texts and "limits revision 2" in texts


def test_hover_shows_the_reading_as_typed(replayed):
    face = int(replayed.stream.face_id[3])
    (bars,) = traces(control_figure(replayed, LIGHT, MICROMETRE, typed={face: "<1 1/2"}), "reading")
    said = [text for text in bars.customdata if "as typed" in text]
    assert len(said) == 1 and said[0].startswith("<b>&lt;1 1/2</b> as typed, ")


def test_signals_are_ringed_and_named(replayed):
    assert replayed.beyond.any() or replayed.drifting.any()
    figure = control_figure(replayed, LIGHT, MICROMETRE)
    for rule, where in ((BEYOND, replayed.beyond), (DRIFTING, replayed.drifting)):
        rings = traces(figure, rule)
        assert len(rings) == int(where.any())
        if rings:
            np.testing.assert_array_equal(np.asarray(rings[0].x), np.flatnonzero(where) + 1.0)
            assert rule in [note.text for note in figure.layout.annotations]


def test_words_of_a_rule_never_lie_over_one_another(replayed):
    beyond = np.zeros(len(replayed.stream), dtype=bool)
    beyond[[5, 100, 104, 110, 118]] = True
    figure = control_figure(replace(replayed, beyond=beyond), LIGHT, MICROMETRE)
    assert len(traces(figure, BEYOND)[0].x) == 5  # every one is ringed
    assert sorted(note.x for note in figure.layout.annotations if note.text == BEYOND) == [6.0, 119.0]


def test_a_long_stream_is_thinned_and_keeps_its_signals():
    model = analyse(stream(60), RULES).model
    long = replay(stream(20_000, shift_from=19_900), (Revision(1, 0, model),))
    figure = control_figure(long, LIGHT, MICROMETRE)
    assert sum(len(trace.x) for trace in figure.data) <= 5_000
    (bars,) = traces(figure, "reading")
    assert set(np.flatnonzero(long.beyond) + 1.0) <= set(np.asarray(bars.x, dtype=float))


def test_readings_without_limits_are_drawn_without_a_limit_line():
    bare = replay(stream(3), ())
    figure = control_figure(bare, LIGHT, MICROMETRE)
    assert not traces(figure, "chart limit") and len(traces(figure, "reading")[0].x) == 3
    assert np.isfinite(figure.layout.yaxis.range).all()


def test_the_table_is_newest_first_with_the_rule_in_words(replayed):
    table = control_table(replayed, MICROMETRE)
    assert table.iloc[0]["when"] == replayed.stream.time_text[-1]
    assert {"from, µm", "to, µm", "chart limit, µm"} < set(table)
    said = set(table["signal"]) - {""}
    assert said and all(BEYOND in words or DRIFTING in words for words in said)


def far_from_the_others(replayed, *, low, high):
    """The same chart, its fifth reading far above all others and beyond its limit."""
    lows, highs, beyond = replayed.stream.low.copy(), replayed.stream.high.copy(), replayed.beyond.copy()
    lows[4], highs[4], beyond[4] = low, high, True
    return replace(replayed, stream=replace(replayed.stream, low=lows, high=highs), beyond=beyond)


@pytest.mark.parametrize(("high", "words"), [(362.0, "361 µm"), (np.inf, "360 µm or more")])
def test_a_reading_far_above_all_others_is_told_at_the_edge_and_presses_nothing_together(replayed, high, words):
    usual = control_figure(replayed, LIGHT, MICROMETRE)
    figure = control_figure(far_from_the_others(replayed, low=360.0, high=high), LIGHT, MICROMETRE)
    top = figure.layout.yaxis.range[1]
    assert top < 6 * usual.layout.yaxis.range[1]
    (edge,) = traces(figure, "above the picture")
    assert list(edge.x) == [5.0] and edge.y[0] < top and edge.text[0].strip("</b>\u2002") == words
    (bars,) = [trace for trace in traces(figure, "reading") if trace.type == "bar"]
    assert 5.0 not in list(bars.x) and len(bars.x) == len(replayed.stream) - 1
    ring = traces(figure, BEYOND)[0]
    assert ring.x[0] == 5.0 and ring.y[0] == edge.y[0]
    assert all(note.y <= top for note in figure.layout.annotations if note.yref != "y2")
