"""From signals and faces left to one state and one sentence: cutting, watch, due, held or resting."""

from collections.abc import Sequence
from dataclasses import dataclass

from spc.board.results import RECONDITIONING, FacesLeft, Signal
from spc.wear.lead_sign import LeadMove

__all__ = ["OTHER_PART_FIRST", "SAY_YES_OR_NO", "SECOND_READER_FIRST", "LapState", "decide_state", "plural"]

# First steps that are not of one state alone.
SAY_YES_OR_NO, SECOND_READER_FIRST, OTHER_PART_FIRST = "Say yes or no", "Second reader", "Another part"
_ROOM_FIRST, _PART_FIRST, _READING_FIRST = "Look at the room", "Look at the part", "Check the reading"
_NO_PAST, _UNREAD = "has no past cycle to compare with", "has no reading of this cycle that counts"


@dataclass(frozen=True, slots=True)
class LapState:
    """A lap's state with the sentence that a person reads first and the reasons under it."""

    state: str  # a key of spc.board.results.STATES
    step: str  # the first that the sentence asks of a person, in a few words; '' = none
    sentence: str
    reasons: tuple[str, ...]


def plural(count: float, word: str) -> str:
    """'1 face', '3 faces', '2.5 faces', '2 passes', '1,250 faces'."""
    many = f"{word}es" if word.endswith("ss") else f"{word}s"
    said = f"{count:,.0f}" if float(count).is_integer() else f"{count:g}"
    return f"{said} {word if count == 1 else many}"


