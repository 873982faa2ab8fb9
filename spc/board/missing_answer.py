"""The answers to the question whether a reconditioning was left out of the log: yes logs it, no is kept."""

from collections.abc import Sequence
from typing import Any

from spc.board.cell_view import CellView
from spc.board.reactions import keep_answer
from spc.board.results import RECONDITIONING, Signal
from spc.store.store import Store

__all__ = ["RETIRED", "denied_faces", "keep_all", "keep_no", "keep_yes"]

RETIRED = "in use again after it was retired"  # the rule of the question about such a lap
_NOT_SO = "not reconditioned"  # the cause kept with a no


def keep_no(store: Store, question: Signal, *, who: str) -> int:
    """Keep that a lap was not reconditioned at this place; the question is not asked again, a later one is.

    A lap that laps on after it was retired is logged as returned there: its cycle goes on where it was.

    Parameters
    ----------
    store : Store
    question : Signal
        From `missing_of_lap`.
    who : str

    Returns
    -------
    int
        Number of the reaction; taking it back takes the event back.

    Raises
    ------
    ValueError
        If an event is to be logged and the times of the faces tell no place for it.
    """
    event = _event_between(store, question, "returned") if question.rule == RETIRED else None
    return keep_answer(
        store, question, check_done="asked", cause=_NOT_SO, action="none", result="the cycle goes on", who=who,
        event=event,
    )  # fmt: skip


def keep_yes(store: Store, question: Signal, *, who: str) -> int:
    """Keep that a lap was reconditioned at this place, and log it: at the first face after it, or at its return.

    Parameters
    ----------
    store : Store
    question : Signal
        From `missing_of_lap`.
    who : str

    Returns
    -------
    int
        Number of the reaction; taking it back takes the event back.

    Raises
    ------
    ValueError
        If the times of the faces tell no place for the event.
    """
    event = _event_between(store, question, "reconditioned")
    return keep_answer(
        store, question, check_done="asked", cause="reconditioned", action="logged", result="new cycle", who=who,
        event=event,
    )  # fmt: skip


def keep_all(store: Store, questions: Sequence[Signal], *, said: bool, who: str) -> tuple[int, ...]:
    """Keep one answer to several questions about a lap, all of them or none.

    Parameters
    ----------
    store : Store
    questions : sequence of Signal
        From `missing_of_lap`, of one lap, at least one.
    said : bool
        Whether it was reconditioned, at every one of these places.
    who : str

    Returns
    -------
    tuple of int
        Numbers of the reactions, the oldest place first.

    Raises
    ------
    ValueError
        If an event is to be logged and the times of the faces tell no place for it.
    """
    keep = keep_yes if said else keep_no
    with store.writing(who=who, what=f"{'reconditioned' if said else _NOT_SO}: {questions[0].lap}"):
        return tuple(keep(store, one, who=who) for one in reversed(questions))


def _event_between(store: Store, question: Signal, kind: str) -> dict[str, Any]:
    """Make an event at the place asked about: at the first face after it, or at the lap's return."""
    after, before = (store.face_versions(face).iloc[-1] for face in (question.since_face_id, question.face_id))
    of = "the next face"
    if question.face_id == question.since_face_id:  # back in use, and not lapped on since
        events = store.events(lap=question.lap)
        before = events[(events["event"] == "returned") & (events["sort_us"] >= after["sort_us"])].iloc[-1]
        of = "its return"
    elif not before["time_text"] or after["sort_us"] == before["sort_us"]:
        raise ValueError(
            f"the faces of {question.lap} around this place carry {'one' if before['time_text'] else 'no'} time, which "
            "places no event between them: write what was done into the log file, in a row between theirs"
        )
    event: dict[str, Any] = {name: before[name] for name in ("lap", "time_utc", "time_text", "sort_us")}
    return event | {"event": kind, "note": f"confirmed when asked; the time is that of {of}"}


def denied_faces(view: CellView) -> dict[str, tuple[int, ...]]:
    """First faces of the places at which a person said no, by lap."""

    def gather() -> dict[str, tuple[int, ...]]:
        said = view.reactions[(view.reactions["sign"] == RECONDITIONING) & (view.reactions["cause"] == _NOT_SO)]
        faces = dict(zip(view.stored_signals["signal_id"], view.stored_signals["face_id"], strict=True))
        found: dict[str, tuple[int, ...]] = {}
        for lap, number in zip(said["lap"], said["signal_id"], strict=True):
            found[lap] = (*found.get(lap, ()), int(faces[number]))
        return found

    return view.memo.once("", "denied", (view.reactions, view.stored_signals), gather)
