"""The signed bow of a lap's running cycle, and the signal that it is turning."""

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from spc.board.cell_view import CellView
from spc.board.kept import digest_of_values, kept
from spc.board.results import Signal
from spc.board.room_history import RoomOfLap, own_faces
from spc.wear.signed_bow import SIGN_OF_SHAPE, SignedBow, bow_of_cycle
from spc.wear.twist_run import LEAST_IN_RUN, twist_run

__all__ = [
    "bow_of_rows", "bow_signal", "form_is_written", "form_signals", "rows_of_cycle_now", "running_bow", "twist_signal",
]  # fmt: skip

# Everything a bow is made from.
_SAID = ("kind", "first_pass", "age_faces", "flatness_low_um", "flatness_high_um", "shape")


def rows_of_cycle_now(view: CellView, lap: str, room: RoomOfLap) -> pd.DataFrame:
    """Rows of the running cycle of a lap, none where it has no face yet; readings the room sets aside are left out."""
    own, now = own_faces(view, lap, room), view.memo.same(lap, "cycle now", view.cycle_now(lap))

    def rows_now() -> pd.DataFrame:
        of_now = (own["cycle"] == now).to_numpy()
        newest = len(own) - int(np.count_nonzero(of_now))
        return own.iloc[newest:] if of_now[newest:].all() else own[of_now]  # no copy where they are the newest

    return view.memo.once(lap, "rows of cycle now", (own, now), rows_now)


def bow_of_rows(rows: pd.DataFrame) -> SignedBow:
    """Signed bow of one cycle of one lap.

    Parameters
    ----------
    rows : DataFrame, shape (n_faces, ...)
        Its numbered rows, oldest first.

    Returns
    -------
    SignedBow
        The same for the same rows, whenever asked and in whatever order they were delivered.
    """
    said = [rows[name].tolist() for name in _SAID]
    return kept("bow", digest_of_values(said), lambda: bow_of_cycle(rows, rng=np.random.default_rng(len(rows))))


def form_is_written(view: CellView) -> bool:
    """Whether any face of the cell says convex, concave or twisted."""

    def written(rows: pd.DataFrame) -> bool:
        return bool(rows["shape"].isin((*SIGN_OF_SHAPE, "twist")).any())

    return any(
        view.memo.once(lap, "form written", (frames.faces,), partial(written, frames.faces))
        for lap, frames in view.by_lap.items()
    )


def running_bow(view: CellView, lap: str, room: RoomOfLap) -> SignedBow:
    """Signed bow of the running cycle, as `rows_of_cycle_now` gives it."""
    rows = rows_of_cycle_now(view, lap, room)
    return view.memo.once(lap, "bow", (rows,), partial(bow_of_rows, rows))


def bow_signal(lap: str, rows: pd.DataFrame, bow: SignedBow, *, shift_us: int) -> Signal | None:
    """Signal that the form is turning or has turned, None while it is not.

    Parameters
    ----------
    lap : str
    rows : DataFrame, shape (n_faces, ...)
        The same rows as for `bow_of_rows`.
    bow : SignedBow
        Its result.
    shift_us : int
        When the running shift began, on the scale of `sort_us`.

    Returns
    -------
    Signal or None
        One to look at, told at the last face; it may have started with the cycle. It first spoke before the shift if
        the faces before the shift say the same by themselves.
    """
    if not bow.turning:
        return None
    now = rows[rows["first_pass"]]
    last, first = now.iloc[-1], now.iloc[0]
    before = now[now["sort_us"] < shift_us]
    spoke = before.iloc[-1] if len(before) and bow_of_rows(before).turning else last
    return Signal(
        lap=lap,
        sign="bow",
        rule="the form is turning",
        sentence=f"{lap}: {bow.sentence[:1].lower()}{bow.sentence[1:]}",
        severity="look",
        p_value=math.nan,  # a chance that it turns is none under a model of no turn
        face_id=int(last["face_id"]),
        since_face_id=int(first["face_id"]),
        since_faces=len(now) - 1,
        time_text=str(last["time_text"]),
        value_um=abs(bow.now_um),
        age_faces=float(last["age_faces"]),
        spoke_face_id=int(spoke["face_id"]),
    )


def twist_signal(lap: str, rows: pd.DataFrame, *, cycle_now: int, shift_us: int) -> Signal | None:
    """Signal that the newest faces of the running cycle read as twist, None while they do not.

    Parameters
    ----------
    lap : str
    rows : DataFrame, shape (n_faces, ...)
        Rows of the lap, from `own_faces`: those of the cycles before tell how often it twists.
    cycle_now : int
        Number of the cycle that runs on it.
    shift_us : int
        When the running shift began, on the scale of `sort_us`.
    """
    if np.count_nonzero((rows["shape"] == "twist") & (rows["cycle"] == cycle_now)) < LEAST_IN_RUN:
        return None
    written = rows[rows["first_pass"] & (rows["shape"] != "")]
    is_twist = (written["shape"] == "twist").to_numpy()
    began = int(np.count_nonzero(written["cycle"] != cycle_now))
    run = twist_run(is_twist, began=began)
    if run is None:
        return None
    before = int(np.count_nonzero(written["sort_us"].to_numpy(np.int64) < shift_us))
    spoke = written.iloc[before - 1 if twist_run(is_twist[:before], began=began) is not None else -1]
    last, since = written.iloc[-1], written.iloc[run.first]
    size = (float(last["flatness_low_um"]) + float(last["flatness_high_um"])) / 2
    return Signal(
        lap=lap,
        sign="bow",
        rule="the faces read as twist",
        sentence=(
            f"{lap}: {run.twisted:,} of its last {run.faces:,} faces read as twist, {run.twisted_before:,} of "
            f"{run.faces_before:,} before. Look first at how the part is held and at the ring, then read one face "
            "again turned by 90 degrees."
        ),
        severity="look",
        p_value=float("nan"),
        face_id=int(last["face_id"]),
        since_face_id=int(since["face_id"]),
        since_faces=run.faces - 1,
        time_text=str(last["time_text"]),
        value_um=size if np.isfinite(size) else float("nan"),
        age_faces=float(last["age_faces"]),
        spoke_face_id=int(spoke["face_id"]),
    )


def form_signals(turning: Signal | None, twist: Signal | None, *, place: Callable[[int], int]) -> tuple[Signal, ...]:
    """Say once what the form of a lap does: one that turns and twists says both, for one answer is given to it.

    Parameters
    ----------
    turning, twist : Signal or None
        From `bow_signal` and `twist_signal`, None where nothing is to be said.
    place : callable
        Where a face lies among the lap's rows, from its number.

    Returns
    -------
    tuple of Signal
        One or none. Of two it began with the one that began first, and spoke with the one that spoke last: what is new
        this shift is said to be new.
    """
    if turning is None or twist is None:
        return tuple(one for one in (turning, twist) if one is not None)
    first = min(turning, twist, key=lambda one: place(one.since_face_id))
    spoke = max((turning.spoke_face_id, twist.spoke_face_id), key=place)
    both = replace(
        turning,
        rule=f"{turning.rule}, and {twist.rule}",
        sentence=f"{turning.sentence} Beside it, {twist.sentence.removeprefix(f'{twist.lap}: ')}",
        since_face_id=first.since_face_id,
        since_faces=first.since_faces,
        spoke_face_id=spoke,
    )
    return (both,)
