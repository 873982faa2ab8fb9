"""What the board says: one report per lap, one for the shift; every claim carries what is needed to reprint it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CANNOT_WAIT",
    "RECONDITIONING",
    "STATES",
    "Cause",
    "CycleFan",
    "CyclePath",
    "CyclePicture",
    "FacesLeft",
    "LapReport",
    "PartLeft",
    "ReconditionSlot",
    "RoomAlarm",
    "ShiftReport",
    "Signal",
]

Array = NDArray[np.float64]

# A lap's state, in order of need: what each asks of a person.
STATES: dict[str, str] = {
    "held": "stop: nothing more goes on this lap until a person has answered",
    "due": "recondition before the faces left run out",
    "watch": "something changed, or there is too little to say: look before the next lot",
    "cutting": "faces left, and nothing to look at",
    "resting": "not in use",
}

_NO_PART = "no part number"
_MOST_LONGER = 2  # part numbers named that last longer than the one that is at its limit first
CANNOT_WAIT = "it cannot wait for one"  # of a lap at its limit, in the place of its next break
RECONDITIONING = "reconditioning"  # sign of the question whether one was left out of the log


@dataclass(frozen=True, slots=True)
class Signal:
    """One thing a chart or guard says about one lap."""

    lap: str
    sign: (
        str  # what was charted: 'flatness', 'minutes', 'removal rate', 'finish', 'scratch', 'bow', 're-lap share', ...
    )
    rule: str  # in words: 'one face beyond its chart limit', 'drifting average beyond its limit', ...
    sentence: str  # the whole statement, for a person
    severity: str  # 'stop' (over limit, scratch; never filtered) or 'look'
    p_value: float  # under the stream's own model; NaN for guards that have none
    face_id: int  # the face at which it spoke
    since_face_id: int  # the earliest face of the set in which it may have started
    since_faces: int  # how many faces ago that was, 0 = the last one
    time_text: str  # when it spoke, local wall-clock as shown to a person; '' unknown
    value_um: float  # where to ring it on the cycle picture (NaN if the sign is not a length)
    age_faces: float  # its place in the cycle
    through_face_id: int = -1  # newest face whose like call this one stands for too; an answer covers it; -1 = none
    spoke_face_id: int = -1  # first face not answered yet at which its unbroken spell spoke; -1 = `face_id`
    handed: str = ""  # 'handed to lead by ...': still open, and whose it is now


@dataclass(frozen=True, slots=True)
class Cause:
    """One likely cause of a lap's signals; the likelihoods of one list add to 1, 'unknown' among them."""

    name: str
    likelihood: float  # 0 to 1
    check: str  # the cheapest check first
    action: str
    why: str  # which signs speak for it
    counted: str  # what past reactions said: 'found 3 of 5 times', '' if none logged


@dataclass(frozen=True, slots=True)
class PartLeft:
    """How many more faces of one part number until its limit; None = open-ended, as of `FacesLeft`."""

    part: str  # '' = faces without a part number
    low: float | None
    median: float | None
    high: float | None
    sentence: str  # '15 to 20 faces left'


@dataclass(frozen=True, slots=True)
class FacesLeft:
    """How many more faces (or minutes) until the limit, as a range; high None = open-ended past the horizon."""

    status: str  # 'range', 'over' (already at the limit), 'refused', 'ended' (out of use, worn or retired)
    low: float | None
    median: float | None
    high: float | None
    horizon: float  # how far the forecast looked
    unit: str  # 'faces' or 'minutes'
    level: float  # 0.9
    crossing: str  # 'path' (the wear path crosses) or 'next face' (next face exceeds with over 10 %)
    sentence: str  # '6 to 14 faces left', or the reason of the refusal and its cure
    own_faces: int  # faces of this cycle used
    past_cycles: int  # past cycles, of this lap and its sisters, borrowed from
    counted: str = "face"  # what is counted: 'pass' where faces are often lapped again, each pass as one
    if_reconditioned: str = ""  # '' or, while nobody has said whether it was, when: the range holds only if it was
    part: str = ""  # the part number that is at its limit first, '' = none known
    others: tuple[PartLeft, ...] = ()  # the other part numbers lapped lately, as they follow
    own_way: bool = False  # True: more likely than not past cycles tell neither its level nor its slope
    by_lives: bool = False  # True: how long past cycles lasted is taken in, for ranges by readings held too few of them
    from_lives: bool = False  # True: told by how long past cycles lasted until they were found worn, by no limit read
    lives_sign: str = ""  # with that: the sign of wear that says how far this one has come, '' = none

    @property
    def named(self) -> str:
        """'(B)', where other part numbers are lapped too, else ''."""
        return f"({self.part or _NO_PART})" if self.others else ""

    @property
    def longer(self) -> str:
        """'A: 15 to 20', those part numbers whose middle lies beyond the range, '' = none."""
        beyond = [
            other for other in self.others
            if self.high is not None and (other.median is None or other.median > self.high)
        ]  # fmt: skip
        shown = beyond[:_MOST_LONGER]
        told = [f"{other.part or _NO_PART}: {other.sentence.split(f' {self.counted}')[0]}" for other in shown]
        more = len(beyond) - len(told)
        return "; ".join([*told, f"{more} more part number{'' if more == 1 else 's'} longer"] if more else told)


