"""The shift handover: one page that the lead can print, read out and leave on the bench."""

import hashlib
from collections.abc import Callable

import numpy as np

from spc.board.lap_state import OTHER_PART_FIRST, SECOND_READER_FIRST
from spc.board.results import CANNOT_WAIT, ShiftReport
from spc.board.safety import DEFERENCE, urges_speed
from spc.board.scope import OTHER_PART, SECOND_READER
from spc.report.content import Block, Bullets, Cell, Column, Content, Facts, Paragraph, Section, Table
from spc.report.made import Made
from spc.store.store import Store

__all__ = ["handover_content", "handover_of"]

_LAPS_SHOWN = 14
_CHANGES_SHOWN = 8
_FIRST_SHOWN = 8
_NEED = ("held", "due", "watch")
_FIRST = {SECOND_READER_FIRST: SECOND_READER, OTHER_PART_FIRST: OTHER_PART}  # what comes before, in full

Say = Callable[[str], str]


def handover_of(store: Store, shift: ShiftReport, made: Made) -> Content:
    """Say a shift's report as the content of one page, with the limits of the store that it rests on.

    Parameters
    ----------
    store : Store
        That the shift's report was made from.
    shift : ShiftReport
    made : Made
    """
    limits, frozen = store.limits(), {(baseline.lap, baseline.sign) for baseline in store.baselines()}
    return handover_content(
        shift,
        made,
        limits=f"register of limits, revision {int(limits['revision'].max())}"
        if len(limits)
        else "no limit in the register",
        charts=f"{'1 chart' if len(frozen) == 1 else f'{len(frozen):,} charts'} by frozen limits, the others by trial "
        "limits"
        if frozen
        else "trial limits",
    )


def handover_content(shift: ShiftReport, made: Made, *, limits: str, charts: str) -> Content:
    """Say a shift's report as the content of one page.

    Parameters
    ----------
    shift : ShiftReport
    made : Made
        By whom, when, with which language of numbers.
    limits : str
        Which revision of the register of drawing limits is in force, in words.
    charts : str
        Which chart limits judge the laps, in words.

    Returns
    -------
    Content
        While a lap is held, nothing on the page speaks of pace, and of a held lap not even how many faces are left.
    """
    names = tuple({name for r in shift.laps for name in (r.lap, r.last_part, r.last_time_text)})

    def say(text: str) -> str:
        return made.locale.sentence(text, names=names)

    alarms = [
        alarm.sentence
        for alarm in (shift.not_the_room, shift.room_before, shift.not_the_room_before)
        if alarm is not None
    ]
    sections = [
        *_holds(shift.holds, say),
        *_first(shift, say),
        Section("The laps in order of need", _laps(shift, made, say)),
        *_changed(shift, bool(shift.holds), say),
        *_pace(shift, bool(shift.holds), say),
        *_cautions(shift),
        Section("What this page rests on", _basis(shift, made, limits, charts, say)),
    ]
    return Content(
        kind="handover",
        title="Shift handover",
        subtitle=", ".join(filter(None, (shift.named_shift, f"as of {shift.as_of_text}"))),
        sentence=say(" ".join(text for text in (shift.sentence, *alarms, shift.stale) if text)),
        front=(),
        sections=tuple(sections),
        appendix=(),
        fingerprint=_fingerprint(shift),
        made_at=made.at,
        made_by=made.by,
        software=made.software,
        locale=made.locale,
        one_page=True,
    )


def _holds(held: tuple[str, ...], say: Say) -> list[Section]:
    if not held:
        return []
    return [
        Section(
            "Held: nothing goes on these laps until a person has answered",
            tuple(Paragraph(say(sentence), "caution") for sentence in held),
        )
    ]


def _first(shift: ShiftReport, say: Say) -> list[Section]:
    """Say what the next shift does first: the room, then the laps in order of need, the cheapest check first."""
    room = shift.room or shift.room_before
    steps = [f"The room: {check}" for check in room.checks[:2]] if room is not None else []
    carried = shift.not_the_room or shift.not_the_room_before
    if carried is not None:
        steps += [f"All laps: {check}" for check in carried.checks[:2]]
    for report in shift.laps:
        check = next((c.check for c in report.causes if c.name != "unknown"), "")
        if report.state == "held":
            steps.append(f"{report.lap}, held: {check or 'find out with the lead what stopped it'}")
        elif report.state == "due":
            when = f" at the next break ({report.next_break})" if report.next_break else ""
            when = " before its next face" if report.next_break == CANNOT_WAIT else when
            check = _FIRST.get(report.next_step, check)
            first = report.doubt.sentence if report.doubt is not None else check
            steps.append(f"{report.lap}, due: recondition it{when}." + (f" Before that: {first}" if first else ""))
        elif report.state == "watch" and report.doubt is not None:
            steps.append(report.doubt.sentence)
        elif report.state == "watch":  # without a cause to look for, what the lap asks for is in its own sentence
            steps.append(f"{report.lap}, to be watched: {check}" if check else report.sentence)
    if not steps:
        return [Section("First in the next shift", (Paragraph("Nothing waits for a person."),))]
    more = len(steps) - _FIRST_SHOWN
    told = steps[:_FIRST_SHOWN] + ([f"{more} more, in the table below."] if more > 0 else [])
    return [Section("First in the next shift", (Bullets(tuple(map(say, told)), numbered=True),))]


