"""`lapcell due`: the laps in order of need, each with its reason, its range and its next break."""

from dataclasses import asdict
from shlex import quote
from typing import TYPE_CHECKING, Any

import click

from spc.board.results import LapReport, RoomAlarm, ShiftReport
from spc.board.safety import shift_cautions, short_caution
from spc.cli import DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.moments import time_head, with_times
from spc.commands.output import print_json, print_table
from spc.log.name_list import name_list
from spc.settings import Settings

if TYPE_CHECKING:
    from spc.board.board import Board
    from spc.board.past_held import PastHeld

__all__ = ["command", "lap_document"]

_SHORT = {"refused": "cannot say yet", "over": "likely at the limit"}  # of sentences too long for a table
# Where final flatness is cut off at the limit another sign leads.
_LEADS = {"passes": "; passes lead", "minutes": "; minutes lead", "removal rate": "; removal rate leads"}


@click.command("due")
@click.option("--lap", default="", help="Only this lap, with its evidence, likely causes and answers.")
@click.option(
    "--against-past",
    is_flag=True,
    help="With --lap: hold its forecasts against its own past cycles; a second or two when one has just ended.",
)
@common_options
def command(session: Session, *, lap: str, against_past: bool) -> int:
    """Say which laps are due for reconditioning, and why.

    Exit code 1 when a lap is held or due, or a room alarm is not answered. With --json one document: as_of, shift,
    sentence, room (sentence, laps, p_value, checks, evidence, asked, causes, answered, handed; or null), room_before
    (of the last shift worked before this one, or null), not_the_room (most laps moved in the faces of one operator or
    part number alone, or null), not_the_room_before, changed, holds, faces_this_shift, pace, false_calls, stale (no
    face for long, or faces dated later than now, which count nowhere yet; '' = neither), asked (which laps wait for a
    yes or no whether they were reconditioned, in words; '' = none), doubt_of_ranges (on which laps ranges by readings
    held too few past cycles, and what that means for their faces left, in words; '' = none), and laps in order of need,
    each with lap, state ('held', 'due', 'watch', 'cutting', 'resting'), next_step (the first that the sentence asks
    for, in a few words; '' = none), sentence, reasons, faces_left (status 'range', 'over', 'refused' or, out of use and
    worn or retired, 'ended'; low, median, high, level, own_faces, past_cycles, counted, if_reconditioned, part, the
    part number that is at its limit first, others, those lapped lately beside it (part, low, median, high, sentence),
    own_way, true where its readings do not go as past cycles did, by_lives, true where how long past cycles lasted is
    taken in, for ranges by readings alone held too few of them, from_lives, true where no reading that has a limit
    tells it, only how long past cycles lasted until they were found worn, and lives_sign, the sign of wear that says
    beside that how far this one has come, '' = none; null = open or not known), next_break (of a lap at
    its limit 'it cannot wait for one'; '' where held, resting or not known), confidence, less_sure (true where ranges
    by readings held too few past cycles, and too few of these reached the limit to go by), lead_sign, unusual_wear
    ('' = as usual), material, grit, registered_grit ('' = no other than grit), age_faces, finished_faces, age_minutes
    (the mean stands for lappings without, null where over a fifth are), last_face (its time by the clock of the site),
    signals, asked, causes, safety, data_health and answers (question, answer). asked: reconditionings that may not be
    logged, the newest first, each with its face_id, which `lapcell answer --face` takes; one of the running cycle is
    among the signals too, unless the lap is retired, and the faces left are then those if it was reconditioned at the
    time in if_reconditioned. age_faces and faces_left count every pass on a face as one; where faces are often lapped
    again the sentences say passes (counted 'pass'), and finished_faces are told besides.

    With --lap and --against-past also against_past: status ('judged', 'counts only', 'refused'), too_narrow, sentence,
    further, counted (what ages are told in, 'face' or 'pass'), and shares, each with share (of a cycle as far as it is
    taken, from which it is foreseen), level, counted, held, faster, slower, chance (of so few held by the binomial
    law), width_ages, width_readings and cycles (cycle, share, read_to, own_readings, last_age, reached, said_low,
    said_high, came_low, came_high, outcome, why): where reached the range and what came are the age at which the
    readings reached the limit, else the last reading in micrometres; null = open or not counted. Ages count from 0, as
    in the log of the cycle.
    """
    if against_past and not lap:
        raise click.UsageError("`--against-past` is of one lap: name it with `--lap`")
    board = session.board()
    if lap:
        report = board.lap(lap)
        past = _against_past(board, lap) if against_past else None
        if session.as_json:
            print_json(lap_document(report) | ({} if past is None else {"against_past": asdict(past)}))
        else:
            _print_lap(report)
            if past is not None:
                click.echo("\n  ".join((f"\nAgainst past cycles: {past.sentence}", *past.further)))
        return NEEDS_A_PERSON if report.state in ("held", "due") else DONE
    shift = board.shift()
    if session.as_json:
        print_json(_shift_document(shift))
    else:
        _print_shift(shift, session.settings())
    room = shift.room is not None and not shift.room.answered
    return NEEDS_A_PERSON if room or any(r.state in ("held", "due") for r in shift.laps) else DONE


