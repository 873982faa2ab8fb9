"""One sign of one lap as a series of readings, ready to be charted: which faces count, in which unit, and what is bad.

Flatness, minutes and removal rate are taken from first passes: a face lapped until good hides what the lap does. The
removal rate of a lap is told on one basis (`spc.measure.preston`): as it is, or per pressure and speed.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.measure.preston import BASES, PLAIN, RateBasis, RateChoice, basis_named, choose_basis, rate_divisor

__all__ = ["NO_GRIT", "SIGNS", "Sign", "Stream", "face_of_cycle", "grit_running", "rate_unit", "stream_of"]

Array = NDArray[np.float64]

NO_GRIT = "the grit of stream "  # where nobody wrote one; the stream's number follows

_USED = (
    *("face_id", "sort_us", "part", "age_faces", "cycle", "faces_since_charge", "first_pass", "time_text", "minutes"),
    *("grit", "stream", *BASES[0].needs),
    *(
        f"{name}_{end}_um"
        for name in ("flatness", "finish", "thickness", "thickness_before")
        for end in ("low", "high")
    ),
)


@dataclass(frozen=True, slots=True)
class Sign:
    """What a sign is read in and which way is bad."""

    name: str
    unit: str  # 'um', 'min' or 'um/min'
    side: str  # 'upper': larger is worse; 'lower': smaller is worse
    words: str  # what is charted, for a person


SIGNS: dict[str, Sign] = {
    sign.name: sign
    for sign in (
        Sign("flatness", "um", "upper", "flatness at first pass"),
        Sign("minutes", "min", "upper", "lapping time at first pass"),
        Sign("removal rate", "um/min", "lower", "stock removed per minute at first pass"),
        Sign("finish", "um", "upper", "finish (Ra)"),
    )
}


@dataclass(frozen=True, slots=True)
class Stream:
    """Readings of one sign of one lap in order of time; all arrays of one length."""

    lap: str
    sign: str
    face_id: NDArray[np.int64]
    sort_us: NDArray[np.int64]
    low: Array  # in the sign's unit; equal to `high` where the reading is a number
    high: Array
    part: NDArray[np.object_]
    age_faces: Array  # place in the cycle
    cycle: NDArray[np.int64]
    grit: NDArray[np.object_]  # what ran on the lap: as written, else named after the change of grit before it
    fresh: NDArray[np.bool_]  # the first face after a charge, dressing or reconditioning
    time_text: NDArray[np.object_]
    flatness_low_um: Array  # where the cycle picture rings it; NaN unknown
    flatness_high_um: Array
    left_out: tuple[str, ...]  # what did not count, in words
    running_cycle: int  # number of the one that runs on the lap, whether it has a reading of the sign yet or not
    basis: str = PLAIN  # what a removal rate is told per, a name of `spc.measure.preston.BASES`
    basis_words: str = ""  # which basis and why, '' where nothing was logged to choose it by

    @property
    def unit(self) -> str:
        """Unit of the readings."""
        return rate_unit(self.sign, self.basis)

    def __len__(self) -> int:
        """Count the readings."""
        return int(self.face_id.size)

    def of_this_grit(self) -> NDArray[np.bool_]:
        """Mark the readings taken with the grit of the newest one: others are another stream, never joined to it."""
        return np.asarray(self.grit == self.grit[-1] if len(self) else np.zeros(0, dtype=bool), dtype=bool)

    def running(self) -> NDArray[np.bool_]:
        """Mark the readings of the running cycle since its last change of grit."""
        now = (self.cycle == self.running_cycle) & self.of_this_grit()
        return np.asarray(np.logical_and.accumulate(now[::-1])[::-1], dtype=bool)

    def where(self, keep: NDArray[np.bool_]) -> "Stream":
        """Keep only the readings marked; a start falls to the next reading kept."""
        carried = np.zeros(len(self), dtype=bool)
        runs = np.cumsum(self.fresh)
        kept = np.flatnonzero(keep)
        if kept.size:
            new = np.ones(kept.size, dtype=bool)
            new[1:] = runs[kept[1:]] != runs[kept[:-1]]
            new[0] = self.fresh[: kept[0] + 1].any()
            carried[kept] = new
        return Stream(
            self.lap, self.sign, self.face_id[keep], self.sort_us[keep], self.low[keep], self.high[keep],
            self.part[keep], self.age_faces[keep], self.cycle[keep], self.grit[keep], carried[keep],
            self.time_text[keep], self.flatness_low_um[keep], self.flatness_high_um[keep], self.left_out,
            self.running_cycle, self.basis, self.basis_words,
        )  # fmt: skip


def stream_of(
    numbered: pd.DataFrame,
    *,
    lap: str,
    sign: str,
    part: str = "",
    basis: str | None = None,
    running_cycle: int | None = None,
) -> Stream:
    """Take one sign of one lap out of the faces.

    Parameters
    ----------
    numbered : DataFrame
        Result of `spc.wear.cycle.number_cycles`: faces frame with clocks.
    lap : str
    sign : str
        A key of `SIGNS`.
    part : str, optional
        Only this part number; '' = all.
    basis : str, optional
        Of the removal rate, where limits were frozen on it; left out, chosen from what the faces carry.
    running_cycle : int, optional
        Number of the cycle that runs on the lap; left out, that of its newest face: then a cycle that has none yet is
        not known of.

    Returns
    -------
    Stream
        Only faces with a reading, and with what its basis needs; sorted as the faces frame.

    Raises
    ------
    ValueError
        If the sign is unknown.
    """
    if sign not in SIGNS:
        raise ValueError(f"`sign` must be one of {', '.join(SIGNS)}, got {sign!r}")
    rows = (numbered["lap"] == lap) & (numbered["kind"] == "face")
    if running_cycle is None:
        running_cycle = int(numbered["cycle"].to_numpy()[rows.to_numpy()][-1:].max(initial=0))
    if part:
        rows &= numbered["part"] == part
    faces = numbered[[name for name in _USED if name in numbered]]
    faces = faces if rows.all() else faces[rows.to_numpy()]
    choice = _basis(faces, sign, basis)
    low, high = _readings(faces, sign, choice.basis)
    first = np.ones(len(faces), dtype=bool) if sign == "finish" else faces["first_pass"].to_numpy(bool)
    readable = ~np.isnan(low) & ~np.isnan(high) & (high > 0)
    left_out = [choice.sentence] if choice.sentence else []
    again = int(np.count_nonzero(readable & ~first))
    if again:
        left_out.append(f"{again:,} further passes on a face already lapped are not charted")
    missing = int(np.count_nonzero(first & ~readable))
    if missing:
        left_out.append(
            f"{missing:,} faces carry no {' '.join((SIGNS[sign].words, basis_named(choice.basis).per)).strip()}"
        )
    charge = faces["faces_since_charge"].to_numpy(np.float64) == 0
    whole = Stream(
        lap,
        sign,
        faces["face_id"].to_numpy(np.int64),
        faces["sort_us"].to_numpy(np.int64),
        low,
        high,
        faces["part"].to_numpy(object),
        faces["age_faces"].to_numpy(np.float64),
        faces["cycle"].to_numpy(np.int64),
        grit_running(faces["grit"].to_numpy(object), faces["stream"].to_numpy(np.int64)),
        charge | (faces["age_faces"].to_numpy(np.float64) == 0),
        faces["time_text"].to_numpy(object),
        faces["flatness_low_um"].to_numpy(np.float64),
        faces["flatness_high_um"].to_numpy(np.float64),
        tuple(left_out),
        running_cycle,
        choice.basis,
        choice.sentence,
    )
    return whole.where(readable & first)


def face_of_cycle(age_faces: float, time_text: str) -> str:
    """Say which face, as the axis of its cycle counts it: 'face 13 of its cycle (2026-03-05 10:12)'.

    Parameters
    ----------
    age_faces : float
        Lappings before it since the cycle began.
    time_text : str
        When, as written; '' = not known.
    """
    return f"face {int(age_faces) + 1} of its cycle{f' ({time_text})' if time_text else ''}"


def rate_unit(sign: str, basis: str) -> str:
    """Give the unit of a sign's readings, of a removal rate on its basis: 'um/min per N/mm2'."""
    return basis_named(basis).unit if sign == "removal rate" else SIGNS[sign].unit


