"""What people have said about signals: which are answered, and which were only handed to the lead and stay open."""

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cause_words import NOT_A_READING, NOT_FOUND
from spc.board.cell_view import CellView
from spc.board.results import Signal
from spc.store.store import Store

__all__ = [
    "HANDED",
    "answered_faces",
    "answered_place",
    "fault_places",
    "findings",
    "handed_text",
    "is_answered",
    "keep_answer",
    "place_of",
    "take_back_answer",
]

_SINCE = "since_face_id"  # kept with a signal: the earliest face of the set in which it may have started
_USUAL = (NOT_FOUND, "lap worn out of shape", *NOT_A_READING)  # no fault beside the usual wear, or no reading any more
HANDED = "handed to lead"  # the action kept; it moves a signal to another person and settles nothing


def keep_answer(
    store: Store,
    signal: Signal,
    *,
    check_done: str,
    cause: str,
    action: str,
    result: str,
    who: str,
    one_reading: bool = False,
    event: Mapping[str, Any] | None = None,
) -> int:
    """Keep what a person found about an open signal.

    Parameters
    ----------
    store : Store
    signal : Signal
        From a lap's report.
    check_done, cause, action, result : str
        Cause: a name of `spc.board.cause_table.CAUSES`, 'bad wipe' or 'bad reading' (which strike the reading out),
        'not found', or other words, which are counted under themselves.
    who : str
    one_reading : bool, default False
        The answer is about the one reading and says nothing of later ones the signal stands for.
    event : mapping, optional
        Also log this event, as `Store.append_event` takes it: what the answer did to the lap.

    Returns
    -------
    int
        Number of the reaction.
    """
    alone = one_reading or signal.through_face_id < 0
    with store.writing(who=who, what=f"answer on {signal.lap}: {cause}"):
        number = store.record_signal(
            lap=signal.lap,
            sign=signal.sign,
            rule=signal.rule,
            severity=signal.severity,
            sentence=signal.sentence,
            face_id=signal.face_id if alone else signal.through_face_id,
            detail={_SINCE: signal.face_id if one_reading else signal.since_face_id},
            who=who,
        )
        newest = store.highest_row("event")
        event_id = store.append_event(event, who=who, source="answer") if event is not None else None
        if store.highest_row("event") == newest:  # it stood in the log before: not for this answer to take back
            event_id = None
        return store.answer_signal(
            number, check_done=check_done, cause=cause, action=action, result=result, who=who, event_id=event_id
        )


def take_back_answer(store: Store, reaction_id: int, *, who: str, reason: str) -> str:
    """Take back an answer, and with it the event that it logged; both stay on record.

    Parameters
    ----------
    store : Store
    reaction_id : int
        From `keep_answer`.
    who, reason : str
        Both must be given.

    Returns
    -------
    str
        The event taken back with it, such as 'recharged'; '' if there is none in force.

    Raises
    ------
    StoreError
        If it is not signed and explained, or no such answer is in force.
    """
    with store.writing(who=who, what=f"answer {reaction_id} taken back"):
        answers = store.reactions()
        store.withdraw_reaction(reaction_id, who=who, reason=reason)
        logged = int(answers.loc[answers["reaction_id"] == reaction_id, "event_id"].iloc[0])
        events = store.events()
        own = events[events["event_id"] == logged]
        if own.empty:
            return ""
        store.withdraw_event(logged, who=who, reason=reason)
        return str(own["event"].iloc[0])


def findings(reactions: pd.DataFrame) -> pd.DataFrame:
    """Reactions that say what was found; a signal that was only handed on is as open as before.

    Parameters
    ----------
    reactions : DataFrame, shape (n_reactions, ...)
        From `Store.reactions`.
    """
    return reactions[reactions["action"] != HANDED]


def is_answered(view: CellView, lap: str, sign: str, face_id: int) -> bool:
    """Whether a signal of this lap and sign was answered at this face or a later one, in order of time.

    Face numbers tell no order: a log of last year may be delivered today.

    Parameters
    ----------
    view : CellView
    lap, sign : str
    face_id : int
        The first face that the signal asked about stands for.
    """
    return answered_place(view, lap, sign) >= place_of(view, lap, face_id)


