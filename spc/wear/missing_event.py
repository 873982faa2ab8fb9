"""Reconditionings that nobody logged: a cycle whose signs fall back at once to what they were when it was fresh.

Only a suggestion, with its evidence, for a person to confirm; nothing is entered by itself.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.wear.lifetime import Array
from spc.wear.part_offsets import without_parts
from spc.wear.restarts import Restart, find_restarts

__all__ = ["MissingEvent", "suggest_missing_events"]

_NEAR = 3  # faces either side within which a charge explains fewer minutes, and two signs fall together [our rule]
_LONGEST = 200  # faces of a cycle looked at, the last ones; our own rule


@dataclass(frozen=True, slots=True)
class MissingEvent:
    """One place where a reconditioning may be missing."""

    lap: str
    cycle: int
    after_face_id: int  # last face before it
    before_face_id: int  # first face after it
    before_text: str  # its time as typed
    age_faces: float  # of the first face after it, as the cycle is logged
    signs: tuple[str, ...]  # which signs fell back
    strength: float  # log likelihood gained over a cycle without it
    sentence: str
    retired: bool = False  # the lap was retired there, and what it laps since counts as a new life


def suggest_missing_events(
    signs: pd.DataFrame,
    numbered: pd.DataFrame,
    *,
    search: Callable[[Array, Array], tuple[Restart, ...]] = find_restarts,
) -> tuple[MissingEvent, ...]:
    """Suggest reconditionings that may have been left out of the log.

    Parameters
    ----------
    signs : DataFrame, shape (n_faces, ...)
        From `spc.wear.signs.face_signs`.
    numbered : DataFrame, shape (n_faces, ...)
        From `spc.wear.cycle.number_cycles`; gives times as typed and charges.
    search : callable, default `find_restarts`
        Finds the restarts of one sign over one cycle; one that remembers them saves the cycles that have ended.

    Returns
    -------
    tuple of MissingEvent
        Lap by lap and cycle by cycle, in order of age.

    Notes
    -----
    Log flatness and log minutes, both within part number (`without_parts`), are each searched for restarts over the
    cycle, a stretch under one grit by itself (see `spc.wear.restarts.find_restarts`). Where the part numbers before and
    after a place have none in common, it is not told from them. Restarts must be likelier by a margin that grows with
    the faces, so that at most one sound cycle in 50 is ever suspected, though it is asked after anew with every face it
    runs (held by simulation for independent readings and cycles of up to 80 faces). Readings that take after the one
    before count as fewer; of cycles where they do (correlation 0.3), up to one in 20 is suspected. A charge alone
    brings minutes back: where they fall with one that is logged, or flatness fell at other places, they tell nothing by
    themselves.
    """
    faces = numbered["face_id"].to_numpy(np.int64)
    charged = set(faces[numbered["faces_since_charge"].to_numpy() == 0].tolist())
    flatness = (signs["first_low_um"] + signs["first_high_um"]) / 2
    ids, ages = signs["face_id"].tolist(), signs["age_faces"].to_numpy(np.float64)
    part = pd.factorize(signs["part"])[0]
    stretches: dict[Any, Any] = signs.groupby(["lap", "cycle", "stream"], sort=False).indices
    streams = {
        name: _within_parts(_logarithm(sign), ages, part, stretches)
        for name, sign in (("flatness", flatness), ("minutes", signs["minutes_ratio"]))
    }
    found = []
    for (lap, cycle, _), rows in stretches.items():
        own = np.asarray(rows)[-_LONGEST:]
        fell = {name: search(ages[own], values[own]) for name, values in streams.items()}
        if fell["flatness"] or any(ids[i] in charged for one in fell["minutes"] for i in own[_near(one.place)]):
            fell["minutes"] = _beside(fell["minutes"], fell["flatness"])
        for at, named in _places(fell):
            if not np.isin(part[own[:at]], part[own[at:]]).any():
                continue  # other part numbers ever since: the fall may be theirs
            after, before = ids[own[at - 1]], ids[own[at]]
            since, until = (_typed_time(numbered, faces == face) for face in (after, before))
            falls = " and ".join(f"{name} fell by {1 - np.exp(-one.fall):.0%}" for name, one in named.items())
            at_text = f"between {since or 'an earlier face'} and {until or 'the next'}"
            text = (
                f"{lap} may have been reconditioned before face {before}, {at_text}: "
                f"{falls} to what the cycle began with, and rose again from there. Was it? Say yes or no."
            )
            strength = max(one.strength for one in named.values())
            age = float(ages[own[at]])
            found.append(MissingEvent(str(lap), int(cycle), after, before, until, age, tuple(named), strength, text))
    return tuple(found)


def _within_parts(value: Array, age: Array, part: NDArray[np.intp], stretches: dict[Any, Any]) -> Array:
    """Take the part numbers out of a sign, lap by lap."""
    out = value.copy()
    of_lap: dict[str, list[NDArray[np.intp]]] = {}
    for (lap, _, _), rows in stretches.items():
        of_lap.setdefault(str(lap), []).append(np.asarray(rows))
    for own in of_lap.values():
        rows, stretch = np.concatenate(own), np.repeat(np.arange(len(own)), [each.size for each in own])
        out[rows] = without_parts(value[rows], age[rows], stretch, part[rows])
    return out


def _logarithm(sign: "pd.Series[float]") -> Array:
    """Logarithm of a sign, NaN where it has none."""
    values = sign.to_numpy(np.float64)
    known = np.isfinite(values) & (values > 0)
    return np.log(values, out=np.full(values.shape, np.nan), where=known)


def _near(place: int) -> slice:
    return slice(max(place - _NEAR, 0), place + _NEAR + 1)


def _beside(restarts: tuple[Restart, ...], others: tuple[Restart, ...]) -> tuple[Restart, ...]:
    """Those restarts that have one of the others near them."""
    return tuple(one for one in restarts if any(abs(one.place - other.place) <= _NEAR for other in others))


def _places(fell: dict[str, tuple[Restart, ...]]) -> list[tuple[int, dict[str, Restart]]]:
    """Places where one sign or more fell back, in order, each where its strongest restart is."""
    named = sorted(((one, name) for name, restarts in fell.items() for one in restarts), key=lambda p: -p[0].strength)
    places: dict[int, dict[str, Restart]] = {}
    for one, name in named:
        at = next((place for place in places if abs(place - one.place) <= _NEAR), one.place)
        places.setdefault(at, {}).setdefault(name, one)
    return [(at, {name: places[at][name] for name in fell if name in places[at]}) for at in sorted(places)]


def _typed_time(numbered: pd.DataFrame, of: NDArray[np.bool_]) -> str:
    """Time as typed of the newest of the rows `of`; '' when there is none."""
    rows = np.flatnonzero(of)
    return str(numbered["time_text"].iloc[int(rows[-1])]) if rows.size else ""
