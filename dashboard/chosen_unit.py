"""A lap's report said in the unit a person chose, in place of the one its faces were read in."""

import re
from dataclasses import replace

from spc.board.results import LapReport, Signal
from spc.measure.shown import MICROMETRE, ShownLength, said_in

__all__ = ["in_chosen_unit"]

_FORM = re.compile(r"flat(?:ness|ter\b)|less flat|form\b|bow\b|convex|concave|faces? left under", re.IGNORECASE)
_NOT_FORM = re.compile(r"finish|\bRa\b|grit|worked|removed|removal|thickness|ladder|stock", re.IGNORECASE)


def in_chosen_unit(report: LapReport, own: ShownLength, chosen: ShownLength) -> LapReport:
    """Return the report with its lengths of form in the unit chosen.

    Parameters
    ----------
    report : LapReport
    own : ShownLength
        The unit the lap's newest face was read in, which the board speaks in.
    chosen : ShownLength

    Notes
    -----
    Light bands and microinches are only ever of form. Micrometres are also of finish and grit: they are brought over
    only in a sentence that speaks of form and of nothing else that is measured in them.
    """
    if own == chosen:
        return report

    def say(text: str) -> str:
        if own != MICROMETRE:
            return said_in(text, chosen, written=own, keep_digits=True)
        parts = re.split(r"(?<=[.!?]) ", text)
        return " ".join(
            said_in(part, chosen, keep_digits=True) if _FORM.search(part) and not _NOT_FORM.search(part) else part
            for part in parts
        )

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
