"""Shift view: what needs a person this shift. Laps in order of need, with a wall mode."""

from dataclasses import replace
from functools import partial

import streamlit as st

from dashboard import cards, data
from dashboard.charts.strip import strip_figure, strip_height, strip_table
from dashboard.chosen_unit import in_chosen_unit
from dashboard.opening import ASKED, keep_opening, link
from dashboard.parts.answer import answer_signals
from dashboard.parts.first_run import first_run, nothing_yet
from dashboard.parts.glossary import words_here
from dashboard.parts.handover import handover
from dashboard.parts.page import VIEWS, Page, link_to_lap, speak_as, unit_of
from dashboard.parts.pair import pair
from dashboard.parts.person import signed_by, signer
from dashboard.parts.picture import show_picture
from dashboard.parts.waiting import waiting_sentence
from dashboard.parts.watched import unread_sentence
from dashboard.wall_fit import fit_wall
from dashboard.words import clock_words, count, html_text, join_words, number_of, percent, share
from spc.board.results import ShiftReport
from spc.board.room_answer import ROOM, room_signal
from spc.board.safety import shift_cautions

__all__ = ["keep_first", "render"]

_WORDS = ("held", "due", "watch", "cutting", "resting", "faces left", "recondition", "re-lap", "false call")
_MENU = "<b>lapcell</b>" + "".join(
    f'<a href="{link("" if place == 0 else name)}">{title}</a>' for place, (name, title) in enumerate(VIEWS.items())
)
_IN_NEED, _AT_REST = ("held", "due", "watch"), ("cutting", "resting")


def render(page: Page) -> None:
    """Draw the shift view."""
    if nothing_yet(page):
        first_run(page)
        return
    report = _in_unit(data.shift_report(page.now), page)
    if page.wall:
        for piece in _wall(report, page):
            st.html(piece)
        _keep(report, page, _asked())
        return
    st.html(cards.headline(report.sentence, kicker=_kicker(report)))
    for alarm in _alarms(report, page):
        st.html(alarm)
    person = _answer_room(report, page)
    st.html(cards.cautions_line(shift_cautions(report)))
    st.html(cards.state_counts(report.laps))
    for place, lap in enumerate(report.laps):
        with st.container(key=f"lapline-{place}-{lap.state}", horizontal=True, vertical_alignment="center", wrap=False):
            st.html(cards.lap_line(lap))
            link_to_lap(page, lap.lap)
    _keep(report, page, _asked())
    handover(page, report, person)
    _strip(report, page)
    _plan(report)
    _this_shift(report, page)
    words_here(_WORDS)


def _answer_room(report: ShiftReport, page: Page) -> str:
    """Ask what moved the room until somebody has said it; that can be taken back. Return who signs, '' = nobody."""
    if report.room is None or not report.room.asked:
        return signer()
    person = signed_by(page)
    asked = () if report.room.answered else (room_signal(report.room),)
    answer_signals(ROOM, asked, report.room.causes, page, person)
    return person


def keep_first(page: Page) -> None:
    """Keep the words of the view as somebody sees it whose link chooses nothing, or the wall alone."""
    if data.lap_names(page.now):
        speak_as(page)
        report = _in_unit(data.board(page.now).shift(), page)
        for wall in (False, True):
            _keep(report, replace(page, wall=wall), {"wall": "1"} if wall else {})


def _asked() -> dict[str, str]:
    return {name: st.query_params.get(name, "") for name in ASKED}


def _keep(report: ShiftReport, page: Page, asked: dict[str, str]) -> None:
    menu, pieces = ("", _wall(report, page)) if page.wall else (_MENU, _top(report, page))
    keep_opening(menu, pieces, revision=page.now.revision, slot=page.now.slot, asked=asked)


def _top(report: ShiftReport, page: Page) -> list[str]:
    """Return the top of the view, piece by piece, for a browser that has yet to load the rest."""
    lines = [
        f'<div class="lc-opening-line lc-opening-{lap.state}">{cards.lap_line(lap)}'
        f'<a href="{link("lap", lap=lap.lap)}">Open {html_text(lap.lap)}</a></div>'
        for lap in report.laps
    ]
    first = cards.headline(report.sentence, kicker=_kicker(report))
    care = cards.cautions_line(shift_cautions(report))
    return [first, *_alarms(report, page), care, cards.state_counts(report.laps), *lines]


def _in_unit(report: ShiftReport, page: Page) -> ShiftReport:
    """Return the report with each lap said in the unit chosen: its own, if neither a person nor the site chose one."""
    owns = [unit_of(lap.lap, page).shown for lap in report.laps]
    laps = tuple(
        in_chosen_unit(lap, own, own if page.unit_as_typed else page.unit.shown)
        for lap, own in zip(report.laps, owns, strict=True)
    )
    signals = [(was.signals, now.signals) for was, now in zip(report.laps, laps, strict=True)]
    told = {old.sentence: new.sentence for was, now in signals for old, new in zip(was, now, strict=True)}
    return replace(report, laps=laps, changed=tuple(_as_told(line, told) for line in report.changed))


