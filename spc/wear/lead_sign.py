"""Which sign of wear leads: where a face is lapped until it is good, its final flatness is cut off at the limit."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.chart.two_groups import rank_sum_p
from spc.measure.preston import basis_named

__all__ = ["LeadSign", "choose_lead_sign", "lead_words"]

_LEAST_FACES = 20
_LATELY = 12  # faces of the running cycle that are put against as many fresh ones of each cycle; our own rule
_LEAST_FRESH = 10
_LEAST_LOGGED = 0.5  # share of faces that must carry a sign before it can lead; our own rule


# Column of `face_signs`, words, and which way wear moves it.
_LEADS = {
    "passes": ("passes", "passes per face", 1),
    "minutes": ("minutes", "minutes per face", 1),
    "removal rate": ("rate_um_per_min", "micrometres removed per minute", -1),
}


@dataclass(frozen=True, slots=True)
class LeadSign:
    """The sign that leads for one lap, and why."""

    sign: str  # 'flatness', 'passes', 'minutes' or 'removal rate'
    cut_off: bool  # final flatness is cut off at the limit
    hidden: bool  # and no earlier pass is logged: what a first pass gave is not known
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

    Raises
    ------
    ValueError
        If `limit_um` has not one value per row.

    Notes
    -----
    Two kinds of evidence. Logged: first readings over the limit whose final readings are not. Unlogged: a lognormal
    and a normal of reading over limit about a line in age, fitted as if nothing were cut off, would both have put more
    readings over the limit than were seen, with under 1 % chance; asked only where no reading before a further pass was
    ever logged, since a first reading is not cut off. The fit to cut-off data understates that number, so this misses
    mild cases.
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
        return LeadSign("flatness", False, False, n, over, np.nan, first_over, np.nan, sentence)

    expected, p_over = _expected_over(signs, final_low, final_high, limit, usable)
    from scipy.special import bdtr

    p_value = float(bdtr(over, n, p_over)) if over < n else 1.0
    silent = not np.any(relapped & np.isfinite(first))  # no reading before a further pass was ever logged
    cut_off = (first_over >= 3 and over <= first_over / 4) or (silent and p_value < 0.01)
    if not cut_off:
        text = f"flatness leads: nothing says that its {n} final readings are cut off at the limit"
        return LeadSign("flatness", False, False, n, over, expected, first_over, p_value, text)
    if first_over >= 3:
        why = (
            f"{first_over} faces read over the limit first and {over} at the end: faces are lapped until they are good"
        )
    else:
        why = f"{over} of {n} final readings are over the limit where about {expected:.0f} would be expected"
    sign, lead = _stand_in(signs, np.isfinite(first), first_over)
    text = f"final flatness hides the wear ({why}), so {lead}"
    return LeadSign(sign, True, silent and not relapped.any(), n, over, expected, first_over, p_value, text)


def lead_words(signs: pd.DataFrame, sign: str) -> str:
    """Say how far the leading sign has come since its lap was fresh.

    Parameters
    ----------
    signs : DataFrame, shape (n_faces, ...)
        Rows of one lap from `spc.wear.signs.face_signs`, oldest first.
    sign : {'passes', 'minutes', 'removal rate'}

    Returns
    -------
    str
        The last faces of the running cycle against the first ones of all cycles, within part number and grit; or that
        they cannot be told apart, or are too few.

    Notes
    -----
    Two-sided rank-sum test at 5 %. The first cycle of a log is left out where there are others: the log may have begun
    in its middle.
    """
    column, words, way = _LEADS[sign]
    if sign == "removal rate" and len(signs):
        basis = basis_named(signs["rate_basis"].iloc[-1])
        column, words = basis.column, f"{words} {basis.per}".strip()
    rows = signs[signs["grit"] == signs["grit"].iloc[-1]] if len(signs) else signs
    level = rows[column] / rows.groupby("part", sort=False)[column].transform("median")
    fresh = (rows["age_faces"] < _LATELY) & ((rows["cycle"] > 1) | (rows["cycle"].max() == 1))
    worn = (rows["cycle"] == rows["cycle"].max()) & (rows["age_faces"] >= _LATELY)
    new = level[fresh].dropna().to_numpy(np.float64)
    now = level[worn].dropna().to_numpy(np.float64)[-_LATELY:]
    if now.size < _LATELY // 2 or new.size < _LEAST_FRESH:
        return f"{words}: {now.size} worn and {new.size} fresh faces with them are too few to say how far it has worn"
    exact = f"the last {now.size} faces against {new.size} of a fresh lap"
    if np.ptp(np.concatenate((new, now))) == 0 or rank_sum_p(now, new, exact=False) >= 0.05:
        return f"{words} cannot be told from those of a fresh lap yet ({exact})"
    ratio = float(now.mean() / new.mean())
    turn = "more" if ratio > 1 else "less"
    wear = "as wear makes them" if (ratio > 1) == (way > 0) else "the other way than wear makes them"
    return f"{words} are {abs(ratio - 1):.0%} {turn} than on a fresh lap, {wear} ({exact})"


def _expected_over(
    signs: pd.DataFrame,
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    limit: NDArray[np.float64],
    usable: NDArray[np.bool_],
) -> tuple[float, float]:
    """How many final readings a law that is not cut off would put wholly over their limits, and the mean chance.

    The law is a lognormal, or a normal, about a line in the lap's age, whichever expects fewer: a cell that
    reconditions in good time is not taken for one that laps until good, whether its scatter grows with the reading or
    stays that of a step. A reading on steps lies wholly over only half a step beyond the limit.
    """
    from scipy.special import ndtr

    top = np.where(np.isfinite(high), high, low)[usable]
    middle = np.maximum((low[usable] + top) / 2, top / 4)
    share, wholly = middle / limit[usable], 1 + (top - low[usable]) / 2 / limit[usable]
    age = signs["age_faces"].to_numpy(np.float64)[usable]
    design = np.column_stack([np.ones(age.size), age - age.mean()]) if np.ptp(age) > 0 else np.ones((age.size, 1))
    laws = []
    for value, edge in ((np.log(np.maximum(share, 1e-300)), np.log(wholly)), (share, wholly)):
        fitted = design @ np.linalg.lstsq(design, value, rcond=None)[0]
        spread = float(np.sqrt(np.sum((value - fitted) ** 2) / max(age.size - design.shape[1], 1)))
        chance = ndtr((fitted - edge) / spread) if spread > 0 else np.zeros(age.size)
        laws.append((float(chance.sum()), float(chance.mean())))
    return min(laws)


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
