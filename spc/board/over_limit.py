"""Faces left over a limit: what holds a lap until a person has answered, and what is only remembered of it."""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_view import CellView, upper_limit_um
from spc.board.frozen_limits import moment_us
from spc.board.guard_signals import stop_signal
from spc.board.lap_state import plural
from spc.board.open_signals import RECENT_POINTS
from spc.board.reactions import is_answered
from spc.board.results import Signal
from spc.board.shown_length import lengths_apart, shown_length
from spc.chart.stream import SIGNS
from spc.measure.shown import MICROMETRE, typed_words
from spc.store.serials import LAPPED_AGAIN_AFTER_US
from spc.store.versions import ANOTHER_ATTEMPT

__all__ = ["over_limit_remarks", "over_limit_signals"]

_DISPOSED = ("re-lap", "regrind", "scrap")  # whoever wrote it has decided what becomes of the piece
_PIECE = ("part", "serial", "face")


class _Left(NamedTuple):
    """Faces of one lap left over the limit of one characteristic, oldest first, as places among its lappings."""

    characteristic: str
    limit_um: NDArray[np.float64]  # of every lapping
    by_first: NDArray[np.bool_]  # lappings older than any limit known, and judged by the first of those that changed
    recent: tuple[int, ...]  # of the running cycle, among its newest readings
    passed: tuple[int, ...]  # older ones of it, and those among the newest readings that came before it


def over_limit_signals(view: CellView, lap: str) -> tuple[Signal, ...]:
    """Name the faces of one lap that lie wholly over a limit and that nothing has put right.

    Parameters
    ----------
    view : CellView
    lap : str

    Returns
    -------
    tuple of Signal
        At most one per characteristic, of the oldest such face; an answer covers all of them, one on its reading alone
        that face. Good faces after it put nothing right: it is the face that is over.

    Notes
    -----
    Our own rules. A limit made tighter counts from its day on: a face read before is judged by the wider one of then;
    one read before the first limit known is judged by that one, where it is wider, and the sentence says so. A face is
    left over its limit until somebody answers, unless its outcome says that it is lapped again, reground or scrapped,
    or the same piece was read after a later pass: of a serial number a later lapping on any lap whose attempt number
    grows, or at a stage not logged of it before; without one the next row of the part whose attempt number grows. A
    serial number alone is no proof, for it may be used again: an attempt number that no log said, only counted when the
    row was taken in, is taken as one only within a shift. A hold that stays for that reason says so. What is older than
    the newest `RECENT_POINTS` readings, or came before the lap was reconditioned, holds nothing; `over_limit_remarks`
    tells it.
    """
    rows = view.lapped_of(lap)
    found = []
    for left in _left_over(view, lap):
        if places := _unanswered(view, lap, left.characteristic, left.recent):
            found.append(_signal(view, lap, rows, left, places))
    return tuple(found)


def over_limit_remarks(view: CellView, lap: str, *, ended: bool = False) -> tuple[str, ...]:
    """Tell of faces over a limit that hold the lap no longer and that nobody has answered for, a sentence each.

    Parameters
    ----------
    view : CellView
    lap : str
    ended : bool, default False
        Whether the cycle of its newest face has ended, so that none of its faces holds the lap.

    Returns
    -------
    tuple of str
    """
    rows = view.lapped_of(lap)
    told = []
    for left in _left_over(view, lap):
        places = (*left.passed, *(left.recent if ended else ()))
        if places := _unanswered(view, lap, left.characteristic, places):
            count = plural(len(places), "face")
            were, them, last = ("was", "it", "") if len(places) == 1 else ("were", "them", "the last ")
            told.append(
                f"{count} of {lap} {were} over the {left.characteristic} limit, {last}{_name(rows.iloc[places[-1]])}, "
                f"and nobody has said what became of {them}: see that nothing is passed on."
            )
    return tuple(told)


def _left_over(view: CellView, lap: str) -> tuple[_Left, ...]:
    """Find what is left over by the lap's own rows, one characteristic after the other."""
    rows = view.lapped_of(lap)
    if rows.empty:
        return ()
    limited = set(view.limits["characteristic"])
    asked = tuple(c for c in ("flatness", "finish", "parallelism", "squareness") if c in limited)
    made_from = (rows, view.limits, view.limit_history)
    return view.memo.once(lap, "left over", made_from, partial(_found, *made_from, asked))


