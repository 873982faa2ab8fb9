"""The cycle picture, checked on the figure itself: what is drawn, what it says, and how little it draws."""

import math
from contextvars import copy_context
from dataclasses import replace

import numpy as np
import pytest

from dashboard.charts.cycle import cycle_figure, cycle_table
from dashboard.theme import DARK, LIGHT
from dashboard.units import MICROMETRE, display_unit
from dashboard.words import speak
from spc.report.locale import LOCALES
from tests.dashboard.fixtures import NO_ARRAY, REFUSED, faces_left, path, picture, signal


def traces(figure, name):
    return [trace for trace in figure.data if trace.name == name]


def texts(figure):
    return [note.text for note in figure.layout.annotations]


def marks(figure):
    return sum(len([value for value in trace.x if value is not None]) for trace in figure.data if trace.x is not None)


def test_axes_name_what_they_count_and_the_unit():
    figure = cycle_figure(picture(), faces_left(), LIGHT, MICROMETRE)
    assert figure.layout.xaxis.title.text == "faces since reconditioning"
    assert figure.layout.yaxis.title.text == "flatness, µm"
    figure = cycle_figure(picture(), faces_left(), DARK, display_unit("band-helium"))
    assert figure.layout.yaxis.title.text == "flatness, bands, helium lamp"


def test_each_reading_is_a_bar_over_its_interval():
    now = path(20)
    figure = cycle_figure(picture(now=now, signals=()), faces_left(), LIGHT, MICROMETRE)
    (bars,) = traces(figure, "this cycle")
    assert bars.type == "bar"
    np.testing.assert_allclose(np.asarray(bars.base, dtype=float), now.low_um)
    np.testing.assert_allclose(np.add(np.asarray(bars.base, dtype=float), bars.y), now.high_um)
    assert now.text[3] in bars.customdata[3] and "as typed" in bars.customdata[3]


def test_lengths_are_converted_for_display_only():
    uin = display_unit("uin")
    now = path(20)
    (bars,) = traces(cycle_figure(picture(now=now, signals=()), faces_left(), LIGHT, uin), "this cycle")
    np.testing.assert_allclose(np.asarray(bars.base, dtype=float), now.low_um / 0.0254)  # 1 uin = 0.0254 um exactly


def test_an_open_reading_fades_to_the_top_and_ends_in_an_arrow():
    now = path(34)
    assert math.isinf(now.high_um[-1])
    drawn = traces(cycle_figure(picture(now=now), faces_left(), LIGHT, MICROMETRE), "this cycle")
    arrow = [trace for trace in drawn if trace.type == "scatter"]
    assert len(arrow) == 1 and arrow[0].marker.symbol == "triangle-up" and list(arrow[0].x) == [34.0]
    assert all(np.isfinite(trace.y).all() for trace in drawn)


def test_an_exact_reading_is_still_seen():
    now = replace(path(3), low_um=np.array([0.2, 0.3, 0.4]), high_um=np.array([0.2, 0.3, 0.4]))
    drawn = traces(cycle_figure(picture(now=now, signals=()), faces_left(), LIGHT, MICROMETRE), "this cycle")
    assert [trace.marker.symbol for trace in drawn] == ["line-ew"] and len(drawn[0].x) == 3


def test_readings_of_a_room_that_had_moved_are_drawn_hollow_and_named():
    aside = np.arange(12) >= 8
    figure = cycle_figure(picture(now=replace(path(12), aside=aside), signals=()), faces_left(), LIGHT, MICROMETRE)
    (counted,), (hollow,) = traces(figure, "this cycle"), traces(figure, "set aside: the room had moved")
    assert [len(trace.x) for trace in (counted, hollow)] == [8, 4]
    assert hollow.marker.color.endswith(",0.0)") and hollow.marker.line.width > 0
    assert all("set aside" in text for text in hollow.customdata) and "set aside" not in "".join(counted.customdata)
    table = cycle_table(picture(now=replace(path(12), aside=aside), signals=()), MICROMETRE)
    assert table["signal"].tolist() == ["set aside: the room had moved"] * 4 + [""] * 8
    mixed = replace(
        path(40), aside=np.ones(40, dtype=bool), high_um=np.where(np.arange(40) < 9, path(40).low_um, np.inf)
    )
    for trace in traces(
        cycle_figure(picture(now=mixed), faces_left(), LIGHT, MICROMETRE), "set aside: the room had moved"
    ):
        assert "rgba(" in str(trace.marker.color) and LIGHT.now not in str(trace.marker)
    assert not traces(cycle_figure(picture(), faces_left(), LIGHT, MICROMETRE), "set aside: the room had moved")


