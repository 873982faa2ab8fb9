"""Readings of a gauge study: the same faces read again, by the same and by other readers, each reading an interval.

Names of faces and readers are put away on entry: a gauge study speaks of sizes of spread, never of people.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["GaugeReadings", "gauge_readings"]

Array = NDArray[np.float64]
Codes = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class GaugeReadings:
    """Checked readings of faces that were read at least twice."""

    face: Codes  # (n,)
    reader: Codes  # (n,), -1 = not known
    run: Codes | None  # (n,), day or round; None = not told apart
    low_um: Array  # (n,)
    high_um: Array  # (n,), finite
    step_um: float  # usual width of a reading; 0 = exact
    coarsest_um: float  # width that nine in ten readings do not exceed
    read_once: int  # readings left out because their face was read only once
    open_ended: int  # readings left out because they have no upper end
    unit: str = "um"  # '' = a table of plain numbers: then every `_um` is in the unit of the table

    @property
    def n(self) -> int:
        """Readings."""
        return self.face.size

    @property
    def faces(self) -> int:
        """Faces."""
        return int(np.unique(self.face).size)

    @property
    def readers(self) -> int:
        """Readers who are known."""
        return int(np.unique(self.reader[self.reader >= 0]).size)

    @property
    def signed(self) -> bool:
        """Whether readings go below zero, so that zero is no floor."""
        return bool((self.low_um < 0).any())

    @property
    def middle_um(self) -> Array:
        """Middle of each reading."""
        return (self.low_um + self.high_um) / 2

    @property
    def repeats(self) -> int:
        """Readings beyond the first of each face."""
        return self.n - self.faces

    def identical_share(self) -> float:
        """Share of the pairs of readings of one face that say the same; NaN without a pair."""
        same = pairs = 0
        for code in np.unique(self.face):
            rows = self.face == code
            _, counts = np.unique(np.column_stack([self.low_um[rows], self.high_um[rows]]), axis=0, return_counts=True)
            same += int((counts * (counts - 1) // 2).sum())
            pairs += int(rows.sum() * (rows.sum() - 1) // 2)
        return same / pairs if pairs else float("nan")

    def taken(self, rows: NDArray[np.bool_]) -> "GaugeReadings":
        """Take some of the readings."""
        return gauge_readings(
            self.face[rows].tolist(),
            ["" if code < 0 else str(code) for code in self.reader[rows]],
            self.low_um[rows],
            self.high_um[rows],
            run=None if self.run is None else self.run[rows].tolist(),
            unit=self.unit,
        )


def gauge_readings(
    face: Sequence[object], reader: Sequence[object], low_um: ArrayLike, high_um: ArrayLike | None = None, *,
    run: Sequence[object] | None = None, unit: str = "um",
) -> GaugeReadings:  # fmt: skip
    """Check the readings of a gauge study and put names away.

    Parameters
    ----------
    face, reader : sequence, (n,)
        Which face was read, and by whom; '' = reader not known.
    low_um, high_um : array-like, (n,)
        Each reading as an interval, micrometres; left out, `high_um` is `low_um` (exact readings).
    run : sequence, (n,), optional
        Day or round of the study.
    unit : str
        'um', or '' for a table of plain numbers.

    Returns
    -------
    GaugeReadings
        Faces read once and readings without an upper end are left out and counted.

    Raises
    ------
    ValueError
        If lengths differ, a face has no name, or a reading is no number or ends before it begins.
    """
    low = np.asarray(low_um, dtype=np.float64).ravel()
    high = low if high_um is None else np.asarray(high_um, dtype=np.float64).ravel()
    faces, readers = [str(f) for f in face], [str(r) for r in reader]
    runs = None if run is None else [str(r) for r in run]
    lengths = {"face": len(faces), "reader": len(readers), "low_um": low.size, "high_um": high.size}
    lengths |= {} if runs is None else {"run": len(runs)}
    if len(set(lengths.values())) > 1:
        raise ValueError("every column must have one entry per reading, got " + _counts(lengths))
    for at, name in enumerate(faces):
        if not name.strip():
            raise ValueError(f"`face` must name the face of every reading; reading {at + 1} has none")
    for at in np.flatnonzero(~np.isfinite(low) | np.isnan(high) | (high < low)).tolist():
        raise ValueError(f"reading {at + 1} must be an interval, low end first, got {low[at]:g} to {high[at]:g}")
    closed = np.isfinite(high)
    code = np.unique(faces, return_inverse=True)[1].astype(np.int64) if faces else np.zeros(0, np.int64)
    times = np.bincount(code[closed], minlength=int(code.max(initial=-1)) + 1)
    kept = closed & (times[code] >= 2) if faces else closed
    width = (high - low)[kept & (low > 0)]
    if width.size == 0:
        width = (high - low)[kept]
    known = np.unique([r for r in readers if r.strip()])
    who = np.array([int(np.searchsorted(known, r)) if r.strip() else -1 for r in readers], dtype=np.int64)
    return GaugeReadings(
        face=code[kept],
        reader=who[kept],
        run=None if runs is None else np.unique(runs, return_inverse=True)[1].astype(np.int64)[kept],
        low_um=low[kept],
        high_um=high[kept],
        step_um=float(np.median(width)) if width.size else 0.0,
        coarsest_um=float(np.quantile(width, 0.9, method="lower")) if width.size else 0.0,
        read_once=int((closed & ~kept).sum()),
        open_ended=int((~closed).sum()),
        unit=unit,
    )


def _counts(lengths: dict[str, int]) -> str:
    return ", ".join(f"{name} {count}" for name, count in lengths.items())
