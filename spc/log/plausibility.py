"""Knowledge of the trade that questions a row without changing it; each guard can be switched off in the settings.

All of it is common practice, no source. A guard writes a remark on the row; it never alters or hides a reading.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.settings import Settings

__all__ = ["FACTS", "Fact", "coarse_grit", "hours_long", "shift_long", "too_flat"]


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact of the trade behind a guard."""

    guard: str  # key of spc.settings.GUARDS
    about: str  # words in the lap's material that it applies to, '' = every lap
    figure: float
    unit: str
    why: str
    source: str = "common practice, no source"


FACTS: tuple[Fact, ...] = (
    Fact("too_flat", "paper", 2.5, "um", "paper on a plate bottoms out near 5 um because swarf has nowhere to go"),
    Fact("too_flat", "film", 1.0, "um", "film on a plate gives way under the edges of the face"),
    Fact("too_flat", "stone", 0.3, "um", "a flat stone seldom leaves less than about a band"),
    Fact("too_flat", "", 0.015, "um", "a twentieth of a light band is beyond an optical flat read by eye"),
    Fact("hours_on_a_face", "", 120.0, "min", "a lapped face takes minutes, not hours, and fine grits take off little"),
    Fact("shift_long_minutes", "", 480.0, "min", "minutes as long as a shift are the shift's length"),
    Fact("coarse_grit", "", 2.0, "times", "a grit coarser than the lap's own leaves scratches for many faces to come"),
)


def too_flat(
    high_um: NDArray[np.float64], material: NDArray[np.object_], material_codes: NDArray[np.integer], settings: Settings
) -> list[tuple[NDArray[np.bool_], str]]:
    """Rows whose flatness lies wholly below what the lap's material can give.

    Parameters
    ----------
    high_um : ndarray, (n_rows,), um
        Upper end of the flatness interval, NaN where none.
    material : ndarray of str, (n_materials,)
    material_codes : ndarray of int, (n_rows,)
    settings : Settings

    Returns
    -------
    list of (mask, sentence)
    """
    if not settings.guard_on("too_flat"):
        return []
    found = []
    left = np.isfinite(high_um)
    for fact in FACTS:
        if fact.guard != "too_flat":
            continue
        holds = np.array([fact.about in str(m).lower() for m in material], dtype=bool)[material_codes]
        mask = left & holds & (high_um < fact.figure)
        left &= ~mask
        if mask.any():
            what = f" for {fact.about}" if fact.about else ""
            asked = f"flatness below {fact.figure:g} um is a question about the reading{what}"
            found.append((mask, f"{asked}: {fact.why} ({fact.source})"))
    return found


def shift_long(minutes: float, shift_minutes: Sequence[int], settings: Settings) -> bool:
    """Whether minutes are those of a whole shift (one of the site's, else 480) or more than a day."""
    if not settings.guard_on("shift_long_minutes"):
        return False
    lengths = shift_minutes or [int(f.figure) for f in FACTS if f.guard == "shift_long_minutes"]
    return minutes in lengths or minutes > 1440


def hours_long(minutes: float, settings: Settings) -> str:
    """Ask about minutes that are hours; '' where there is nothing to ask. The minutes are kept."""
    fact = next(f for f in FACTS if f.guard == "hours_on_a_face")
    if not settings.guard_on(fact.guard) or not minutes > fact.figure:
        return ""
    return f"minutes over {fact.figure:g} are a question: {fact.why} ({fact.source})"


def coarse_grit(
    grit_um: NDArray[np.float64], home_um: NDArray[np.float64], settings: Settings
) -> tuple[NDArray[np.bool_], str]:
    """Rows whose grit is much coarser than the lap's own.

    Parameters
    ----------
    grit_um, home_um : ndarray, (n_rows,), um
        NaN where unknown.
    settings : Settings

    Returns
    -------
    tuple of (mask, sentence)
    """
    fact = next(f for f in FACTS if f.guard == "coarse_grit")
    with np.errstate(invalid="ignore"):
        mask = grit_um > fact.figure * home_um
    return mask & settings.guard_on("coarse_grit"), f"grit coarser than the lap's own: {fact.why} ({fact.source})"