def test_the_limit_is_written_in_the_readers_marks_and_the_part_as_it_is():
    def german():
        speak(LOCALES["de"])
        return texts(cycle_figure(picture(limit_text="0.588 um (P 1.5)"), faces_left(), LIGHT, MICROMETRE))

    assert "<b>0,588\u00a0µm (P 1.5)</b>" in copy_context().run(german)


def test_limit_and_faces_left_stand_on_the_picture_in_words():
    figure = cycle_figure(picture(), faces_left(), LIGHT, MICROMETRE)
    assert any("limit 0.6 µm, seal plate, revision 2" in text for text in texts(figure))
    assert any("6 to 14 faces left" in text for text in texts(figure))
    (bracket,) = traces(figure, "faces left")
    assert list(bracket.x) == [34 + 6, 34 + 14]  # on the axis, counted from the last face


def test_faces_left_that_end_with_the_picture_are_written_towards_its_inside():
    """Text set about the middle of such a bracket would leave a narrow picture."""
    figure = cycle_figure(picture(), faces_left(low=40.0, high=None, horizon=60.0), LIGHT, MICROMETRE)
    (said,) = [a for a in figure.layout.annotations if "faces left" in a.text]
    (bracket,) = traces(figure, "faces left")
    assert said.xanchor == "right" and said.x == max(bracket.x) == figure.layout.xaxis.range[1]


def test_signals_are_ringed_with_their_reason_beside_them():
    figure = cycle_figure(picture(), faces_left(), LIGHT, MICROMETRE)
    (rings,) = traces(figure, "signals")
    assert sorted(rings.x) == [20.0, 31.0]
    assert "drifting average beyond its limit" in texts(figure)
    assert "the shape turned from convex to concave" in texts(figure)


def test_two_signals_at_one_face_share_a_ring():
    both = (signal(), signal(rule="one face beyond its chart limit"))
    figure = cycle_figure(picture(signals=both), faces_left(), LIGHT, MICROMETRE)
    (rings,) = traces(figure, "signals")
    assert len(rings.x) == 1
    assert "drifting average beyond its limit<br>one face beyond its chart limit" in texts(figure)


def test_a_signal_without_a_length_rings_its_face():
    minutes = signal(sign="minutes", rule="minutes per face above its own", value_um=math.nan, face_id=5, age_faces=5.0)
    (rings,) = traces(cycle_figure(picture(signals=(minutes,)), faces_left(), LIGHT, MICROMETRE), "signals")
    assert list(rings.x) == [5.0]


def test_typed_text_cannot_become_markup():
    now = replace(path(3), text=("<b>1</b>", "2", "3"), hover=("<script>", "", ""))
    (bars,) = traces(cycle_figure(picture(now=now, signals=()), faces_left(), LIGHT, MICROMETRE), "this cycle")
    assert "<script>" not in bars.customdata[0] and "&lt;b&gt;1&lt;/b&gt;" in bars.customdata[0]


@pytest.mark.parametrize("faces", [0, 1])
def test_empty_and_one_face_still_draw(faces):
    thin = picture(
        faces=0, cycles=0, now=path(faces), fan=None, signals=(), limit_um=math.nan, limit_text="", axis_note=""
    )
    figure = cycle_figure(thin, REFUSED, LIGHT, MICROMETRE)
    assert np.isfinite(figure.layout.xaxis.range).all() and np.isfinite(figure.layout.yaxis.range).all()
    assert not traces(figure, "limit") and not traces(figure, "faces left") and not traces(figure, "signals")


def test_past_without_a_band_draws_no_band():
    bare = picture(band_age_faces=NO_ARRAY, band_low_um=NO_ARRAY, band_centre_um=NO_ARRAY, band_high_um=NO_ARRAY)
    assert not traces(cycle_figure(bare, faces_left(), LIGHT, MICROMETRE), "usual wear")