def _basis(faces: pd.DataFrame, sign: str, frozen: str | None) -> RateChoice:
    if sign != "removal rate":
        return RateChoice(PLAIN, "")
    chosen = choose_basis(faces)
    if frozen is None or frozen == chosen.basis:
        return chosen
    kept: RateBasis = basis_named(frozen)
    return RateChoice(frozen, f"removal rate {kept.per or 'as it is'}: its limits were frozen so")


def grit_running(written: NDArray[np.object_], number: NDArray[np.int64]) -> NDArray[np.object_]:
    """Grit of every face of one lap, (N,), from the grit written with it and the number of its stream.

    Where none is written it is that of the stream, else a name that begins with `NO_GRIT` and tells streams apart.
    """
    named = np.flatnonzero(written != "")
    told, first = np.unique(number[named], return_index=True)
    known = dict(zip(told.tolist(), written[named[first]].tolist(), strict=True))
    streams, place = np.unique(number, return_inverse=True)
    names = np.array([known.get(k, f"{NO_GRIT}{k}") for k in streams.tolist()], dtype=object)
    return np.asarray(names[place], dtype=object)


def _readings(faces: pd.DataFrame, sign: str, basis: str) -> tuple[Array, Array]:
    if sign in ("flatness", "finish"):
        low, high = (faces[f"{sign}_{end}_um"].to_numpy(np.float64) for end in ("low", "high"))
        return np.maximum(low, 0.0), high
    minutes = faces["minutes"].to_numpy(np.float64)
    minutes = np.where(minutes > 0, minutes, np.nan)
    if sign == "minutes":
        return minutes, minutes
    before_low, before_high, after_low, after_high = (
        faces[f"{name}_{end}_um"].to_numpy(np.float64)
        for name in ("thickness_before", "thickness")
        for end in ("low", "high")
    )
    by = minutes * rate_divisor(faces, basis)
    low, high = (before_low - after_high) / by, (before_high - after_low) / by
    usable = np.isfinite(low) & np.isfinite(high)
    return np.where(usable, np.maximum(low, 0.0), np.nan), np.where(usable, high, np.nan)
