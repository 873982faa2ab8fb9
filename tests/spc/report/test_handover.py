import io
import json
from dataclasses import replace
from datetime import datetime
from types import SimpleNamespace

import pandas as pd
import pypdf
import pytest

from spc.board.results import CANNOT_WAIT, FacesLeft, LapReport, ShiftReport
from spc.board.safety import DEFERENCE, cautions_for, urges_speed
from spc.report.handover_content import handover_content, handover_of
from spc.report.made import Made
from spc.report.render import FORMATS, render

LEFT = FacesLeft("range", 6, 9, 14, 200, "faces", 0.9, "path", "6 to 14 faces left", 20, 4)


def lap(name, state, sentence, **more):
    report = LapReport(
        lap=name, material="cast iron", kind="hand lap", grit="9 um", state=state, next_step="", sentence=sentence,
        reasons=(),
        faces_left=LEFT, next_break="end of the late shift, 22:00", confidence="", lead_sign="flatness", signals=(),
        causes=(), safety=(), picture=None, age_faces=20, age_minutes=200.0,
        last_time_text="2026-03-04 13:55", last_part="PN-7", data_health=(),
    )  # fmt: skip
    return replace(report, **more)


def shift(*laps, **more):
    report = ShiftReport(
        as_of_text="Wednesday 4 March 2026, 14:00", shift_text="early shift of 4 March",
        sentence="K1 held for a person.",
        laps=laps, room=None, room_before=None, changed=("K2 was recharged by Bo.",),
        holds=tuple(r.sentence for r in laps if r.state == "held"),
        faces_this_shift=40, relaps_this_shift=2, relap_share_low=0.01, relap_share_high=0.17,
        pace=("PN-7: 9.0 min a face over 40, usually 8.0",), go_look=(), go_look_sentence="",
        false_calls="At most one false call a week.", newest_face_text="2026-03-04 13:55", stale="",
    )  # fmt: skip
    return replace(report, **more)


def page(report):
    made = Made(at=datetime(2026, 3, 4, 14), by="A. Lead", site="Invented site", software="lapcell test")
    return handover_content(report, made, limits="register of limits, revision 3", charts="trial limits")


def words(content):
    return render(content, "html").decode().split("<main>")[1]


HELD = lap("K1", "held", "Stop. Nothing more on K1 until a person has looked.", safety=cautions_for(["wash"]))
DUE = lap("K2", "due", "Recondition K2 at the next break.", safety=cautions_for(["recondition"]))
FINE = lap("K3", "cutting", "K3 wears as usual.")


@pytest.mark.parametrize(
    ("frozen", "said"),
    [
        ((), "trial limits"),
        (("K1",), "1 chart by frozen limits, the others by trial limits"),
        (("K1", "K2", "K2"), "2 charts by frozen limits, the others by trial limits"),
    ],
)
def test_how_many_charts_stand_on_frozen_limits_is_said(frozen, said):
    baselines = tuple(SimpleNamespace(lap=name, sign="minutes") for name in frozen)
    store = SimpleNamespace(limits=lambda: pd.DataFrame({"revision": []}), baselines=lambda: baselines)
    made = Made(at=datetime(2026, 3, 4, 14), by="A. Lead", site="Invented site", software="lapcell test")
    told = words(handover_of(store, shift(FINE), made))
    assert said in told and "no limit in the register" in told


def test_a_hold_stands_first_and_nothing_beside_it_urges_speed():
    text = words(page(shift(HELD, DUE, FINE, changed=("Hurry: 12 faces wait for K1.", "K2 was recharged by Bo."))))
    assert text.index("Held: nothing goes") < text.index("First in the next shift") < text.index("in order of need")
    assert "min a face" not in text and "Hurry" not in text
    assert not urges_speed(text)
    row = text[text.index("<td>K1</td>") :].split("</tr>")[0]
    assert "faces left" not in row and "22:00" not in row
    assert DEFERENCE in text


def test_without_a_hold_the_pace_is_told():
    text = words(page(shift(DUE, FINE)))
    assert "9.0 min a face" in text and "Held: nothing" not in text
    assert "K2, due: recondition it at the next break (end of the late shift, 22:00)" in text
    over = words(page(shift(replace(DUE, next_break=CANNOT_WAIT))))
    assert "K2, due: recondition it before its next face." in over and "next break (" not in over


def test_a_lap_to_be_watched_asks_for_what_its_own_sentence_asks():
    plan = lap("K4", "watch", "K4 wears as usual, but plan its reconditioning: 22 to 30 faces left.", next_step="Plan")
    little = lap("K5", "watch", "K5: too little to say how long. Cannot say: log 6 more.")
    text = words(page(shift(plan, little)))
    first = text[text.index("First in the next shift") : text.index("in order of need")]
    assert plan.sentence in first and little.sentence in first and "look at it" not in first


def test_nothing_to_do_and_no_lap_at_all_are_said():
    assert "Nothing waits for a person." in words(page(shift(FINE)))
    assert "No lap is known yet." in words(page(shift(sentence="No face has been logged yet.", changed=())))


def test_nothing_of_what_the_page_rests_on_is_cut_from_the_paper():
    told = " ".join(f"Chart {k} may call falsely once in 1,710 points." for k in range(12)) + " And that is all."
    pages = pypdf.PdfReader(io.BytesIO(render(page(shift(HELD, DUE, false_calls=told)), "pdf"))).pages
    assert "And that is all." in " ".join(pages[0].extract_text().split()) and len(pages) == 1


@pytest.mark.parametrize("laps", [3, 24])
def test_it_is_one_page_with_its_facts(laps):
    many = [lap(f"C{k}", "cutting", "wears as usual") for k in range(laps - 2)]
    changed = tuple(f"K{k} was recharged by Bo." for k in range(20))
    content = page(shift(HELD, DUE, *many, changed=changed))
    for paper in ("A4", "Letter"):
        reader = pypdf.PdfReader(io.BytesIO(render(content, "pdf", paper=paper)))
        assert len(reader.pages) == 1
    text = reader.pages[0].extract_text()
    for said in (content.fingerprint, "revision 3", "A. Lead", "page 1 of 1", "and 12 more."):
        assert said in text.replace("\n", " "), said


def test_every_format_repeats_byte_for_byte():
    report = shift(HELD, DUE, FINE)
    for form in FORMATS:
        assert render(page(report), form) == render(page(report), form)
    assert json.loads(render(page(report), "json"))["kind"] == "handover"