def answered_place(view: CellView, lap: str, sign: str) -> int:
    """Place among the lap's rows of the newest face at which a signal of this sign was answered; -1 for none."""
    return _newest_place(view, lap, sign, handed=False)


def place_of(view: CellView, lap: str, face_id: int) -> int:
    """Place of a face among the lap's rows, oldest first; of one that is not among them that of the number before."""
    rows = view.faces_of(lap)
    ids, places = view.memo.once(lap, "places", (rows,), lambda: _places(rows))
    return places[face_id] if face_id in places else int(np.count_nonzero(ids <= face_id)) - 1


def _places(rows: pd.DataFrame) -> tuple[NDArray[np.int64], dict[int, int]]:
    ids = rows["face_id"].to_numpy(np.int64)
    return ids, {number: place for place, number in enumerate(ids.tolist())}


def answered_faces(view: CellView, lap: str) -> dict[str, tuple[int, ...]]:
    """Faces of one lap at which signals were answered, by sign; signs never answered are left out."""
    return {sign: faces for (name, sign), faces in _faces(view, handed=False).items() if name == lap}


def fault_places(view: CellView, lap: str, sign: str) -> tuple[tuple[int, int], ...]:
    """Places among the rows of one lap at which a fault was found: of each signal of a sign answered so, two ends.

    A lap found worn out of shape wears as usual and has no fault; a signal kept before the first face was stands for
    its last one alone.
    """

    def gather() -> dict[str, dict[str, tuple[tuple[int, int], ...]]]:
        said = findings(view.reactions)
        said = said[~said["cause"].isin(_USUAL)]
        faults = view.stored_signals[view.stored_signals["signal_id"].isin(said["signal_id"])]
        found: dict[str, dict[str, tuple[tuple[int, int], ...]]] = {}
        columns = (faults[name].tolist() for name in ("lap", "sign", "face_id", "detail"))
        for name, sign, last, detail in zip(*columns, strict=True):
            own = found.setdefault(name, {})
            own[sign] = (*own.get(sign, ()), (int(json.loads(detail).get(_SINCE, last)), int(last)))
        return found

    spans = view.memo.once("", "faults", (view.reactions, view.stored_signals), gather).get(lap, {}).get(sign, ())
    return tuple((place_of(view, lap, first), place_of(view, lap, last)) for first, last in spans)


def handed_text(view: CellView, signal: Signal) -> str:
    """Say who handed an open signal to the lead; '' if nobody did, or a newer face that it stands for came since.

    Parameters
    ----------
    view : CellView
    signal : Signal

    Returns
    -------
    str
        'handed to lead by Iversen'.
    """
    newest = signal.since_face_id if signal.through_face_id < 0 else signal.through_face_id
    since = place_of(view, signal.lap, newest)
    if _newest_place(view, signal.lap, signal.sign, handed=True) < since:
        return ""
    handed = view.reactions[view.reactions["action"] == HANDED]
    own = handed[(handed["lap"] == signal.lap) & (handed["sign"] == signal.sign)]
    return f"{HANDED} by {own['who'].iloc[-1]}"


def _newest_place(view: CellView, lap: str, sign: str, *, handed: bool) -> int:
    return max((place_of(view, lap, face) for face in _faces(view, handed=handed).get((lap, sign), ())), default=-1)


def _faces(view: CellView, *, handed: bool) -> dict[tuple[str, str], tuple[int, ...]]:
    """Faces of every lap and sign about which something was found, or that were handed on."""

    def gather() -> dict[tuple[str, str], tuple[int, ...]]:
        said = view.reactions[view.reactions["action"] == HANDED] if handed else findings(view.reactions)
        faces = dict(zip(view.stored_signals["signal_id"], view.stored_signals["face_id"], strict=True))
        found: dict[tuple[str, str], tuple[int, ...]] = {}
        for lap, sign, signal_id in zip(said["lap"], said["sign"], said["signal_id"], strict=True):
            if signal_id in faces:
                found[lap, sign] = (*found.get((lap, sign), ()), int(faces[signal_id]))
        return found

    return view.memo.once("", f"handed {handed}", (view.reactions, view.stored_signals), gather)
