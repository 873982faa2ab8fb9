"""Which sign of wear leads: where a face is lapped until it is good, its final flatness is cut off at the limit."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["LeadSign", "choose_lead_sign"]

_LEAST_FACES = 20
_LEAST_LOGGED = 0.5  # share of faces that must carry a sign before it can lead; our own rule


@dataclass(frozen=True, slots=True)
class LeadSign:
    """The sign that leads for one lap, and why."""

    sign: str  # 'flatness', 'passes', 'minutes' or 'removal rate'
    cut_off: bool  # final flatness is cut off at the limit
    faces: int  # faces with a final reading and a limit
    over_limit: int  # of them, final readings wholly over the limit
    expected_over: float  # how many a distribution that is not cut off would have put over it
    first_pass_over: int  # first readings wholly over the limit
    p_value: float  # chance of so few over the limit, were nothing cut off; NaN when too few faces
    sentence: str


def choose_lead_sign(signs: pd.DataFrame, limit_um: NDArray[np.float64]) -> LeadSign:
    """Recognise lapping until good, and choose the sign that leads then.

    Parameters
    ----------
    signs : DataFrame, shape (n_faces, ...)
        Rows of one lap from `spc.wear.signs.face_signs`.
    limit_um : ndarray, shape (n_faces,)
        Upper flatness limit of each row's part, micrometres; NaN = none.

    Returns
    -------
    LeadSign

    Notes
    -----
    Two kinds of evidence. Logged: first readings over the limit whose final readings are not. Unlogged: a lognormal
    of reading over limit, fitted as if nothing were cut off, would have put more readings over the limit than were
    seen, with under 5 % chance. The fit to cut-off data understates that number, so the second kind misses mild cases.
    """
    limit = np.asarray(limit_um, np.float64)
    if limit.shape != (len(signs),):
        raise ValueError(f"`limit_um` must have one value per row of `signs` ({len(signs)}), got shape {limit.shape}")
    final_low, final_high = signs["final_low_um"].to_numpy(np.float64), signs["final_high_um"].to_numpy(np.float64)
    usable = np.isfinite(final_low) & np.isfinite(limit) & (limit > 0)
    n = int(usable.sum())
    over = int(np.sum(final_low[usable] >= limit[usable]))
    first = signs["first_low_um"].to_numpy(np.float64)
    relapped = signs["relapped"].to_numpy(bool)
    first_over = int(np.sum(usable & (first >= limit) & relapped))
    if n < _LEAST_FACES:
        sentence = f"flatness leads; {n} faces with a limit are too few to tell whether it is cut off at the limit"
        return LeadSign("flatness", False, n, over, np.nan, first_over, np.nan, sentence)

    middle = (final_low + np.where(np.isfinite(final_high), final_high, final_low))[usable] / 2
    share = np.log(np.maximum(middle, final_high[usable] / 4) / limit[usable])
    share = share[np.isfinite(share)]
    spread = float(np.std(share, ddof=1))
    from scipy.stats import binom, norm

    p_over = float(norm.sf(-np.mean(share) / spread)) if spread > 0 else 0.0
    expected = n * p_over
    p_value = float(binom.cdf(over, n, p_over))
    cut_off = (first_over >= 3 and over <= first_over / 4) or p_value < 0.05
    if not cut_off:
        text = f"flatness leads: nothing says that its {n} final readings are cut off at the limit"
        return LeadSign("flatness", False, n, over, expected, first_over, p_value, text)
    if first_over >= 3:
        why = (
            f"{first_over} faces read over the limit first and {over} at the end: faces are lapped until they are good"
        )
    else:
        why = f"{over} of {n} final readings are over the limit where about {expected:.0f} would be expected"
    sign, lead = _stand_in(signs, np.isfinite(first), first_over)
    text = f"final flatness hides the wear ({why}), so {lead}"
    return LeadSign(sign, True, n, over, expected, first_over, p_value, text)


def _stand_in(signs: pd.DataFrame, first_logged: NDArray[np.bool_], first_over: int) -> tuple[str, str]:
    """Sign to lead with when final flatness is cut off, and how to say it."""
    if first_over >= 3 and first_logged.mean() >= _LEAST_LOGGED:
        return "flatness", "the first reading of each face leads, with passes and minutes beside it"
    if signs["relapped"].any():
        return "passes", "passes per face lead, with minutes and removal rate beside them"
    if signs["minutes"].notna().mean() >= _LEAST_LOGGED:
        return "minutes", "minutes per face within part number lead, with removal rate beside them"
    if signs["rate_um_per_min"].notna().mean() >= _LEAST_LOGGED:
        return "removal rate", "removal rate leads"
    return "flatness", "wear cannot be seen until passes, minutes or thickness before and after are logged"