def _against_past(board: "Board", lap: str) -> "PastHeld":
    from spc.board.past_held import past_held

    view, _, room = board.look()
    return past_held(view, lap, room)


def lap_document(report: LapReport) -> dict[str, Any]:
    """One lap's report as plain values, without the picture."""
    signals = [asdict(s) for s in report.signals]
    return {
        "lap": report.lap,
        "state": report.state,
        "next_step": report.next_step,
        "sentence": report.sentence,
        "reasons": report.reasons,
        "faces_left": asdict(report.faces_left),
        "next_break": report.next_break,
        "confidence": report.confidence,
        "less_sure": report.less_sure,
        "lead_sign": report.lead_sign,
        "unusual_wear": report.unusual_wear,
        "material": report.material,
        "grit": report.grit,
        "registered_grit": report.registered_grit,
        "age_faces": report.age_faces,
        "finished_faces": report.finished_faces,
        "age_minutes": report.age_minutes,
        "last_face": report.last_time_text,
        "signals": signals,
        "asked": [asdict(s) for s in report.asked],
        "causes": [asdict(c) for c in report.causes],
        "safety": report.safety,
        "data_health": report.data_health,
        "answers": [{"question": q, "answer": a} for q, a in report.answers],
    }


def _shift_document(shift: ShiftReport) -> dict[str, Any]:
    return {
        "as_of": shift.as_of_text,
        "shift": shift.shift_text,
        "sentence": shift.sentence,
        "room": None if shift.room is None else asdict(shift.room),
        "room_before": None if shift.room_before is None else asdict(shift.room_before),
        "not_the_room": None if shift.not_the_room is None else asdict(shift.not_the_room),
        "not_the_room_before": None if shift.not_the_room_before is None else asdict(shift.not_the_room_before),
        "changed": shift.changed,
        "holds": shift.holds,
        "faces_this_shift": shift.faces_this_shift,
        "pace": shift.pace,
        "false_calls": shift.false_calls,
        "stale": shift.stale,
        "asked": shift.asked_sentence,
        "doubt_of_ranges": shift.doubt_of_ranges,
        "laps": [lap_document(r) for r in shift.laps],
    }


