"""Every figure that a test of the pictures draws is judged by its contrast, in the colours it was drawn in."""

import re

import plotly.graph_objects as go
import pytest

from dashboard.charts.style import clear
from dashboard.theme import DARK, LIGHT
from tests.dashboard.test_theme import contrast

CONTEXT = {"past cycles"}  # drawn pale beside what is read off: their usual wear has its own line and edges
AHEAD = {"forecast, middle", "faces left"}  # begin at the newest reading, and cross none
EDGE = "edge of: "  # what lies under a line over readings, in the colour of the paper
TOP_ROW = ("bar", "bar_ink")


@pytest.fixture(autouse=True)
def figures_have_contrast(monkeypatch):
    drawn = []
    made = go.Figure.__init__

    def note(self, *args, **kwargs):
        made(self, *args, **kwargs)
        drawn.append(self)

    monkeypatch.setattr(go.Figure, "__init__", note)
    yield
    assert [fault for figure in drawn for judge in (too_pale, lost_over_readings) for fault in judge(figure)] == []


def too_pale(figure):
    """Texts under 4.5 to 1 and marks under 3 to 1 against the paper, in both modes: WCAG 2.1, 1.4.3 and 1.4.11."""
    plain = figure.to_plotly_json()
    own = plain["layout"].get("font", {}).get("color")
    look = next((look for look in (LIGHT, DARK) if look.ink == own), None)
    if look is None:  # a piece of a figure
        return
    for shown in (LIGHT, DARK):
        for what, colour in texts(plain, own):
            if on(colour, look, shown) < 4.5:
                yield f"{what}: text {colour} in the {shown.mode}"
        for trace in plain["data"]:
            seen = [colour for colour in marks(trace) if on(colour, look, shown) >= 3]
            context = trace.get("name") in CONTEXT or (trace.get("name") or "").startswith(EDGE)
            if not context and not seen:
                yield f"{trace.get('name')}: {sorted(set(marks(trace)))} in the {shown.mode}"


def lost_over_readings(figure):
    """Lines that cross upright bars, and stand out from neither by 3 to 1 nor from an edge of paper of their own."""
    plain = figure.to_plotly_json()
    look = next((look for look in (LIGHT, DARK) if look.ink == plain["layout"].get("font", {}).get("color")), None)
    data = plain["data"] if look else ()
    bars = [trace for trace in data if trace["type"] == "bar" and trace.get("orientation") != "h"]
    over = any(trace["marker"]["color"] in (LIGHT.now, DARK.now) for trace in bars)
    before = {}
    for trace in data:
        line, name = trace.get("line", {}), trace.get("name") or ""
        crosses = trace.get("mode") == "lines" and not trace.get("fill") and trace.get("yaxis", "y") == "y"
        if over and crosses and name not in CONTEXT | AHEAD and not name.startswith(EDGE):
            under = before.get("line", {})
            edged = before.get("name") == EDGE + name and under["color"] == look.paper
            edged = edged and under["width"] >= line["width"] + 3 and under.get("dash") == line.get("dash")
            if not edged and any(on_bars(line["color"], look, shown) < 3 for shown in (LIGHT, DARK)):
                yield f"{name}: {line['color']} over readings"
        before = trace


def on_bars(colour, drawn, shown):
    alike = [name for name in drawn.__slots__ if getattr(drawn, name) == colour and name not in ("mode", *TOP_ROW)]
    return max(contrast(getattr(shown, name), shown.now) for name in alike)


def on(colour, drawn, shown):
    """Contrast with the paper of a mode of a colour drawn in one, which may be clear in part.

    In the other mode it is the colour of the same name: where two share it in the one, that which stands out more.
    """
    opacity = 1.0 if colour.startswith("#") else float(re.findall(r"[\d.]+", colour)[3])
    names = [name for name in drawn.__slots__ if name not in ("mode", "scale", *TOP_ROW)]
    alike = [name for name in names if colour in (getattr(drawn, name), clear(getattr(drawn, name), opacity))]
    assert alike, f"{colour} is no colour of the {drawn.mode} look"
    return max(contrast(laid(getattr(shown, name), opacity, shown.paper), shown.paper) for name in alike)


def laid(colour, opacity, paper):
    parts = [(int(colour[at : at + 2], 16), int(paper[at : at + 2], 16)) for at in (1, 3, 5)]
    return "#" + "".join(f"{round(over * opacity + under * (1 - opacity)):02X}" for over, under in parts)


def texts(plain, own):
    for name, axis in plain["layout"].items():
        if re.fullmatch(r"[xy]axis\d*", name):
            yield name, axis.get("tickfont", {}).get("color", own)
            yield name, axis.get("title", {}).get("font", {}).get("color", own)
    for note in plain["layout"].get("annotations", ()):
        yield note["text"], note.get("font", {}).get("color", own)
    for trace in plain["data"]:
        if trace.get("text") is not None and "text" in trace.get("mode", ""):
            yield trace.get("name"), trace.get("textfont", {}).get("color", own)


def marks(trace):
    """The colours that a trace is seen by: of its lines, its marks and their outlines; one that is seen is enough."""
    line, marker = trace.get("line", {}), trace.get("marker", {})
    edge = marker.get("line", {})
    found = []
    if "lines" in trace.get("mode", "") and line.get("width", 2):
        found.append(line.get("color"))
    if trace["type"] == "bar" or "markers" in trace.get("mode", ""):
        found.append(marker.get("color"))
        found += [edge.get("color")] if edge.get("width", 0) else []
    flat = [colour for one in found for colour in (one if isinstance(one, list | tuple) else [one])]
    return [colour for colour in flat if isinstance(colour, str) and not colour.endswith(",0.0)")]
