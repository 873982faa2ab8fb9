"""Guards that speak at once: a coarse grit on a fine lap, a step back up the ladder, a scratch or a jump in finish.

Common practice in the trade, no published source: one coarse grain on a fine lap scratches at random, with no drift
before it, and a lap that carries a fine grit does not take a coarser one again until it is reconditioned.
"""

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.measure.grit import parse_grit

__all__ = ["GUARDS", "SHARED_HOURS", "GuardCall", "guard_grit"]

GUARDS: dict[str, str] = {
    "coarse grit": "a grit coarser than the lap is recorded to carry",
    "back up the ladder": "a coarser grit after a finer one on the same lap, not reconditioned in between",
    "grit jump": "a grit much finer than one used before on the same lap, not reconditioned in between",
    "scratch": "a scratched face after clean ones",
    "finish jump": "one face far rougher than the last ones of its part number and grit",
}

COARSER = 1.5  # a size ratio below this is the same rung of the ladder under another name; our own rule
JUMP = 3.0  # 15 to 6 and 3 to 1 are neighbours, tolerated for rough work; 60 to 10 is none [common practice, no source]
_CLEAN_BEFORE = 5  # clean faces before a scratch counts as sudden; our own rule
SHARED_HOURS = 2.0  # how far back a shared wash or bench is looked for; our own rule
_FINISH_FACTOR = 2.0  # times the usual that a finish has jumped by; our own rule
_FINISH_BEFORE = 5  # readings from which a usual finish is told, of three times as many; our own rule

_USED = (
    *("face_id", "lap", "part", "serial", "operator", "grit", "grit_um", "cycle", "sort_us", "time_text", "scratch"),
    *("finish_low_um", "finish_high_um", "cutoff_mm"),
)


@dataclass(frozen=True, slots=True)
class GuardCall:
    """One thing a guard names."""

    guard: str  # key of `GUARDS`
    lap: str
    sentence: str
    evidence: str
    action: str
    face_id: int  # the face at which it spoke; -1 when an event spoke
    since_face_id: int  # the same face: nothing came before it
    time_text: str
    sort_us: int


def guard_grit(
    numbered: pd.DataFrame,
    events: pd.DataFrame,
    laps: pd.DataFrame,
    *,
    guards: Collection[str] = tuple(GUARDS),
    lap: str = "",
) -> tuple[GuardCall, ...]:
    """Name contamination and grit mistakes.

    Parameters
    ----------
    numbered : DataFrame, shape (n_faces, ...)
        Result of `spc.wear.cycle.number_cycles` for all laps of the cell, so that a shared bench can be seen.
    events : DataFrame, shape (n_events, ...)
        Events of all laps.
    laps : DataFrame, shape (n_laps, ...)
        Columns lap and home_grit; a lap without a home grit is judged by what it carried before.
    guards : collection of str, default all
        Which guards are on.
    lap : str, default ''
        Only the calls on this lap; '' = on all.

    Returns
    -------
    tuple of GuardCall
        Oldest first.

    Raises
    ------
    ValueError
        If a guard is unknown.
    """
    unknown = sorted(set(guards) - set(GUARDS))
    if unknown:
        raise ValueError(f"`guards` must be among {', '.join(GUARDS)}; got {', '.join(unknown)}")
    faces = numbered.loc[numbered["kind"] == "face", list(_USED)]
    if (np.diff(faces["sort_us"].to_numpy(np.int64)) < 0).any():
        faces = faces.sort_values("sort_us", kind="stable")
    cleaned = events[events["event"] == "cleaned"]
    washes = {str(lap): np.sort(own.to_numpy(np.int64)) for lap, own in cleaned.groupby("lap")["sort_us"]}
    home = _home_sizes(laps)
    calls: list[GuardCall] = []
    of_lap = [(lap, _of_lap(faces, lap))] if lap else list(faces.groupby("lap", sort=False))
    told = _of_lap(events, lap) if lap else events
    for name, own in of_lap:
        own = own.reset_index(drop=True)
        if {"coarse grit", "back up the ladder"} & set(guards):
            calls += _grit_calls(str(name), own, home.get(str(name), math.nan), guards)
        if "grit jump" in guards:
            calls += _jump_calls(str(name), own, named=frozenset(call.face_id for call in calls))
        if "scratch" in guards:
            calls += _scratch_calls(str(name), own, faces, washes)
        if "finish jump" in guards:
            calls += _finish_calls(str(name), own, faces, washes)
    if "coarse grit" in guards:
        calls += _charge_calls(told, home)
    return tuple(sorted(calls, key=lambda call: (call.sort_us, call.face_id)))


def _of_lap(rows: pd.DataFrame, lap: str) -> pd.DataFrame:
    """Rows of one lap; the very frame where it holds no others."""
    own = rows["lap"].to_numpy() == lap
    return rows if own.all() else rows[own]