@dataclass(frozen=True, slots=True)
class CyclePath:
    """The readings of one cycle, in order; all arrays have one length."""

    label: str  # 'this cycle', 'cycle 4, to 2026-03-12'
    age_faces: Array
    low_um: Array
    high_um: Array  # inf where the reading was open above
    face_id: NDArray[np.int64]
    text: tuple[str, ...]  # as typed
    hover: tuple[str, ...]  # one line per reading: time, operator, part and serial, as far as said
    aside: NDArray[np.bool_]  # read in a shift in which the whole room had moved: tells nothing of the lap


@dataclass(frozen=True, slots=True)
class CycleFan:
    """A forecast of the wear path beyond the last face."""

    age_faces: Array
    low_um: Array
    median_um: Array
    high_um: Array


@dataclass(frozen=True, slots=True)
class CyclePicture:
    """The cycle picture: past cycles faint, this cycle bold, the expected wear band, the limit and the fan."""

    limit_um: float  # NaN = no limit known
    limit_text: str
    now: CyclePath
    past: tuple[CyclePath, ...]
    band_age_faces: Array  # expected wear band of a usual cycle; empty = not enough past
    band_low_um: Array
    band_centre_um: Array
    band_high_um: Array
    fan: CycleFan | None
    signals: tuple[Signal, ...]
    sentence: str  # the picture in words, for those who cannot see it
    axis_note: str  # printed on the axis where the fan crosses: '6 to 14 faces left'


@dataclass(frozen=True, slots=True)
class LapReport:
    """One lap, as all three users need it."""

    lap: str
    material: str
    kind: str
    grit: str  # that runs on it, else the registered one
    state: str  # a key of STATES
    next_step: str  # the first that the sentence asks of a person: 'Recondition', 'Second reader', ...; '' = none
    sentence: str  # the one sentence for the operator
    reasons: tuple[str, ...]  # the evidence, a sentence each
    faces_left: FacesLeft
    next_break: str  # next natural break for reconditioning, or `CANNOT_WAIT`; '' = not known, or held or resting
    confidence: str  # in words
    lead_sign: str  # 'flatness', or 'passes', 'minutes' or 'removal rate' where final flatness is cut off at the limit
    signals: tuple[Signal, ...]
    causes: tuple[Cause, ...]
    safety: tuple[str, ...]  # usual cautions that go with the action asked
    picture: CyclePicture | None
    age_faces: int  # lappings since reconditioning, each further pass on a face as one
    age_minutes: float  # minutes since reconditioning, the mean for lappings without; NaN = too many of these, or none
    last_time_text: str
    last_part: str
    data_health: tuple[str, ...]  # identical readings, heaping, truncation, missing minutes, ...
    answers: tuple[tuple[str, str], ...] = ()  # (question in the operator's words, answer)
    unusual_wear: str = (
        ""  # what its sloping chart finds: 'a jump, begun at face 12 of the cycle'; '' = it wears as usual
    )
    registered_grit: str = ""  # where another one runs on it
    finished_faces: int = 0  # faces since reconditioning, however many passes each took
    asked: tuple[Signal, ...] = ()  # reconditionings that may not be logged, the newest first, for a yes or no
    retired: bool = False
    less_sure: bool = False  # its faces left rest on readings alone, which foretold too few past cycles here

    @property
    def further_reasons(self) -> tuple[str, ...]:
        """The reasons that the sentence does not say already."""
        said = self.sentence.casefold()
        return tuple(reason for reason in self.reasons if reason.rstrip(".").casefold() not in said)

    @property
    def doubt(self) -> Signal | None:
        """The open question whether the running cycle is one; None when there is none."""
        return next((signal for signal in self.signals if signal.sign == RECONDITIONING), None)


