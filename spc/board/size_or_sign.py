"""Whether a lap is forecast by the sizes of its bow or with their signs, and whether past cycles have a say in it."""

from dataclasses import dataclass

from spc.board.lap_paths import CyclePaths, PastPaths
from spc.wear.signed_path import LEAST_SIGNED, goes_through_flat, heads_for_flat, sizes_go_through_flat

__all__ = ["WayOfReading", "way_of_reading"]

_NO_SIGN = (
    "cannot say: past cycles went through flat, and the readings of this one do not say convex or concave; log the "
    "form with every reading"
)


@dataclass(frozen=True, slots=True)
class WayOfReading:
    """Whether a lap is forecast by the sizes of its bow or with their signs, and whether past cycles have a say."""

    signed: bool
    apart: bool  # it goes through flat as hardly any past cycle did: they say nothing of it
    refused: str  # why neither can be said honestly, '' if one can


def way_of_reading(own: CyclePaths, past: PastPaths, *, turning: bool) -> WayOfReading:
    """Choose how a lap is forecast.

    Parameters
    ----------
    own : CyclePaths
        Of the running cycle.
    past : PastPaths
    turning : bool
        Whether the form of the running cycle is said to be turning.

    Returns
    -------
    WayOfReading
        With signs, and with the past cycles, where many of these went through flat. With signs and by its own readings
        alone where this cycle is turning, has been on both sides of flat, or surely heads for flat within the age that
        a cycle usually reaches. Else by size: so too where the form of a lap is not written down, its past cycles did
        not go through flat by their sizes and this one does not, though those of a sister did.
    """
    lap = own.sizes.label.rpartition(", ")[0]
    by_size = past.by_size(lap) and not sizes_go_through_flat(own.sizes, past.usual_age)
    if not own.carries_signs and past.turning and by_size:
        return WayOfReading(False, False, "")
    if not own.carries_signs:
        unsure = past.turning and own.sizes.age.size >= LEAST_SIGNED
        return WayOfReading(past.turning and not unsure, False, _NO_SIGN if unsure else "")
    if past.turning:
        return WayOfReading(True, False, "")
    apart = turning or goes_through_flat(own.signed) or heads_for_flat(own.signed, past.usual_age)
    return WayOfReading(apart, apart, "")
