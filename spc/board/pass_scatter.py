"""How far two readings of one face lie apart where nothing changed, and what a pass usually does, on one lap."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.shown_length import length_words
from spc.measure.shown import MICROMETRE, ShownLength

__all__ = ["PassScatter", "UNKNOWN_SCATTER", "pass_scatter"]

_LEAST = 10  # differences that a scatter is taken from; our own rule
_ENDS = ("flatness_low_um", "flatness_high_um")
_LATEST = 400  # rows of the lap
_EFFICIENCY = 0.37  # of the median absolute deviation against the standard deviation, normal readings
_TO_SD = 1.4826
_STEP_SD = math.sqrt(1 / 6)  # of the difference of two readings rounded to one step, in steps


@dataclass(frozen=True, slots=True)
class PassScatter:
    """Standard deviation of the difference of two readings, and the usual change from pass to pass."""

    sd_um: float  # where nothing changed, at the most; NaN = not known yet
    free: int  # degrees of freedom it counts for
    usual_um: float  # median change from pass to pass
    usual_sd_um: float
    changes: int

    def least_um(self, level: float) -> float:
        """Least difference that scatter alone passes in a share `level` of the cases, either way; NaN = not known."""
        from scipy.special import stdtrit

        return float(stdtrit(self.free, 1 - level / 2)) * self.sd_um if self.free else math.nan

    def words(self, unit: ShownLength = MICROMETRE) -> str:
        """Say what a pass usually does on this lap, in the unit shown; '' where too few faces took more than one."""
        if self.changes < _LEAST:
            return ""
        error = _TO_SD * self.usual_sd_um / math.sqrt(self.changes)
        if abs(self.usual_um) <= 2 * error:
            return f"On this lap {self.changes:,} passes after the first changed nothing that can be told, as a rule."
        way = "flatter" if self.usual_um < 0 else "less flat"
        usual = length_words(abs(self.usual_um), "flatness", unit)
        return (
            f"On this lap a pass after the first usually reads {usual} {way} than the one before ({self.changes:,} of "
            "them)."
        )


UNKNOWN_SCATTER = PassScatter(math.nan, 0, math.nan, math.nan, 0)


def pass_scatter(rows: pd.DataFrame) -> PassScatter:
    """Take the scatter of readings from what one lap's log holds of it.

    Parameters
    ----------
    rows : DataFrame, shape (n_rows, ...)
        Faces and repeat readings of one lap, oldest first.

    Returns
    -------
    PassScatter

    Notes
    -----
    Three kinds of differences hold the scatter of two readings, and more beside it: repeat readings of a face, changes
    from pass to pass about their median, and first readings of neighbouring faces of a part number in one cycle. The
    narrowest that has enough of them counts, by their median absolute deviation: a few faces that did change widen it
    little. Our own rule; tested in tests/honesty/test_pass_to_pass.py.
    """
    rows = rows.iloc[-_LATEST:][["kind", "part", "serial", "face", "cycle", "attempt", *_ENDS]]
    low, high = (rows[end].to_numpy(np.float64) for end in _ENDS)
    read = np.isfinite(low) & np.isfinite(high)
    rows, size, step = rows[read], ((low + high) / 2)[read], (high - low)[read]
    is_face = (rows["kind"] == "face").to_numpy()
    attempt = rows["attempt"].to_numpy(np.int64)
    named = ((rows["serial"] != "") | (rows["face"] != "")).to_numpy()
    face = rows.groupby(["part", "serial", "face"], sort=False).ngroup().to_numpy(np.int64)
    cycle = rows.groupby(["part", "cycle"], sort=False).ngroup().to_numpy(np.int64)

    before, after = _pairs(np.flatnonzero(is_face & named), face)
    onward = attempt[after] > attempt[before]
    changes = (size[after] - size[before])[onward]
    before, after = _pairs(np.flatnonzero(named), face * (attempt.max(initial=0) + 1) + attempt)
    repeated = (size[after] - size[before])[~is_face[after]]
    before, after = _pairs(np.flatnonzero(is_face & (attempt <= 1)), cycle)
    beside = size[after] - size[before]
    rounding = _STEP_SD * float(np.median(step)) if step.size else 0.0
    known = [(max(_robust_sd(own), rounding), own.size) for own in (repeated, changes, beside) if own.size >= _LEAST]
    sd_um, count = min(known, default=(math.nan, 0))
    free = max(1, round(_EFFICIENCY * count)) if count else 0
    usual = (float(np.median(changes)), _robust_sd(changes)) if changes.size else (math.nan, math.nan)
    return PassScatter(sd_um, free, *usual, changes.size)


def _pairs(rows: NDArray[np.int64], group: NDArray[np.integer[Any]]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows that follow each other in one group, the earlier and the later of each two."""
    rows = rows[np.argsort(group[rows], kind="stable")]
    same = group[rows[1:]] == group[rows[:-1]]
    return rows[:-1][same], rows[1:][same]


def _robust_sd(values: NDArray[np.float64]) -> float:
    return _TO_SD * float(np.median(np.abs(values - np.median(values))))