@dataclass(frozen=True, slots=True)
class RoomAlarm:
    """Many laps moving together: one alarm in place of many."""

    sentence: str
    laps: tuple[str, ...]
    p_value: float
    checks: tuple[str, ...]
    evidence: str = ""  # how far the middle lap moved, a sentence
    asked: str = ""  # the rule that answers to it are kept under; '' = it cannot be answered any more
    causes: tuple[Cause, ...] = ()  # what it may be, likeliest first
    answered: str = ""  # 'Found by Ann: ...', '' = nobody has answered
    handed: str = ""  # 'handed to lead by ...': still open, and whose it is now


@dataclass(frozen=True, slots=True)
class ReconditionSlot:
    """When to recondition one lap."""

    lap: str
    break_text: str  # the natural break; '' = it has none
    faces_until: float  # faces it usually laps until then, or until the last break it would last to; NaN: it is held
    faces_left_low: float  # low end of its range
    why: str  # in words, without the lap and the break
    instead: str = ""  # what stands in the place of a break that it has not: 'it cannot wait for one', 'none free ...'


@dataclass(frozen=True, slots=True)
class ShiftReport:
    """What needs a person this shift."""

    as_of_text: str
    shift_text: str  # 'late shift of 2026-03-04'
    sentence: str  # the one sentence for the lead
    laps: tuple[LapReport, ...]  # in order of need
    room: RoomAlarm | None
    room_before: RoomAlarm | None  # of the last shift worked before this one
    changed: tuple[str, ...]  # what changed since last shift
    holds: tuple[str, ...]  # sentences of the laps held, and of those that rest with a stop not answered
    faces_this_shift: int
    relaps_this_shift: int
    relap_share_low: float  # 95 % interval of the share, NaN if no faces
    relap_share_high: float
    pace: tuple[str, ...]  # pace within part family, in words
    go_look: tuple[str, ...]  # laps worth a look this shift, false ones among them held down
    go_look_sentence: str  # which stand apart from the others, and what that means beside their states
    false_calls: str  # how often this board cries wolf, in words
    newest_face_text: str  # when the newest face was logged
    stale: str  # '' or sentences: no face since ..., faces dated later than now
    slots: tuple[ReconditionSlot, ...] = ()  # which lap before which natural break
    not_the_room: RoomAlarm | None = None  # most laps moved, but in the faces of one operator or part number alone
    not_the_room_before: RoomAlarm | None = None  # that of the last shift worked before this one
    slots_note: str = ""  # what the plan rests on, or why there is none

    @property
    def named_shift(self) -> str:
        """The shift, as 'late shift of 2026-03-04'; '' where it says no more than the moment: no hours are set."""
        return "" if self.as_of_text.startswith(self.shift_text) else self.shift_text

    @property
    def asked_sentence(self) -> str:
        """Which laps have open questions whether they were reconditioned, of whatever cycle; '' = none.

        Those on a retired lap are no work of this shift: the lap's own report asks them.
        """
        open_on = [f"{report.lap} ({len(report.asked)})" for report in self.laps if report.asked and not report.retired]
        if not open_on:
            return ""
        return (
            f"Whether a reconditioning was left out of the log waits for a yes or no on {', '.join(open_on)}: until "
            "then only what came before it counts of such a cycle."
        )

    @property
    def doubt_of_ranges(self) -> str:
        """On which laps ranges by readings held too few past cycles, and what is done about it; '' = none."""
        told = [report for report in self.laps if report.state not in ("held", "resting")]
        by_lives = [report.lap for report in told if report.faces_left.by_lives]
        less_sure = [report.lap for report in told if report.less_sure]
        said = []
        if by_lives:
            said.append(
                f"The faces left of {', '.join(by_lives)} take in how long past cycles lasted: ranges by readings "
                "alone held too few of them here."
            )
        if less_sure:
            said.append(
                f"The faces left of {', '.join(less_sure)} are less sure than they say: such ranges held too few past "
                "cycles here."
            )
        return " ".join(said)