def _print_shift(shift: ShiftReport, settings: Settings) -> None:
    when = ", ".join(filter(None, (shift.as_of_text, shift.named_shift)))
    click.echo(f"{when}. {shift.sentence}")
    if shift.room is not None:
        _print_room(shift.room)
    for alarm in (shift.not_the_room, shift.room_before, shift.not_the_room_before):
        if alarm is not None:
            click.echo(alarm.sentence)
    if shift.stale:
        click.echo(shift.stale)
    click.echo()
    rows = [
        {
            "lap": r.lap,
            "state": r.state,
            "left": _left(r),
            "why": next(iter(r.signals)).rule if r.signals else "",
            "break": r.next_break if r.state in ("due", "watch") else "",
            "last": r.last_time_text,
        }
        for r in shift.laps
    ]
    heads = {
        "lap": "Lap",
        "state": "State",
        "left": "Faces left",
        "why": "Signal",
        "break": "Next break",
        "last": time_head("Last", settings),
    }
    nothing = "No lap is known yet: take in a log with `lapcell ingest FILE`."
    print_table(with_times(rows, ["last"], settings), heads, nothing=nothing)
    for report in shift.laps:
        if report.state in ("held", "due") or report.doubt is not None:
            click.echo()
            click.echo(report.sentence)
    if shift.asked_sentence:
        click.echo(f"\n{shift.asked_sentence} `lapcell due --lap NAME` tells where.")
    if shift.doubt_of_ranges:
        click.echo(f"\n{shift.doubt_of_ranges} `lapcell due --lap NAME --against-past` tells how many.")
    care = short_caution(shift_cautions(shift))
    if care:
        click.echo(f"\n{care} Each in full: `lapcell due --lap NAME`.")
    if shift.false_calls:
        click.echo()
        click.echo(shift.false_calls)


def _print_room(room: RoomAlarm) -> None:
    told = room.answered or (
        f"{room.handed[:1].upper()}{room.handed[1:]}: open until it is answered." * bool(room.handed)
    )
    laps = f"Laps: {name_list(room.laps)}. {room.evidence}".rstrip()
    for line in (laps, *(f"  check: {check}" for check in room.checks), told):
        if line:
            click.echo(line)
    if not room.answered:
        click.echo("Say what it was: `lapcell answer --room --cause ... --who ...`")


def _likely(share: float) -> str:
    return f"{round(share, 2):.0%}" if share >= 0.005 else "under 1%"


def _left(report: LapReport) -> str:
    if report.state == "held":
        return "none until answered"
    if report.faces_left.status == "ended":
        return report.faces_left.sentence
    left = report.faces_left
    if left.status == "over":
        return "; ".join(filter(None, (f"{_SHORT['over']} {left.named}".rstrip(), left.longer)))
    leads = "" if left.lives_sign else _LEADS.get(report.lead_sign, "")  # it is said with them
    return _SHORT.get(left.status, left.sentence) + leads


def _print_asked(report: LapReport) -> None:
    """Print the questions whether the lap was reconditioned, each with its face, and how to answer one or all."""
    how = f"lapcell answer {quote(report.lap)} --reconditioned yes (or no)"
    if len(report.asked) == 1:
        if report.doubt is None:
            click.echo(f"\n{report.asked[0].sentence}")
        click.echo(f"\nTo answer: {how} --who NAME")
        return
    click.echo("\nTo answer, each by its face:")
    for one in report.asked:
        click.echo(f"  {one.face_id}: {one.sentence}")
    click.echo(f"One: {how} --face {report.asked[0].face_id} --who NAME")
    click.echo(f"All {len(report.asked)} at once: {how} --all --who NAME")


def _print_lap(report: LapReport) -> None:
    click.echo(report.sentence)
    for reason in report.further_reasons:
        click.echo(f"  - {reason}")
    if report.confidence and report.state != "held":  # nothing beside a hold may invite to go on
        click.echo(f"  {report.confidence}")
    if report.next_break:
        click.echo(f"  next break: {report.next_break}")
    if report.asked:
        _print_asked(report)
    if report.causes:
        click.echo("\nLikely causes, the likeliest first:")
        for c in report.causes:
            click.echo(f"  {_likely(c.likelihood):>8}  {c.name}. Cheapest check: {c.check}")
            if c.counted:
                click.echo(f"            past answers: {c.counted}")
    for question, answer in report.answers:
        click.echo(f"\n{question}\n  {answer}")
    for finding in report.data_health:
        click.echo(f"\nAbout the readings: {finding}")
    for line in report.safety:
        click.echo(f"caution: {line}")