def test_a_long_history_is_thinned_and_every_signal_is_kept():
    long = path(9_000)
    early = tuple(signal(face_id=face, age_faces=float(face), value_um=0.4) for face in (17, 4_321, 8_999))
    crowd = picture(now=long, past=tuple(path(3_000, seed=n) for n in range(12)), signals=early)
    figure = cycle_figure(crowd, faces_left(), LIGHT, MICROMETRE)
    assert marks(figure) <= 5_000
    drawn = {x for trace in traces(figure, "this cycle") for x in trace.x}
    assert {17.0, 4_321.0, 8_999.0} <= drawn


def test_the_table_says_the_same_last_face_first():
    table = cycle_table(picture(), MICROMETRE)
    assert len(table) == 34 and table.iloc[0]["faces since reconditioning"] == 34
    assert table.loc[table["faces since reconditioning"] == 31, "signal"].item() == "drifting average beyond its limit"
    assert math.isnan(table.iloc[0]["to, µm"])


def test_a_reading_far_above_all_others_is_told_at_the_edge_and_presses_nothing_together():
    now = path(20)
    far = replace(now, low_um=np.append(now.low_um[:-1], 360.0), high_um=np.append(now.high_um[:-1], 362.0))
    usual = cycle_figure(picture(now=now, signals=()), faces_left(), LIGHT, MICROMETRE)
    figure = cycle_figure(picture(now=far, signals=()), faces_left(), LIGHT, MICROMETRE)
    assert figure.layout.yaxis.range[1] < 6 * usual.layout.yaxis.range[1]
    (edge,) = traces(figure, "above the picture")
    assert list(edge.x) == [20.0] and edge.y[0] < figure.layout.yaxis.range[1] and edge.text == ("<b>361 µm</b>",)
    (bars,) = [trace for trace in traces(figure, "this cycle") if trace.type == "bar"]
    assert len(bars.x) == 19
    ring = cycle_figure(
        picture(now=far, signals=(signal(value_um=360.0, face_id=20),)), faces_left(), LIGHT, MICROMETRE
    )
    assert traces(ring, "signals")[0].y[0] < ring.layout.yaxis.range[1]
    assert "drifting average beyond its limit, at 360 µm" in texts(ring)
    assert traces(ring, "above the picture")[0].text == ("",)


def test_a_ring_for_another_sign_than_that_of_the_axis_names_it():
    minutes = signal(sign="minutes", rule="one face beyond its chart limit", value_um=math.nan, face_id=5)
    figure = cycle_figure(picture(signals=(minutes,)), faces_left(), LIGHT, MICROMETRE)
    assert "minutes: one face beyond its chart limit" in texts(figure)
    figure = cycle_figure(picture(signals=(replace(minutes, sign="flatness"),)), faces_left(), LIGHT, MICROMETRE)
    assert "one face beyond its chart limit" in texts(figure)


def test_readings_of_a_fine_instrument_are_still_seen_in_past_cycles_and_hollow_where_set_aside():
    fine = replace(path(12), low_um=np.full(12, 0.3), high_um=np.full(12, 0.301), aside=np.arange(12) >= 8)
    past = replace(fine, label="cycle 1", aside=np.zeros(12, dtype=bool))
    figure = cycle_figure(picture(now=fine, past=(past,), signals=()), faces_left(), LIGHT, MICROMETRE)
    top = figure.layout.yaxis.range[1]
    (strokes,) = traces(figure, "past cycles")
    assert strokes.y[1] - strokes.y[0] > 0.01 * top
    (hollow,) = traces(figure, "set aside: the room had moved")
    assert hollow.type == "scatter" and hollow.marker.symbol == "diamond-open" and len(hollow.x) == 4


def test_beside_a_hold_the_axis_ends_with_the_readings():
    held = cycle_figure(picture(fan=None, axis_note=""), faces_left(high=300.0), LIGHT, MICROMETRE)
    assert held.layout.xaxis.range[1] < 100
    assert cycle_figure(picture(), faces_left(high=300.0), LIGHT, MICROMETRE).layout.xaxis.range[1] > 300