def _laps(shift: ShiftReport, made: Made, say: Say) -> tuple[Block, ...]:
    if not shift.laps:
        return (Paragraph("No lap is known yet."),)
    shown = [r for r in shift.laps if r.state in _NEED]
    shown += [r for r in shift.laps if r.state not in _NEED][: max(0, _LAPS_SHOWN - len(shown))]
    rows: list[tuple[Cell, ...]] = []
    for report in shown:
        left, break_at = report.faces_left, report.next_break
        if report.state == "held":
            faces, break_at = "held", ""
        elif left.status == "refused":
            faces = "cannot say yet"
        else:
            faces = say(left.sentence)
        why = report.signals[0].rule if report.signals else ""
        rows.append((report.lap, report.state, faces, why, break_at if report.state == "due" else "", report.last_part))
    rest = len(shift.laps) - len(shown)
    more = f"and {made.locale.count(rest)} more laps, none of which needs a person." if rest else ""
    note = " ".join(filter(None, (more, shift.asked_sentence, shift.doubt_of_ranges)))
    columns = (
        Column("Lap"), Column("State", width=0.8), Column("Faces left", width=3), Column("Signal", width=2.4),
        Column("Next break", width=1.9), Column("Last part", width=1),
    )  # fmt: skip
    return (Table("laps", "State of every lap", columns, tuple(rows), note=note),)


def _changed(shift: ShiftReport, held: bool, say: Say) -> list[Section]:
    said = " ".join(shift.holds)
    changed = [text for text in shift.changed if not (held and urges_speed(text))]
    changed = [text for text in changed if text.removeprefix("New this shift: ") not in said]
    more = len(changed) - _CHANGES_SHOWN
    told = changed[:_CHANGES_SHOWN] + ([f"and {more} more."] if more > 0 else [])
    block: Block = Bullets(tuple(map(say, told))) if told else Paragraph("Nothing new since the shift before.")
    return [Section("What changed this shift", (block,))]


def _pace(shift: ShiftReport, held: bool, say: Say) -> list[Section]:
    """Minutes a face, and only where no lap is held."""
    if held or not shift.pace:
        return []
    return [Section("Minutes a face, within each part", (Bullets(tuple(map(say, shift.pace))),))]


def _cautions(shift: ShiftReport) -> list[Section]:
    lines = [line for r in shift.laps if r.state in _NEED for line in r.safety if line != DEFERENCE]
    if not lines:
        return []
    return [Section("Cautions", (Paragraph(" ".join(dict.fromkeys(lines))), Paragraph(DEFERENCE, "strong")))]


def _basis(shift: ShiftReport, made: Made, limits: str, charts: str, say: Say) -> tuple[Block, ...]:
    share = ""
    if np.isfinite(shift.relap_share_low):
        low, high = (made.locale.number(100 * x, 0) for x in (shift.relap_share_low, shift.relap_share_high))
        share = f"; {low} to {high}% of faces need a further pass (95%)"
    faces = f"{made.locale.count(shift.faces_this_shift)}, further passes {made.locale.count(shift.relaps_this_shift)}"
    pairs = (
        ("Faces this shift", f"{faces}{share}"),
        ("Newest face", shift.newest_face_text or "none"),
        ("False calls", say(shift.false_calls)),
        ("Limits", f"{limits}; chart limits: {charts}"),
        ("Method", "charts and forecasts of this software; how often they are wrong is in its own tables of tests"),
        ("Data fingerprint", _fingerprint(shift)),
        (
            "Made",
            f"by {made.by or 'nobody named'}, {made.locale.moment(made.at)}, {made.software}, {made.site}".rstrip(", "),
        ),
    )
    return (Facts(pairs),)


def _fingerprint(shift: ShiftReport) -> str:
    """SHA-256 over the moment of the look and, lap by lap, its name and `face id|low|high` in um of its cycle."""
    digest = hashlib.sha256(shift.as_of_text.encode())
    for report in sorted(shift.laps, key=lambda r: r.lap):
        digest.update(report.lap.encode("utf-8", "replace") + b"\n")
        if report.picture is not None:
            path = report.picture.now
            for face_id, low, high in zip(path.face_id, path.low_um, path.high_um, strict=True):
                digest.update(f"{int(face_id)}|{float(low).hex()}|{float(high).hex()}\n".encode())
    return digest.hexdigest()