def _home_sizes(laps: pd.DataFrame) -> dict[str, float]:
    """Grit size each lap is recorded to carry, micrometres; laps without one are left out."""
    home = {}
    for lap, text in zip(laps["lap"], laps["home_grit"], strict=True) if len(laps) else ():
        try:
            size = parse_grit(str(text)).size_um
        except ValueError:
            continue
        if math.isfinite(size):
            home[str(lap)] = size
    return home


_STRIP = "Stop. Strip and clean the lap, wash part, hands and bottles, recondition before the fine grit goes on again."
_CLEAN = "Stop. Clean everything on the bench, hold the faces since the last clean one, look at the lap under light."


def _grit_calls(lap: str, own: pd.DataFrame, home_um: float, guards: Collection[str]) -> list[GuardCall]:
    size = own["grit_um"].to_numpy(np.float64)
    known = size[size > 0]
    usual = home_um if math.isfinite(home_um) else math.inf
    if not known.size or known.max() <= COARSER * min(float(known.min()), usual):
        return []  # no grit here is coarse beside any other: the usual lap, told without a walk through its rows
    cycle = own["cycle"].to_numpy(np.int64)
    calls = []
    finest, in_cycle, spoken = math.inf, -1, False
    for i in np.flatnonzero(size > 0).tolist():
        if cycle[i] != in_cycle:
            finest, in_cycle, spoken = math.inf, int(cycle[i]), False
        coarse = size[i] > COARSER * min(finest, usual)
        if coarse and not spoken:
            typed = own["grit"].iat[i]
            if size[i] > COARSER * finest and "back up the ladder" in guards:
                sentence = f"{lap} went back up the ladder: {typed} after {finest:g} um, not reconditioned in between."
                calls.append(_call("back up the ladder", lap, own, i, sentence, f"grit typed: {typed}", _STRIP))
            elif size[i] > COARSER * home_um and "coarse grit" in guards:
                sentence = f"A coarse grit on a fine lap: {typed} on {lap}, which carries {home_um:g} um."
                calls.append(_call("coarse grit", lap, own, i, sentence, f"grit typed: {typed}", _STRIP))
        spoken = coarse
        finest = finest if coarse else min(finest, size[i])
    return calls


def _jump_calls(lap: str, own: pd.DataFrame, *, named: Collection[int]) -> list[GuardCall]:
    """Name the first face of each step down that skips neighbouring grits: coarse grain stays in the lap.

    A ladder worked down rung by rung is measured from the finest grit used so far; a coarser grit used again begins
    another way down. The step down from a coarse grit that was named at a face of `named` is not named again.
    """
    size = own["grit_um"].to_numpy(np.float64)
    known = size[size > 0]
    if not known.size or known.max() <= JUMP * known.min():
        return []
    cycle, told = own["cycle"].to_numpy(np.int64), own["face_id"].isin(named).to_numpy()
    calls = []
    finest, in_cycle, from_named = math.inf, -1, False
    for i in np.flatnonzero(size > 0).tolist():
        grit_um = float(size[i])
        if cycle[i] != in_cycle:
            finest, in_cycle, from_named = grit_um, int(cycle[i]), False
        elif grit_um > COARSER * finest:
            finest = grit_um
        if finest > JUMP * grit_um and not from_named:
            typed = own["grit"].iat[i]
            sentence = (
                f"{lap} jumped from {finest:g} um to {typed}, not reconditioned in between: coarse grain left in the "
                "lap asks for scratches (common practice, no source)."
            )
            calls.append(_call("grit jump", lap, own, i, sentence, f"grit typed: {typed}", _STRIP))
        from_named = bool(told[i]) or (from_named and grit_um * COARSER >= finest)
        finest = min(finest, grit_um)
    return calls


def _charge_calls(events: pd.DataFrame, home: dict[str, float]) -> list[GuardCall]:
    calls: list[GuardCall] = []
    if len(events) == 0:
        return calls
    carried = np.array([home.get(lap, math.nan) for lap in events["lap"].tolist()], dtype=np.float64)
    charged = np.array([event in ("charged", "recharged") for event in events["event"].tolist()])
    for i in np.flatnonzero(charged & (events["grit_um"].to_numpy(np.float64) > COARSER * carried)).tolist():
        e = events.iloc[i]
        lap, typed = str(e["lap"]), str(e["grit"])
        sentence = f"{lap}, which carries {home[lap]:g} um, was {e['event']} with {typed}."
        noted = f"logged as {e['event']} with {typed}"
        when, at = str(e["time_text"]), int(e["sort_us"])
        calls.append(GuardCall("coarse grit", lap, sentence, noted, _STRIP, -1, -1, when, at))
    return calls