def decide_state(
    lap: str,
    *,
    signals: Sequence[Signal],
    faces_left: FacesLeft,
    next_face: FacesLeft,
    faces_per_shift: float,
    out_of_use: str = "",
    limit_text: str = "",
    room: str = "",
    room_found: str = "",
    room_counted: bool = False,
    fresh: bool = False,
    unusual: str = "",
    part: str = "",
    one_reader: bool = False,
    one_part: bool = False,
    read_apart: str = "",
    equal_readings: bool = False,
    leading: LeadMove | None = None,
) -> LapState:
    """State of one lap.

    Parameters
    ----------
    lap : str
        Its name as shown.
    signals : sequence of Signal
        Open signals only: what a person has answered is no longer here.
    faces_left : FacesLeft
        The forecast under the limit.
    next_face : FacesLeft
        When one face in ten is expected over the limit.
    faces_per_shift : float
        How many faces this lap usually does in one shift; 0 when unknown.
    out_of_use : str, default ''
        'resting since ...' or 'retired since ...', '' when it is in use.
    limit_text : str, default ''
        The limit as on the drawing.
    room : str, default ''
        What the room alarm says, where this lap moved with most others: then the room is looked at before the lap.
    room_found : str, default ''
        What people found then, a sentence: the room has been looked at.
    room_counted : bool, default False
        Whether the faces left count its readings of this shift all the same.
    fresh : bool, default False
        Whether no face has been lapped on it since it was reconditioned or re-faced.
    unusual : str, default ''
        What its sloping chart finds unusual in this cycle; by itself it calls nobody, but the lap is not said to wear
        as usual.
    part : str, default ''
        Part number that moved on several laps at once, this one among them: it is looked at before the lap.
    one_reader : bool, default False
        Whether its move follows the readings of one operator: then one of them is read again before the lap is touched.
    one_part : bool, default False
        Whether its move follows the readings of one part number: then a face of another is read before it is touched.
    read_apart : str, default ''
        'is one of 5 laps that read high this shift in the faces of one operator alone': then it is not said to wear as
        usual, and those faces, or a face of another part number, are looked at first.
    equal_readings : bool, default False
        Whether its forecast is refused because readings that are all equal show no wear, in past cycles either.
    leading : LeadMove, optional
        How far the leading sign has come, where flatness is cut off at the limit and tells no faces left.

    Returns
    -------
    LapState

    Notes
    -----
    Our own rules, in this order. Resting: swapped out or retired; a stop signal is said beside it, unless its cycle has
    ended with that. Held: a stop signal (a face left over its limit, a
    scratch) is open. Due: the forecast is already over the limit, or the low end of its range ends within one usual
    shift, so that the risk of running out before the next break is more than one in twenty, or one face in ten is, more
    likely than not, over the limit within that shift. Watch: a look signal is open, or the range ends within three
    shifts, or nothing can be said yet, or ever from flatness that is cut off, or a lap without a face since its
    reconditioning is over by its past cycles alone. Faces left that rest on no reading make no lap due: a person found
    the cycles before it worn and looks at this one too, where its leading sign has moved or it is, more likely than
    not, worn within a shift; it is watched where that is so within three, or the range ends within one. Cutting: none
    of these.
    """
    stops = [s for s in signals if s.severity == "stop"]
    looks = [s for s in signals if s.severity != "stop"]
    if out_of_use:
        has, ended = "has been" if " since " in out_of_use else "is", faces_left.status == "ended"
        rests = f"{lap} {has} {out_of_use}."
        if stops and not ended:  # the faces are on the bench, wherever the lap is
            rests = f"{rests} {stops[0].sentence} See that nothing is passed on."
            return LapState("resting", "", rests, tuple(s.sentence for s in stops))
        reasons = (f"Faces left: {faces_left.sentence}.",) if ended and faces_left.sentence else ()
        return LapState("resting", "", rests, reasons)
    one_reads = "one operator" in read_apart
    one_reader, one_part = one_reader or one_reads, one_part or bool(read_apart) and not one_reads
    left = faces_left.sentence.rstrip(".")
    by_readings = faces_left.status == "range" and not faces_left.from_lives
    if limit_text and (by_readings or faces_left.status == "over"):
        limit = limit_text.removesuffix(faces_left.named).rstrip()  # the sentence names the part number by itself
        left = left.replace(" left", f" left under {limit}", 1)
    forecast = f"{left}{', by how long past cycles lasted' if faces_left.by_lives else ''}."
    moved = f"{lap} moved with the room: trust its readings of this shift only when the room has been looked at"
    leaning = f"{moved}; the faces left {'' if room_counted else 'do not '}count them."
    if room_found:
        moved = f"{lap} moved with the room this shift ({_lower(room_found).rstrip('.')})"
        leaning = f"{moved}. The faces left {'count' if room_counted else 'do not count'} its readings of this shift."
        room = f"{room.split(': ', 1)[0].rstrip('.')}."  # what it asked for is done
    unseen = room and not room_found
    slope = (
        f"Its sloping chart says it does not wear as usual: {unusual}. Of 100 cycles that wear as usual it says so, at "
        "some look, of one or two, and of up to 4 where they outlast the past ones."
    )
    evidence = (
        *(said for said in (room, room_found) if said),
        *(s.sentence for s in stops),
        *(s.sentence for s in looks),
    )
    evidence += (slope,) if unusual else ()
    first, step = f"Recondition {lap}", "Recondition"
    if unseen:
        first, step = f"Look at the room before {lap} is worked on, then recondition it", _ROOM_FIRST
    if one_reader:
        step = SECOND_READER_FIRST
        first = f"Let a second reader read one of the last faces of {lap} again; if it still reads so, recondition it"
    if one_part:
        step = OTHER_PART_FIRST
        first = f"Read a face of another part number on {lap} first; if that reads high too, recondition it"
    if stops:
        what = stops[0].sentence
        handed = next((s.handed for s in stops if s.handed), "")
        now = f" It is {handed}." if handed else ""
        sentence = f"Stop. {what} Nothing more on {lap} until a person has looked.{now}"
        return LapState("held", "Stop", sentence, evidence)  # nothing beside a hold may invite to go on
    shift = max(faces_per_shift, 1.0)
    if faces_left.status == "over" and fresh:  # to recondition it once more changes nothing
        begins = (
            f"Read the first face of {lap} before it goes on: it is fresh, and by its past cycles it begins at this "
            f"limit; {_lower(forecast)} A part that a fresh lap cannot hold is for another lap."
        )
        return LapState("watch", _READING_FIRST, begins, (*evidence, forecast))
    if faces_left.status == "over":
        return LapState("due", step, f"{first} before the next face: {_lower(forecast)}", (*evidence, forecast))
    if by_readings and faces_left.low is not None and faces_left.low <= shift:
        usual = plural(round(shift), faces_left.counted)
        pace = (f"{lap} usually does {usual} in a shift.",) if faces_per_shift > 0 else ()
        sentence = f"{first} at the next break: {_lower(forecast)}"
        return LapState("due", step, sentence, (forecast, *pace, *evidence))
    if next_face.status == "range" and next_face.median is not None and next_face.median <= shift:
        sentence = f"{first} at the next break: one face in ten is soon over the limit; {_lower(forecast)}"
        return LapState("due", step, sentence, (forecast, *evidence))
    if looks:
        look, step = f"Look at {lap}", "Look"
        if part:
            look, step = f"Look at {part} first, then at {lap},", _PART_FIRST
        if unseen:
            look, step = f"Look at the room before {lap} is worked on, then at {lap}", _ROOM_FIRST
        if one_reader:
            look, step = f"Let a second reader read one of the last faces of {lap} again", SECOND_READER_FIRST
        if one_part:
            look, step = f"Read a face of another part number on {lap}", OTHER_PART_FIRST
        look += " before the next lot. "
        if step == "Look" and looks[0].sign == RECONDITIONING:  # it is answered, not looked for
            look, step = "", SAY_YES_OR_NO
        return LapState("watch", step, f"{look}{looks[0].sentence}", (*evidence, forecast))
    if faces_left.from_lives:
        near = faces_left.median is not None and faces_left.median <= shift
        soon = faces_left.low is not None and faces_left.low <= shift
        soon = soon or (faces_left.median is not None and faces_left.median <= 3 * shift)
        what, step = f"{lap}: ", "Carry on"
        if near or (leading is not None and leading.worn):
            what, step = f"Look at {lap} before the next lot: ", "Look"
        elif soon:
            what, step = f"{lap}: plan its reconditioning; ", "Plan"
        step = _ROOM_FIRST if unseen else step
        said = f"{moved}. {what}{_lower(forecast)}" if room else f"{what}{_lower(forecast)}"
        state = "watch" if near or soon or room or (leading is not None and leading.worn) else "cutting"
        return LapState(state, step, said, (*evidence, forecast))
    if faces_left.status == "refused":
        why = _begun(forecast)
        step = _ROOM_FIRST if unseen else ""
        if leading is not None:
            asks = f"Look at {lap} before the next lot." if leading.worn else f"{lap}: how long cannot be told."
            step = step or "Look" * leading.worn
            return LapState("watch", step, f"{moved}. {asks}" if room else asks, (*evidence, why))
        if equal_readings:
            still = f"{lap}: the readings do not move. Check the reading before a face is passed by it. {why}"
            return LapState("watch", step or _READING_FIRST, f"{moved}. {still}" if room else still, (*evidence, why))
        little = f"{moved}. Too little to say how long." if room else f"{lap}: too little to say how long."
        return LapState("watch", step, f"{little} {why}", (*evidence, why))
    wears = "wears as usual" if faces_left.past_cycles else _NO_PAST
    wears = "does not go as past cycles did" if faces_left.own_way else wears
    wears = wears if faces_left.own_faces else _UNREAD
    wears = "is fresh and has no face of its own yet" if fresh else wears
    wears = f"does not wear as usual ({unusual})" if unusual else wears
    before = _ROOM_FIRST if unseen else ""
    if read_apart and not room:
        before = SECOND_READER_FIRST if one_reads else OTHER_PART_FIRST
        other = "read a face of another part number on it"
        asks = "let a second reader read one of its last faces again" if one_reads else other
        leaning = f"{lap} {read_apart}: {asks}."
    leans = bool(room or read_apart) and not fresh
    if faces_left.low is not None and faces_left.low <= 3 * shift:
        plan = f"{lap} {wears}{';' if unusual or faces_left.own_way or wears in (_NO_PAST, _UNREAD) else ', but'} plan"
        plan = f"{leaning} {'Then plan' if before else 'Plan'}" if leans else plan
        step = before if leans and before else "Plan"
        return LapState("watch", step, f"{plan} its reconditioning: {_lower(forecast)}", (*evidence, forecast))
    sentence = f"{leaning} {_begun(forecast)}" if leans else f"{lap} {wears}: {_lower(forecast)}"
    return LapState("cutting", before if leans and before else "Carry on", sentence, (*evidence, forecast))


def _begun(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]


def _lower(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]