def _as_told(line: str, told: dict[str, str]) -> str:
    """Return a line of what changed with the sentence of a signal in it as its lap tells it."""
    said = next((sentence for sentence in told if sentence in line), "")
    return line.replace(said, told[said]) if said else line


def _strip(report: ShiftReport, page: Page) -> None:
    st.html(cards.section("Faces left on each lap"))
    if all(lap.faces_left.status == "refused" for lap in report.laps):
        st.html(cards.sentences([], empty="No lap has a forecast yet; each says above what is missing."))
        return
    show_picture(
        partial(strip_figure, report.laps, page.look),
        key="strip",
        height=strip_height(report.laps),
        title="Faces left",
        sentence="Faces left on each lap, the neediest on top.",
        table=strip_table(report.laps),
    )


def _plan(report: ShiftReport) -> None:
    """Say which lap to recondition before which natural break."""
    st.html(cards.section("Recondition before which break"))
    if report.slots:
        st.html(cards.slots_table(report.slots))
    st.html(cards.sentences([], empty=report.slots_note))


def _kicker(report: ShiftReport) -> str:
    return "; ".join(filter(None, (report.named_shift, f"as of {clock_words(report.as_of_text)}")))


def _alarms(report: ShiftReport, page: Page) -> list[str]:
    alarms = [cards.lost_line(clock_words(report.as_of_text))]
    if report.stale:
        alarms.append(cards.notice(report.stale, kind="look"))
    unread = unread_sentence(page)
    if unread:
        alarms.append(cards.notice(f"{unread} The log view says why.", kind="look"))
    before = "in the shift before"
    for alarm, label in (
        (report.room, "Room alarm"),
        (report.not_the_room, "Not the room"),
        (report.room_before, f"Room alarm, {before}"),
        (report.not_the_room_before, f"Not the room, {before}"),
    ):
        if alarm is not None:
            alarms.append(cards.room_card(alarm, label=label, said=report.sentence, folded=not page.wall))
    return alarms


def _this_shift(report: ShiftReport, page: Page) -> None:
    left, right = pair("shift")
    waiting = waiting_sentence(page)
    rows = f"{waiting} The log view says why, row by row." if waiting else ""
    look = [
        sentence
        for sentence in (report.go_look_sentence, report.asked_sentence, report.doubt_of_ranges, rows)
        if sentence
    ]
    with left:
        st.html(cards.section("Since last shift") + cards.sentences(report.changed, empty="Nothing has changed."))
        st.html(cards.section("Worth a look") + cards.sentences(look, empty="No lap stands out."))
        st.html(cards.section("Held") + cards.sentences(_held(report), empty="Nothing is held."))
    with right:
        st.html(cards.section("This shift") + cards.facts(_numbers(report)))
        st.html(cards.section("Pace") + cards.sentences(report.pace, empty="Too few minutes logged to say."))
        st.html(cards.section("False calls") + cards.sentences([report.false_calls] if report.false_calls else []))


def _held(report: ShiftReport) -> list[str]:
    """Say of each held lap what holds it, since when and whose it is now."""
    lines = []
    for lap in report.laps:
        stops = [signal for signal in lap.signals if signal.severity == "stop"]
        if lap.state != "held" or not stops:
            continue
        times = [clock_words(signal.time_text) for signal in stops]
        one = len(set(times)) == 1
        rules = [
            f"{stop.rule} ({since})" if since and not one else stop.rule
            for stop, since in zip(stops, times, strict=True)
        ]
        said = f"{lap.lap}: {join_words(rules)}{f', {times[0]}' if one and times[0] else ''}."
        handed = next((signal.handed for signal in stops if signal.handed), "")
        lines.append(f"{said} {handed[:1].upper()}{handed[1:]}." if handed else said)
    return lines


def _numbers(report: ShiftReport) -> list[tuple[str, str]]:
    return [
        ("faces", number_of(report.faces_this_shift)),
        ("re-laps", number_of(report.relaps_this_shift)),
        (f"re-lap share, {percent(0.95)} range", share(report.relap_share_low, report.relap_share_high)),
        ("newest face", clock_words(report.newest_face_text) or "\u2013"),
    ]


def _wall(report: ShiftReport, page: Page) -> list[str]:
    """Return the view for a wall, piece by piece."""
    needy = [lap for lap in report.laps if lap.state in _IN_NEED]
    lost, *alarms = _alarms(report, page)
    care = cards.cautions_line(shift_cautions(report), folded=False)
    rests = [line for state in _AT_REST if (line := cards.rest_line(report.laps, state))]
    fit = fit_wall(report.sentence, [*alarms, care], [lap.sentence for lap in needy], len(rests))
    rows = [cards.lap_line(lap) for lap in needy[: fit.rows]]
    rows += [line for state in _IN_NEED if (line := cards.rest_line(tuple(needy[fit.rows :]), state))]
    newest = f"Newest face: {clock_words(report.newest_face_text)}" if report.newest_face_text else "No face logged yet"
    return [
        fit.style,
        f"{cards.headline(report.sentence, kicker=_kicker(report))}{lost}",
        *alarms,
        "".join((*rows, *rests)),
        care,
        f'<p class="lc-quiet">{html_text(newest)}; {count(report.faces_this_shift, "face")} this shift.</p>',
    ]