def _scratch_calls(
    lap: str, own: pd.DataFrame, faces: pd.DataFrame, washes: Mapping[str, NDArray[np.int64]]
) -> list[GuardCall]:
    scratched = own["scratch"].to_numpy(bool)
    rows = np.flatnonzero(scratched)
    calls = []
    for i in rows:
        clean = 0
        while clean < _CLEAN_BEFORE and i - clean - 1 >= 0 and not scratched[i - clean - 1]:
            clean += 1
        if clean == 0:
            continue  # the same spell of scratches has been named
        after = f"after {clean} clean faces" if clean > 1 else "after a clean face"
        after = "after at least 5 clean faces" if clean == _CLEAN_BEFORE else after
        sentence = f"A scratch on {lap} {after}: suspect one coarse grain, not wear."
        calls.append(_call("scratch", lap, own, int(i), sentence, _shared(own.iloc[i], faces, washes), _CLEAN))
    return calls


def _finish_calls(
    lap: str, own: pd.DataFrame, faces: pd.DataFrame, washes: Mapping[str, NDArray[np.int64]]
) -> list[GuardCall]:
    """Name a finish whose interval lies wholly above twice the upper ends of its forerunners' median."""
    low, high = own["finish_low_um"].to_numpy(np.float64), own["finish_high_um"].to_numpy(np.float64)
    calls = []
    read = own[np.isfinite(low) & np.isfinite(high)]
    for (_, _, cutoff), same in read.groupby(["part", "grit", read["cutoff_mm"].fillna(-1.0)], sort=False):
        rows = same.index.to_numpy()
        rolled = pd.Series(high[rows]).rolling(3 * _FINISH_BEFORE, min_periods=_FINISH_BEFORE).median()
        usual_before = rolled.shift().to_numpy(np.float64)
        named = -2
        for k in np.flatnonzero(low[rows] > _FINISH_FACTOR * usual_before).tolist():
            past, usual = high[rows[max(0, k - 3 * _FINISH_BEFORE) : k]], float(usual_before[k])
            spread = 1.4826 * float(np.median(np.abs(np.log(past / usual)))) if past.min() > 0 else 0.0
            if low[rows[k]] <= usual * math.exp(4 * spread):
                continue
            if named != k - 1:  # the same spell is named once
                middle = (low[rows] + high[rows]) / 2
                before = float(np.median(middle[max(0, k - 3 * _FINISH_BEFORE) : k]))
                sentence = (
                    f"Finish jumped on {lap}: Ra {middle[k]:.3g} um where the {past.size} before read about "
                    f"{before:.2g} um."
                )
                shared = _shared(own.iloc[rows[k]], faces, washes)
                noted = shared if cutoff > 0 else f"{shared}; cut-off not logged, so check the stylus too"
                calls.append(_call("finish jump", lap, own, int(rows[k]), sentence, noted, _CLEAN))
            named = k
    return calls


def _shared(row: pd.Series, faces: pd.DataFrame, washes: Mapping[str, NDArray[np.int64]]) -> str:
    """Say what this face shared with coarser work just before it: part, hands, wash."""
    at, size = int(row["sort_us"]), float(row["grit_um"])
    since = at - round(SHARED_HOURS * 3.6e9)
    first, last = np.searchsorted(faces["sort_us"].to_numpy(np.int64), [since, at])  # sorted by time
    window = faces.iloc[int(first) : int(last)]
    coarser = np.flatnonzero(window["grit_um"].to_numpy(np.float64) > COARSER * size)[::-1]  # the latest first
    laps, grits = window["lap"].to_numpy(), window["grit"].to_numpy()
    coarser = coarser[laps[coarser] != row["lap"]]
    found = []
    if row["serial"] and coarser.size:
        same = (window["serial"].to_numpy() == row["serial"]) & (window["part"].to_numpy() == row["part"])
        at_part = coarser[same[coarser]]
        if at_part.size:
            found.append(f"the part came from {laps[at_part[0]]} with {grits[at_part[0]]}")
    if row["operator"] and coarser.size:
        at_hand = coarser[(window["operator"].to_numpy() == row["operator"])[coarser]]
        if at_hand.size:
            found.append(f"the same hands worked {grits[at_hand[0]]} on {laps[at_hand[0]]} at the bench before")
    own_washes = washes.get(str(row["lap"]), np.empty(0, np.int64))
    washed = bool(np.any((own_washes >= since) & (own_washes <= at)))
    found.append("the lap was washed shortly before: look at the wash" if washed else "no wash logged shortly before")
    return "; ".join(found)


def _call(guard: str, lap: str, own: pd.DataFrame, i: int, sentence: str, evidence: str, action: str) -> GuardCall:
    row = own.iloc[i]
    return GuardCall(
        guard, lap, sentence, evidence, action, int(row["face_id"]), int(row["face_id"]), str(row["time_text"]),
        int(row["sort_us"]),
    )  # fmt: skip
