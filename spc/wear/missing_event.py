"""Reconditionings that nobody logged: a cycle whose signs fall back at once to what they were when it was fresh.

Only a suggestion, with its evidence, for a person to confirm; nothing is entered by itself.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.wear.lifetime import Array

__all__ = ["MissingEvent", "suggest_missing_events"]

_LEAST_FACES = 12
_LEAST_SIDE = 4
_NEAR = 3  # faces either side within which a charge explains a fall in minutes
_LONGEST = 200  # faces of a cycle looked at, the last ones


@dataclass(frozen=True, slots=True)
class MissingEvent:
    """One place where a reconditioning may be missing."""

    lap: str
    cycle: int
    after_face_id: int  # last face before it
    before_face_id: int  # first face after it
    after_text: str  # their times as typed
    before_text: str
    signs: tuple[str, ...]  # which signs fell back
    strength: float  # log likelihood gained over a cycle without it
    sentence: str


def suggest_missing_events(signs: pd.DataFrame, numbered: pd.DataFrame) -> tuple[MissingEvent, ...]:
    """Suggest reconditionings that may have been left out of the log.

    Parameters
    ----------
    signs : DataFrame, shape (n_faces, ...)
        From `spc.wear.signs.face_signs`.
    numbered : DataFrame, shape (n_faces, ...)
        From `spc.wear.cycle.number_cycles`; gives times as typed and charges.

    Returns
    -------
    tuple of MissingEvent
        At most one per cycle, the strongest; confirm it, and ask again.

    Notes
    -----
    Log flatness and log minutes, both within part number, are each fitted as one rising line over the cycle, and as
    the same line started again at some face. The second must be likelier by a margin that grows with the faces, so
    that at most one sound cycle in 50 is ever suspected, though it is asked after anew with every face it runs (held by
    simulation for independent readings and cycles of up to 80 faces). Readings that take after the one before count as
    fewer; of cycles where they do (correlation 0.3), up to one in 20 is suspected.
    """
    faces = numbered["face_id"].to_numpy(np.int64)
    charged = set(faces[numbered["faces_since_charge"].to_numpy() == 0].tolist())
    flatness = (signs["first_low_um"] + signs["first_high_um"]) / 2
    flatness = flatness / flatness.groupby([signs["lap"], signs["part"]], sort=False).transform("median")
    streams = {
        "flatness": np.log(flatness.where(flatness > 0)).to_numpy(np.float64),
        "minutes": np.log(signs["minutes_ratio"].where(signs["minutes_ratio"] > 0)).to_numpy(np.float64),
    }
    streams = {name: np.where(np.isfinite(y), y, np.nan) for name, y in streams.items()}
    found = []
    ids, ages = signs["face_id"].tolist(), signs["age_faces"].to_numpy(np.float64)
    groups: dict[Any, Any] = signs.groupby([signs["lap"], signs["cycle"]], sort=False).indices
    for (lap, cycle), rows in groups.items():
        own = np.asarray(rows)[-_LONGEST:]
        age = ages[own]
        restarts: dict[str, tuple[float, int, float]] = {}
        for name, values in streams.items():
            place = _restart(age, values[own])
            if place is None:
                continue
            near = own[max(place[1] - _NEAR, 0) : place[1] + _NEAR + 1]
            if name == "minutes" and any(ids[i] in charged for i in near):
                continue  # a charge alone brings minutes back: nothing is missing
            restarts[name] = place
        if not restarts:
            continue
        strength, at, _ = max(restarts.values())
        named = {name: fall for name, (_, where, fall) in restarts.items() if abs(where - at) <= _NEAR}
        after, before = ids[own[at - 1]], ids[own[at]]
        since, until = (_typed_time(numbered, faces == face) for face in (after, before))
        when = f"between {since or 'an earlier face'} and {until or 'the next'}"
        fell = " and ".join(f"{name} fell by {1 - np.exp(-fall):.0%}" for name, fall in named.items())
        text = (
            f"{lap} may have been reconditioned {when}: {fell} to what the cycle began with, and rose again from "
            "there. Was it? If so, log it."
        )
        found.append(MissingEvent(str(lap), int(cycle), after, before, since, until, tuple(named), strength, text))
    return tuple(found)


def _typed_time(numbered: pd.DataFrame, of: NDArray[np.bool_]) -> str:
    """Time as typed of the newest of the rows `of`; '' when there is none."""
    rows = np.flatnonzero(of)
    return str(numbered["time_text"].iloc[int(rows[-1])]) if rows.size else ""


def _margin(n: int) -> float:
    """Log likelihood a restart must gain: by simulation of cycles that do not restart, asked after at every face."""
    return 5.0 + 0.6 * float(np.log(n))


def _restart(age: Array, y: Array) -> tuple[float, int, float] | None:
    """Gain in log likelihood, place among the rows, and fall of the best restart; None when nothing restarts."""
    known = np.flatnonzero(np.isfinite(y))
    n = known.size
    if n < _LEAST_FACES:
        return None
    t, v = age[known] - age[known[0]], y[known] - y[known].mean()
    total = float(v @ v)
    if total == 0:
        return None
    through = t - t.mean()
    plain = total - float(through @ v) ** 2 / float(through @ through)
    cuts = np.arange(_LEAST_SIDE, n - _LEAST_SIDE + 1)
    x = t[None, :] - np.where(np.arange(n)[None, :] >= cuts[:, None], t[cuts][:, None], 0.0)
    x = x - x.mean(axis=1, keepdims=True)
    square = np.sum(x * x, axis=1)
    slope = (x @ v) / square
    rest = np.where(slope > 0, total - slope**2 * square, np.inf)
    i = int(np.argmin(rest))
    if not np.isfinite(rest[i]):
        return None
    gain = 0.5 * n * float(np.log(max(plain, 1e-12) / max(rest[i], 1e-12)))
    left = v - slope[i] * x[i]
    tied = max(float(left[1:] @ left[:-1]) / float(left @ left), 0.0) if float(left @ left) > 0 else 0.0
    gain *= (1 - tied) / (1 + tied)  # so many readings fewer, where each takes after the one before
    if gain < _margin(n):
        return None
    cut = int(cuts[i])
    return gain, int(known[cut]), float(slope[i] * t[cut])
