from dashboard.charts.strip import strip_figure, strip_table
from dashboard.theme import LIGHT
from tests.dashboard.fixtures import cell, faces_left, lap


def test_the_neediest_lap_is_on_top_and_every_state_has_its_own_shape():
    laps = cell()
    figure = strip_figure(laps, LIGHT)
    names = dict(zip(figure.layout.yaxis.tickvals, figure.layout.yaxis.ticktext, strict=True))
    assert names[max(names)] == "CE-2"
    states = [trace for trace in figure.data if trace.type == "scatter" and trace.showlegend is not False]
    symbols = [trace.marker.symbol for trace in states]
    assert len(symbols) == len(set(symbols)) == len({lap.state for lap in laps})
    assert figure.layout.xaxis.title.text == "faces left"


def test_each_range_runs_from_its_fewest_to_its_most_faces():
    figure = strip_figure(cell(), LIGHT)
    (bars,) = [trace for trace in figure.data if trace.type == "bar"]
    spans = {(base, base + width) for base, width in zip(bars.base, bars.x, strict=True)}
    assert (6.0, 14.0) in spans and (35.0, 70.0) in spans
    notes = [note.text for note in figure.layout.annotations]
    assert "6 to 14" in notes and "likely at the limit" in notes
    assert any(note.startswith("no forecast") for note in notes)


def test_an_open_range_is_drawn_to_what_it_lasts_longer_than_and_an_arrow_goes_on_from_there():
    laps = (
        lap(lap="A", faces_left=faces_left(low=0.0, high=14.0)),
        lap(
            lap="B",
            faces_left=faces_left(low=47.0, high=None, horizon=189.0, sentence="47 to more than 189 faces left"),
        ),
        lap(lap="C", faces_left=faces_left(low=None, high=None, horizon=60.0, sentence="more than 60 faces left")),
    )
    figure = strip_figure(laps, LIGHT)
    (bars,) = [trace for trace in figure.data if trace.type == "bar"]
    assert [(base, base + width) for base, width in zip(bars.base, bars.x, strict=True)] == [
        (0, 14),
        (47, 189),
        (60, 60),
    ]
    arrows = [trace for trace in figure.data if trace.name == "goes on"]
    assert [trace.x[0] for trace in arrows] == [189.0, 60.0] and all(trace.x[1] > trace.x[0] for trace in arrows)
    assert max(tick.x[1] for tick in arrows) < figure.layout.xaxis.range[1]
    notes = {note.text: note.x for note in figure.layout.annotations}
    assert notes["more than 60"] == arrows[1].x[1]
    assert set(bars.marker.color) == {LIGHT.quiet}  # no colour of a state: the mark says that


def test_the_bar_of_a_lap_that_no_reading_tells_of_is_empty():
    laps = (lap(lap="K1"), lap(lap="K2", faces_left=faces_left(low=3.0, high=20.0, from_lives=True)))
    (bars,) = [trace for trace in strip_figure(laps, LIGHT).data if trace.type == "bar"]
    assert bars.marker.color == (LIGHT.quiet, LIGHT.paper) and bars.marker.line.color == LIGHT.ink


def test_laps_that_outlast_all_others_do_not_press_the_neediest_together():
    lasts = lap(lap="CU-9", state="cutting", faces_left=faces_left(low=5_000.0, high=None, horizon=9_000.0))
    figure = strip_figure((*cell(), lasts), LIGHT)
    assert figure.layout.xaxis.range[1] < 1_500
    (bars,) = [trace for trace in figure.data if trace.type == "bar"]
    assert bars.base[-1] + bars.x[-1] < 1_500  # to the edge, where an arrow says that it goes on


def test_a_lap_name_is_text():
    figure = strip_figure(cell(), LIGHT)
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in figure.layout.yaxis.ticktext


def test_an_empty_cell_draws_an_empty_strip():
    figure = strip_figure((), LIGHT)
    assert list(figure.layout.yaxis.range) == [-0.7, 0.7]
    assert strip_table(()).empty


def test_a_held_lap_has_no_bar_that_invites_to_go_on():
    held = lap(state="held")
    figure = strip_figure((held,), LIGHT)
    assert all(len(trace.x) == 0 for trace in figure.data if trace.type == "bar")
    assert [note.text for note in figure.layout.annotations] == ["none until answered"]
    assert strip_table((held,))["faces left"].tolist() == ["none until answered"]


def test_words_beside_a_bar_leave_out_what_the_axis_says_and_keep_the_part():
    laps = (lap(lap="A", faces_left=faces_left(sentence="47 to 116 faces left (SP-20)")),)
    assert [note.text for note in strip_figure(laps, LIGHT).layout.annotations] == ["47 to 116 (SP-20)"]
