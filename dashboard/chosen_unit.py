"""A lap's report said in the unit a person chose, in place of the one its faces were read in."""

import re
from dataclasses import replace

from spc.board.results import LapReport, Signal
from spc.measure.shown import MICROMETRE, ShownLength, said_in

__all__ = ["in_chosen_unit"]

_FORM = re.compile(r"flat(?:ness|ter\b)|less flat|form\b|bow\b|convex|concave|faces? left under", re.IGNORECASE)
_FINISH = re.compile(r"finish|\bRa\b", re.IGNORECASE)
_NEITHER = re.compile(r"grit|worked|removed|removal|thickness|ladder|stock", re.IGNORECASE)
_SENTENCES = re.compile(r"(?<=[.!?]) ")


def in_chosen_unit(report: LapReport, own: ShownLength, chosen: ShownLength) -> LapReport:
    """Return the report with its lengths of form in the unit chosen, and those of finish where that is microinches.

    Parameters
    ----------
    report : LapReport
    own : ShownLength
        The unit the lap's newest face was read in, which the board speaks in.
    chosen : ShownLength

    Notes
    -----
    Light bands are only ever of form. The board speaks of finish and grit in micrometres: those are brought over only
    in a sentence that speaks of form, or of finish, and of nothing else that is measured in them. A finish is never
    said in bands.
    """
    inches = chosen.name == "uin"
    if own == chosen and not inches:
        return report

    def brought(part: str) -> str:
        form, finish = (found.search(part) is not None for found in (_FORM, _FINISH))
        if own != MICROMETRE:
            part = said_in(part, chosen, written=own, keep_digits=True)
        elif form and not finish and not _NEITHER.search(part):
            return said_in(part, chosen, keep_digits=True)
        if inches and finish and not _NEITHER.search(part):
            return said_in(part, chosen, keep_digits=True)
        return part

    def say(text: str) -> str:
        return " ".join(map(brought, _SENTENCES.split(text)))

    def told(signals: tuple[Signal, ...]) -> tuple[Signal, ...]:
        return tuple(replace(one, sentence=say(one.sentence)) for one in signals)

    picture = report.picture
    if picture is not None:
        limit = said_in(picture.limit_text, chosen, written=own)
        picture = replace(picture, sentence=say(picture.sentence), signals=told(picture.signals), limit_text=limit)
    return replace(
        report,
        sentence=say(report.sentence),
        reasons=tuple(map(say, report.reasons)),
        faces_left=replace(report.faces_left, sentence=say(report.faces_left.sentence)),
        signals=told(report.signals),
        asked=told(report.asked),
        picture=picture,
        data_health=tuple(map(say, report.data_health)),
        answers=tuple((question, say(answer)) for question, answer in report.answers),
    )
