"""A reading far above all that a lap reads: it is asked about again before it is kept, and is no key of the form."""

import math
from dataclasses import dataclass

import pandas as pd

from dashboard.words import number

__all__ = ["FarReadingError", "Yardstick", "is_far", "usual_um"]

_FAR = 20.0  # times what is usual, above which a decimal mark or a unit is likelier wrong than the lap [our choice]


class FarReadingError(ValueError):
    """A reading that is kept only once a person has said that it was read; `typed` is its text."""

    def __init__(self, sentence: str, typed: str) -> None:
        super().__init__(sentence)
        self.typed = typed


@dataclass(frozen=True, slots=True)
class Yardstick:
    """What a lap usually reads and may read at most, um; NaN = not known."""

    usual_um: float = math.nan
    limit_um: float = math.nan

    def check(self, typed: str, um: float, *, words: str, lap: str) -> None:
        """Raise FarReadingError for a reading far above the usual one; where that is not known, above the limit."""
        known = self.usual_um > 0
        base = self.usual_um if known else self.limit_um
        if not is_far(um, base) or um <= self.limit_um:
            return
        times = float(f"{um / base:.1g}")
        of = f"what {lap} usually reads" if known else f"the limit on {lap}"
        raise FarReadingError(
            f"Nothing was kept yet: {words} is about {number(times)} times {of}. Look at the decimal mark and "
            "the unit, and correct it, or say that it was read so.",
            typed,
        )


def usual_um(faces: pd.DataFrame) -> float:
    """Return the upper end that half of a lap's readings stay at or under, um; NaN without a reading."""
    high = faces["flatness_high_um"].to_numpy(float)
    known = sorted(high[pd.notna(high) & (high < math.inf)].tolist())
    return known[(len(known) - 1) // 2] if known else math.nan


def is_far(um: float, usual: float) -> bool:
    """Whether a length lies so far above the usual one that it asks to be looked at; never where none is known."""
    return um > _FAR * usual