def _found(
    rows: pd.DataFrame, limits: pd.DataFrame, history: pd.DataFrame, characteristics: Sequence[str]
) -> tuple[_Left, ...]:
    piece, found = _pieces(rows), []
    newest = np.zeros(len(rows), np.int64)  # newest row of each piece
    np.maximum.at(newest, piece, np.arange(len(rows)))
    disposed = rows["outcome"].isin(_DISPOSED).to_numpy()[newest[piece]]
    now = (rows["cycle"] == rows["cycle"].iloc[-1]).to_numpy()
    for characteristic in characteristics:
        limit, by_first = _limit_of_each(rows, limits, history, characteristic)
        low = rows[f"{characteristic}_low_um"].to_numpy(np.float64)
        read = np.flatnonzero(np.isfinite(low) & np.isfinite(limit))
        last_read = np.zeros(len(rows), np.int64)
        np.maximum.at(last_read, piece[read], read)
        over = read[(low[read] >= limit[read]) & (last_read[piece[read]] == read) & ~disposed[read]]
        if over.size == 0:
            continue
        lately = over >= read[-RECENT_POINTS:][0]
        holds, passed = over[lately & now[over]], over[lately != now[over]]
        found.append(_Left(characteristic, limit, by_first, tuple(holds.tolist()), tuple(passed.tolist())))
    return tuple(found)


