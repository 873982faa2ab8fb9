"""The signs of wear, face by face: first-pass flatness, passes, minutes and removal rate within part number, finish.

Part numbers differ, so minutes, rate and finish are told as a ratio to the median of the same part number and grit. The
removal rate of a lap is told on one basis, as it is or per pressure and speed, against the usual on that very basis.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.measure.preston import BASES, PLAIN, choose_basis, rate_divisor
from spc.wear.cycle import removed_um

__all__ = ["RATIOS", "against_usual", "face_signs", "finished_faces"]

_RATES = {basis.column: at for at, basis in enumerate(BASES)}
_NAMES = [basis.name for basis in BASES]
# What is put against its usual, and the ratio; of the rates only the one on the lap's own basis is told.
RATIOS = {"minutes": "minutes_ratio", **dict.fromkeys(_RATES, "rate_ratio"), "finish_um": "finish_ratio"}


def face_signs(numbered: pd.DataFrame) -> pd.DataFrame:
    """One row per finished face, its attempts taken together.

    Parameters
    ----------
    numbered : DataFrame, shape (n_faces, ...)
        Result of `spc.wear.cycle.number_cycles`. Optional columns: load_n (newton), area_mm2, speed_m_per_s;
        passes_elsewhere, how many passes of the face are logged on other laps before.

    Returns
    -------
    DataFrame, shape (n_finished, 30)
        Rows sorted as given, one per face, at its last attempt. Columns:
        face_id, lap, operator, part, grit, cycle, stream, life, sort_us, age_faces, shift_date, shift;
        passes - lappings this face took on this lap in this cycle; relapped - True when more than one;
        passed_before - True when it had passes before on another lap, or before the lap was reconditioned;
        first_low_um, first_high_um - flatness at the first of these passes, NaN if not logged;
        first_shape - what was written of the form then: convex, concave, twist or '';
        final_low_um, final_high_um - flatness at the last attempt;
        minutes - over all attempts, NaN if any is missing; minutes_ratio - to the median of part and grit;
        rate_um_per_min - stock removed per minute; the columns of the other `spc.measure.preston.BASES` - the same per
        N/mm2 of pressure, per m/s of speed, or both, NaN on laps that are told on another basis;
        rate_basis - the basis of the lap; rate_ratio - on it, to the median of part and grit;
        finish_um - middle of the last reading; finish_ratio.

    Notes
    -----
    Attempts belong together while lap, cycle, part, serial and face stay and the attempt number grows, whichever other
    faces are lapped between them; without a serial number they must follow each other. What an attempt number tells
    beyond the passes logged was lapped here too, unless those passes are logged elsewhere: a face that another lap
    left bad says nothing against this one. Rate follows Preston (1927), removal proportional to pressure and speed;
    where load, area or speed is not logged the part number stands for them.
    """
    return against_usual(finished_faces(numbered))


def finished_faces(numbered: pd.DataFrame) -> pd.DataFrame:
    """Give the rows of `face_signs` without the ratios to what is usual: each hangs on its own lap alone."""
    faces = np.flatnonzero((numbered["kind"] == "face").to_numpy())
    faces = faces[np.argsort(pd.factorize(numbered["lap"])[0][faces], kind="stable")]
    ordered = numbered[[name for name in _USED if name in numbered]].iloc[faces]
    piece, before = _pieces(ordered)
    together = np.argsort(piece, kind="stable")
    ordered, piece, before = ordered.iloc[together], piece[together], before[together]
    attempt = ordered["attempt"].to_numpy(np.int64)
    n = len(ordered)
    first = np.flatnonzero(np.diff(piece, prepend=-1))
    last = np.append(first[1:], n)[: first.size] - 1
    counted = last - first + 1
    before = before[first]
    passes = np.maximum(counted, attempt[last] - before)
    was_first = attempt[first] - before <= 1
    told: dict[str, Any] = {"passes": passes, "relapped": passes > 1, "passed_before": before > 0}
    for side in ("low", "high"):
        flatness = ordered[f"flatness_{side}_um"].to_numpy(np.float64)
        told[f"first_{side}_um"] = np.where(was_first, flatness[first], np.nan)
        told[f"final_{side}_um"] = flatness[last]
    told["first_shape"] = np.where(was_first, ordered["shape"].to_numpy(object)[first], "")
    minutes = ordered["minutes"].to_numpy(np.float64)
    minutes = np.where(minutes > 0, minutes, np.nan)
    removed = removed_um(ordered)
    told["minutes"] = np.where(counted == passes, np.add.reduceat(minutes, first), np.nan)
    rate = np.where(removed > 0, removed, np.nan) / minutes
    own = _bases(ordered)
    for at, basis in enumerate(BASES):
        rate_on = rate / rate_divisor(ordered, basis.name)
        told[basis.column] = (rate_on if basis.name == PLAIN else np.where(own == at, rate_on, np.nan))[last]
    told["rate_basis"] = pd.Categorical.from_codes(own[last], categories=pd.Index(_NAMES))
    finish = (ordered["finish_low_um"].to_numpy(np.float64) + ordered["finish_high_um"].to_numpy(np.float64)) / 2
    told["finish_um"] = np.where(np.isfinite(finish), finish, np.nan)[last]
    out = ordered[list(_KEPT)].iloc[last].assign(**told).iloc[np.argsort(together[last], kind="stable")]
    if (np.diff(out["sort_us"].to_numpy(np.int64)) < 0).any():
        out = out.sort_values("sort_us", kind="stable")
    return out.reset_index(drop=True)


def against_usual(signs: pd.DataFrame, usual: Mapping[str, NDArray[np.float64]] | None = None) -> pd.DataFrame:
    """Add the ratios to what is usual for a part number with a grit.

    Parameters
    ----------
    signs : DataFrame, shape (n_finished, ...)
        Rows with the columns of `face_signs`; ratios that are there are told anew.
    usual : mapping of str to ndarray of float, shape (n_finished,), optional
        For each column of `RATIOS` what is usual for each row; without it the median of the rows given.

    Returns
    -------
    DataFrame, shape (n_finished, ...)
    """
    by = [signs["part"], signs["grit"]]
    told = {ratio: pd.Series(np.nan, index=signs.index) for ratio in RATIOS.values()}
    basis = pd.Categorical(signs["rate_basis"], categories=_NAMES).codes
    for value, ratio in RATIOS.items():
        own = basis == _RATES[value] if value in _RATES else np.ones(len(signs), dtype=bool)
        if not own.any():
            continue
        if usual is None:
            middle = signs.groupby(by, sort=False)[value].transform("median").to_numpy(np.float64)
        else:
            middle = usual[value]
        told[ratio] = told[ratio].where(~own, signs[value] / np.where(middle > 0, middle, np.nan))
    return signs.assign(**told)


_KEPT = (
    *("face_id", "lap", "operator", "part", "grit", "cycle", "stream", "life", "sort_us", "age_faces"),
    *("shift_date", "shift"),
)
_USED = (
    *_KEPT,
    *("attempt", "passes_elsewhere", "serial", "face", "shape", "minutes", *BASES[0].needs),
    *(
        f"{name}_{end}_um"
        for name in ("flatness", "finish", "thickness_before", "thickness")
        for end in ("low", "high")
    ),
)


def _pieces(ordered: pd.DataFrame) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Give each row of laps one after the other the number of its piece, and how many passes were logged elsewhere."""
    n = len(ordered)
    attempt = ordered["attempt"].to_numpy(np.int64)
    before = np.zeros(n, np.int64)
    if "passes_elsewhere" in ordered:
        before[:] = np.nan_to_num(ordered["passes_elsewhere"].to_numpy(np.float64))
    if not (attempt > 1).any():
        return np.arange(n), before
    name = np.zeros(n, np.int64)
    for column in ("lap", "part", "serial", "face"):
        code = pd.factorize(ordered[column])[0]
        name = pd.factorize(name * (int(code.max()) + 1) + code)[0].astype(np.int64)  # numbered anew: no overflow
    nameless = (ordered["serial"] == "").to_numpy(bool)
    name[nameless] += n * np.cumsum(np.diff(name, prepend=-1) != 0)[nameless]  # a run of such rows is one name
    order = np.argsort(name, kind="stable")
    follows, cycle = np.zeros(n, bool), ordered["cycle"].to_numpy(np.int64)[order]
    grows = (np.diff(name[order]) == 0) & (np.diff(attempt[order]) > 0)
    follows[1:] = grows & (np.diff(cycle) == 0)
    back = order[1:][grows & (np.diff(cycle) != 0)]  # the lap was reconditioned since the pass before
    before[back] = np.maximum(before[back], attempt[order[:-1][grows & (np.diff(cycle) != 0)]])
    piece = np.empty(n, np.int64)
    piece[order] = order[np.maximum.accumulate(np.where(follows, 0, np.arange(n)))]  # numbered by their first rows
    return piece, before


def _bases(ordered: pd.DataFrame) -> NDArray[np.int8]:
    """Place in `BASES` of the basis of each row's lap; the rows of a lap stand together, oldest first."""
    own = np.full(len(ordered), _NAMES.index(PLAIN), dtype=np.int8)
    if not any(name in ordered and bool(ordered[name].notna().any()) for name in BASES[0].needs):
        return own
    lap = ordered["lap"].to_numpy(object)
    starts = np.flatnonzero(np.append(True, lap[1:] != lap[:-1]))
    for begin, end in zip(starts.tolist(), [*starts[1:].tolist(), len(lap)], strict=True):
        own[begin:end] = _NAMES.index(choose_basis(ordered.iloc[begin:end]).basis)
    return own