def _limit_of_each(
    rows: pd.DataFrame, limits: pd.DataFrame, history: pd.DataFrame, characteristic: str
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Give the upper limit of each row: the one in force now, or the wider one in force when it was read.

    Before the first one known that is taken to be in force; the rows that it then judges are marked.
    """
    limit = upper_limit_um(rows["part"], limits, characteristic=characteristic)
    said = history[history["characteristic"] == characteristic].sort_values(["valid_from", "revision"], kind="stable")
    if said["part"].is_unique:
        return limit, np.zeros(len(rows), bool)
    begins, at = said["valid_from"].map(moment_us), rows["sort_us"].to_numpy(np.int64)
    then, first, later = np.full(len(rows), np.nan), np.full(len(rows), np.nan), np.zeros(len(rows), bool)
    for begin in begins.drop_duplicates().sort_values().tolist():
        in_force = said[begins <= begin].drop_duplicates("part", keep="last")
        of_all = upper_limit_um(rows["part"], in_force, characteristic=characteristic)
        then, first = np.where(at >= begin, of_all, then), np.where(np.isnan(first), of_all, first)
        later |= (at >= begin) & np.isfinite(of_all)
    then = np.where(later, then, first)
    return np.where(then > limit, then, limit), ~later & (first > limit)


def _pieces(rows: pd.DataFrame) -> NDArray[np.int64]:
    """Give each row the number of its piece: a row goes on with one before it, or is taken as of another piece."""
    codes = [pd.factorize(rows[name])[0] for name in (*_PIECE, "cycle")]
    attempt, new = rows["attempt"].to_numpy(np.int64), np.ones(len(rows), bool)
    new[1:] = (attempt[1:] <= attempt[:-1]) | np.any([code[1:] != code[:-1] for code in codes], axis=0)
    named = (rows["serial"] != "").to_numpy()
    piece = np.where(named, 0, np.cumsum(new))
    for code in codes[:3]:
        piece = pd.factorize(piece * (code.max(initial=0) + 1) + code)[0]  # numbered anew each time: no overflow
    order = np.argsort(piece, kind="stable")
    after = np.flatnonzero(np.diff(piece[order]) == 0) + 1
    again, before = order[after], order[after - 1]  # rows of a name, and the row of the same name before each
    again, before = again[named[again]], before[named[again]]
    starts = np.zeros(len(rows), bool)
    starts[again] = ~_goes_on(rows, again, before, piece)
    begun = np.cumsum(starts[order])
    whose = np.empty(len(rows), np.int64)
    whose[order] = piece[order] + begun  # both never fall in this order: no two pieces get one number
    return whose


def _goes_on(
    rows: pd.DataFrame, again: NDArray[np.int64], before: NDArray[np.int64], name: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Whether rows are surely of the same face as the rows of the same name before them, by what the log says."""
    attempt, stage = rows["attempt"].to_numpy(np.int64), pd.factorize(rows["stage"])[0]
    on = attempt[again] > attempt[before]
    at = np.flatnonzero(on)
    counted = at[rows["remarks"].iloc[again[at]].str.contains(ANOTHER_ATTEMPT, regex=False).to_numpy(bool)]
    apart_us = np.diff(rows["sort_us"].to_numpy(np.int64)[np.stack([before, again])[:, counted]], axis=0)[0]
    same_shift = apart_us <= LAPPED_AGAIN_AFTER_US
    for column in ("shift_date", "shift"):
        words = rows[column].to_numpy()
        same_shift &= words[again[counted]] == words[before[counted]]
    on[counted] = same_shift
    if stage.max(initial=0) > 0:
        fresh = ~pd.Series(name * (stage.max() + 1) + stage).duplicated().to_numpy()
        written = (rows["stage"] != "").to_numpy()
        on |= fresh[again] & written[again] & written[before]
    return on


def _unanswered(view: CellView, lap: str, characteristic: str, places: Sequence[int]) -> tuple[int, ...]:
    """Leave the faces that nobody has answered for and that were not read again on another lap."""
    rows = view.lapped_of(lap)
    return tuple(
        place
        for place in places
        if not is_answered(view, lap, characteristic, int(rows["face_id"].iloc[place]))
        and not _lapped_elsewhere(view, lap, place, characteristic)
    )


def _lapped_elsewhere(view: CellView, lap: str, place: int, characteristic: str) -> bool:
    """Whether the piece was surely lapped later on another lap, and read or disposed of there."""
    of = _named_alike(view, lap, place)
    of = of[of["same"] & (of["lap"] != lap)]
    return bool((of[f"{characteristic}_low_um"].notna() | of["outcome"].isin(_DISPOSED)).any())


def _named_alike(view: CellView, lap: str, place: int, *, anywhere: bool = False) -> pd.DataFrame:
    """Rows after a row, on every lap, of its part number, serial number and face; 'same' says which are surely its own.

    None without a serial number, and none where no other lap has any, unless they are asked for `anywhere`.
    """
    own = view.lapped_of(lap)
    row = own.iloc[place]
    found = [own.iloc[[place]]]
    for other in view.by_lap if row["serial"] else ():
        rows = view.lapped_of(other)
        serials = view.memo.once(other, "serials", (rows,), partial(_serials, rows))
        if other == lap or row["serial"] not in serials:
            continue
        found.append(_alike(rows.iloc[int(rows["sort_us"].searchsorted(row["sort_us"], side="right")) :], row))
    if row["serial"] and (anywhere or sum(map(len, found)) > 1):
        found.append(_alike(own.iloc[place + 1 :], row))
    rows = pd.concat(found, ignore_index=True)
    rows = rows.iloc[np.argsort(rows["sort_us"].to_numpy(), kind="stable")].reset_index(drop=True)
    return rows.assign(same=_pieces(rows) == 0).iloc[1:]


def _alike(rows: pd.DataFrame, row: pd.Series) -> pd.DataFrame:
    return rows[np.all([rows[name] == row[name] for name in _PIECE], axis=0)]


def _serials(rows: pd.DataFrame) -> frozenset[str]:
    return frozenset(rows["serial"].tolist())


def _signal(view: CellView, lap: str, rows: pd.DataFrame, left: _Left, places: Sequence[int]) -> Signal:
    row, sentence = rows.iloc[places[0]], _sentence(view, lap, rows, left, places)
    signal = stop_signal(row, lap, left.characteristic, "a face over its limit", sentence, len(rows) - 1 - places[0])
    return replace(signal, through_face_id=int(rows["face_id"].iloc[places[-1]]))


def _sentence(view: CellView, lap: str, rows: pd.DataFrame, left: _Left, places: Sequence[int]) -> str:
    what = "Ra" if left.characteristic == "finish" else left.characteristic
    row, untold = rows.iloc[places[0]], _untold(view, lap, left.characteristic, places)
    typed = typed_words(
        row[f"{left.characteristic}_text"], row["flatness_unit"] if left.characteristic == "flatness" else ""
    )
    unit = shown_length(view, lap, left.characteristic) if left.characteristic in SIGNS else MICROMETRE
    low_um = float(row[f"{left.characteristic}_low_um"])
    shown, against = lengths_apart(low_um, float(left.limit_um[places[0]]), left.characteristic, unit)
    read = f"{what} {typed} ({shown} or more) against {against} for {row['part'] or 'any part'}"
    if left.by_first[places[0]]:
        read += ", the first limit known, set only after it was read"
    if len(places) == 1 and places[0] == len(rows) - 1:
        return f"The last face read on {lap} is over its limit: {_name(row)}, {read}.{untold}"
    if len(places) == 1:
        return f"A face read on {lap} is over its limit, and nobody has answered for it: {_name(row)}, {read}.{untold}"
    last = f"and {_name(rows.iloc[places[-1]])}"
    if len(places) > 2:
        last = f"and {len(places) - 1} more up to {_name(rows.iloc[places[-1]])}"
    return f"{len(places)} faces read on {lap} are over their limit: {_name(row)}, {read}; {last}.{untold}"


def _untold(view: CellView, lap: str, characteristic: str, places: Sequence[int]) -> str:
    """Say which face bears the serial number of a held one and cannot be told to be it; '' where none does."""
    for place in places:
        of = _named_alike(view, lap, place, anywhere=True)
        of = of[~of["same"] & of[f"{characteristic}_low_um"].notna()]
        if len(of):
            row = of.iloc[0]
            return (
                f" The serial number {row['serial']} was read again on {row['lap']}"
                f"{', ' + row['time_text'] if row['time_text'] else ''}, and without a pass number (attempt) above the "
                "one before that may be another face: the hold stays until somebody answers what became of this one."
            )
    return ""


def _name(row: pd.Series) -> str:
    """Say which face, so that a person finds it: serial number, face, time and operator, as far as they are logged."""
    piece = " ".join(str(row[name]) for name in ("serial", "face") if row[name])
    when = f" of {row['time_text']}" if row["time_text"] else ""
    return (
        f"{piece or 'a face without a serial number'}{when}{' by ' + str(row['operator']) if row['operator'] else ''}"
    )
