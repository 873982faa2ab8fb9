"""Which sign of wear leads: where a face is lapped until it is good, its final flatness is cut off at the limit."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.chart.two_groups import rank_sum_p
from spc.measure.preston import basis_named

__all__ = ["CutOff", "LeadMove", "LeadSign", "choose_lead_sign", "cut_off_evidence", "cut_off_together", "lead_move"]

_LEAST_FACES = 20
_LATELY = 12  # faces of the running cycle that are put against as many fresh ones of each cycle; our own rule
_LEAST_FRESH = 10
_P_CUT_OFF = 0.01  # so few readings over the limit by chance: final flatness is taken as cut off
_P_DOUBTFUL = 0.2  # and here it may be; our own rule
_P_LIKE_THE_CELL = 0.5  # and here it is where the other laps of the cell are; our own rule
_SLIP_SPREADS = 6.0  # a reading so many robust spreads from the line does not shape the law; our own rule
_MOST_SLIPS = 0.1  # and no more than this share of the readings: more are the law's own tail; our own rule
_ROUNDS = 10  # of fitting without such readings; two are usual
_LEAST_LOGGED = 0.5  # share of faces that must carry a sign before it can lead; our own rule
_NOTHING = "wear cannot be seen until passes, minutes or thickness before and after are logged"

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
    hides: bool  # and first readings do not tell the wear either: flatness foretells nothing
    hidden: bool  # no further pass is logged and final readings may be cut off: first passes are not known
    faces: int  # faces with a final reading and a limit
    over_limit: int  # of them, final readings wholly over the limit
    expected_over: float  # how many a distribution that is not cut off would have put over it
    first_pass_over: int  # first readings wholly over the limit of faces that were lapped again
    first_pass_unread: int  # faces lapped again whose first pass is not logged: it was not good either
    p_value: float  # chance of so few over the limit, were nothing cut off; NaN when too few faces
    sentence: str


@dataclass(frozen=True, slots=True)
class CutOff:
    """What the final readings of one lap say of a cut at the limit."""

    single: bool  # no further pass was ever logged
    faces: int  # with a final reading and a limit
    over: int  # of them wholly over it
    expected: float  # how many there would be, were nothing cut off; NaN when too few faces


@dataclass(frozen=True, slots=True)
class LeadMove:
    """How far the leading sign has come since its lap was fresh."""

    words: str
    worn: bool  # it has moved, and as wear moves it


def cut_off_evidence(signs: pd.DataFrame, limit_um: NDArray[np.float64]) -> CutOff:
    """Count what the final readings of one lap say; parameters as for `choose_lead_sign`."""
    final = _Final(signs, np.asarray(limit_um, np.float64))
    single = not signs["relapped"].to_numpy(bool).any()
    expected = final.expected_over(signs)[0] if final.faces >= _LEAST_FACES else np.nan
    return CutOff(bool(single), final.faces, final.over, expected)


def cut_off_together(laps: Sequence[CutOff]) -> bool:
    """Whether the laps of a cell that log no further pass are, taken together, lapped until good.

    Parameters
    ----------
    laps : sequence of CutOff

    Returns
    -------
    bool

    Notes
    -----
    What one lap cannot say many may: the habit is the cell's. Half as many readings over the limit as the laws of all
    laps expect would still have put more there, with under 1 % chance; half, since no law is exact over so many faces
    (our own rule).
    """
    from scipy.special import bdtr

    told = [lap for lap in laps if lap.single and np.isfinite(lap.expected)]
    faces, over = sum(lap.faces for lap in told), sum(lap.over for lap in told)
    expected = sum(lap.expected for lap in told)
    return bool(faces and over < faces and bdtr(over, faces, expected / 2 / faces) < _P_CUT_OFF)


def choose_lead_sign(signs: pd.DataFrame, limit_um: NDArray[np.float64], *, cell_cut_off: bool = False) -> LeadSign:
    """Recognise lapping until good, and choose the sign that leads then.

    Parameters
    ----------
    signs : DataFrame, shape (n_faces, ...)
        Rows of one lap from `spc.wear.signs.face_signs`.
    limit_um : ndarray, shape (n_faces,)
        Upper flatness limit of each row's part, micrometres; NaN = none.
    cell_cut_off : bool, default False
        Whether the laps of the cell that log no further pass are lapped until good, from `cut_off_together`.

    Returns
    -------
    LeadSign

    Raises
    ------
    ValueError
        If `limit_um` has not one value per row.

    Notes
    -----
    Two kinds of evidence. Logged: faces lapped again, their first reading over the limit or not logged at all, whose
    final readings are not over it. Unlogged: a lognormal and a normal of reading over limit about a line in age, fitted
    as if nothing were cut off, would both have put more readings over the limit than were seen, with under 1 % chance;
    asked only where no reading before a further pass was ever logged, since a first reading is not cut off. The fit to
    cut-off data understates that number, so this misses mild cases; where the laps of a cell say so together, a chance
    under one half will do.
    """
    from scipy.special import bdtr

    limit = np.asarray(limit_um, np.float64)
    if limit.shape != (len(signs),):
        raise ValueError(f"`limit_um` must have one value per row of `signs` ({len(signs)}), got shape {limit.shape}")
    final = _Final(signs, limit)
    n, over = final.faces, final.over
    first = signs["first_low_um"].to_numpy(np.float64)
    relapped = signs["relapped"].to_numpy(bool)
    first_over = int(np.sum(final.usable & (first >= limit) & relapped))
    unread = int(np.sum(final.usable & np.isnan(first) & relapped))
    if n < _LEAST_FACES:
        sentence = f"flatness leads; {n} faces with a limit are too few to tell whether it is cut off at the limit"
        return LeadSign("flatness", False, False, False, n, over, np.nan, first_over, unread, np.nan, sentence)

    expected, p_over = final.expected_over(signs)
    p_value = float(bdtr(over, n, p_over)) if over < n else 1.0
    silent = not np.any(relapped & np.isfinite(first))  # no reading before a further pass was ever logged
    again = first_over + unread
    logged = again >= 3 and over <= again / 4
    none_over = over == 0 and not relapped.any()  # no further pass is logged: there was none, or nobody logs them
    doubtful = none_over and p_value < _P_DOUBTFUL
    like_the_cell = cell_cut_off and none_over and p_value < _P_LIKE_THE_CELL
    cut_off = logged or (silent and p_value < _P_CUT_OFF) or like_the_cell
    if not cut_off:
        text = f"flatness leads: nothing says that its {n} final readings are cut off at the limit"
        return LeadSign("flatness", False, False, doubtful, n, over, expected, first_over, unread, p_value, text)
    if logged:
        read = [f"{first_over} faces read over the limit first"] if first_over else []
        read += [f"{unread} were lapped again after a pass that is not logged"] if unread else []
        why = f"{', '.join(read)} and {over} read over it at the end: faces are lapped until they are good"
    else:
        why = f"{over} of {n} final readings are over the limit where about {expected:.0f} would be expected"
    first_tells = logged and np.isfinite(first).mean() >= _LEAST_LOGGED
    sign, lead = _stand_in(signs, first_tells=first_tells)
    text = f"final flatness hides the wear ({why}), so {lead}"
    single = not relapped.any()
    return LeadSign(sign, True, not first_tells, single, n, over, expected, first_over, unread, p_value, text)


def lead_move(signs: pd.DataFrame, sign: str) -> LeadMove:
    """Say how far the leading sign has come since its lap was fresh.

    Parameters
    ----------
    signs : DataFrame, shape (n_faces, ...)
        Rows of one lap from `spc.wear.signs.face_signs`, oldest first.
    sign : {'passes', 'minutes', 'removal rate', 'flatness'}
        'flatness' where it is cut off and nothing stands in for it.

    Returns
    -------
    LeadMove
        The last faces of the running cycle against the first ones of all cycles, within part number and grit; or that
        they cannot be told apart, or are too few.

    Notes
    -----
    Two-sided rank-sum test at 5 %. The first cycle of a log is left out where there are others: the log may have begun
    in its middle.
    """
    if sign not in _LEADS:
        return LeadMove(_NOTHING, False)
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
        few = f"{words}: {now.size} worn and {new.size} fresh faces with them are too few to say how far it has worn"
        return LeadMove(few, False)
    exact = f"the last {now.size} faces against {new.size} of a fresh lap"
    if np.ptp(np.concatenate((new, now))) == 0 or rank_sum_p(now, new, exact=False) >= 0.05:
        return LeadMove(f"{words} cannot be told from those of a fresh lap yet ({exact})", False)
    ratio = float(now.mean() / new.mean())
    turn = "more" if ratio > 1 else "less"
    worn = (ratio > 1) == (way > 0)
    wear = "as wear makes them" if worn else "the other way than wear makes them"
    return LeadMove(f"{words} are {abs(ratio - 1):.0%} {turn} than on a fresh lap, {wear} ({exact})", worn)


class _Final:
    """Final readings of one lap that have a limit."""

    def __init__(self, signs: pd.DataFrame, limit: NDArray[np.float64]) -> None:
        self.low, self.high = signs["final_low_um"].to_numpy(np.float64), signs["final_high_um"].to_numpy(np.float64)
        self.limit = limit
        self.usable = np.isfinite(self.low) & np.isfinite(limit) & (limit > 0)
        self.faces = int(self.usable.sum())
        self.over = int(np.sum(self.low[self.usable] >= limit[self.usable]))

    def expected_over(self, signs: pd.DataFrame) -> tuple[float, float]:
        """See `_expected_over`."""
        return _expected_over(signs, self.low, self.high, self.limit, self.usable)


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
    stays that of a step. A reading on steps lies wholly over only half a step beyond the limit. A few readings far off
    the line, mistyped ones above all, do not shape the law: one would widen it until much was expected over the limit.
    """
    from scipy.special import ndtr

    top = np.where(np.isfinite(high), high, low)[usable]
    middle = np.maximum((low[usable] + top) / 2, top / 4)
    share, wholly = middle / limit[usable], 1 + (top - low[usable]) / 2 / limit[usable]
    age = signs["age_faces"].to_numpy(np.float64)[usable]
    design = np.column_stack([np.ones(age.size), age - age.mean()]) if np.ptp(age) > 0 else np.ones((age.size, 1))
    laws, half_step = [], (top - low[usable]) / 2 / limit[usable]
    for value, edge, half in (
        (np.log(np.maximum(share, 1e-300)), np.log(wholly), half_step / np.maximum(share, 1e-300)),
        (share, wholly, half_step),
    ):
        fitted, spread = _line_through_most(design, value, float(np.median(half)))
        chance = ndtr((fitted - edge) / spread) if spread > 0 else np.zeros(age.size)
        laws.append((float(chance.sum()), float(chance.mean())))
    return min(laws)


def _line_through_most(
    design: NDArray[np.float64], value: NDArray[np.float64], step: float
) -> tuple[NDArray[np.float64], float]:
    """Least squares line and spread, fitted again until no reading far off it is left in; far is told by the middle.

    The middle distance from the line is taken as half a step at least: where most readings share one step, the next
    step is not far.
    """

    def line(kept: NDArray[np.bool_]) -> tuple[NDArray[np.float64], float]:
        fitted = design @ np.linalg.lstsq(design[kept], value[kept], rcond=None)[0]
        degrees = max(int(kept.sum()) - design.shape[1], 1)
        return fitted, float(np.sqrt(np.sum((value - fitted)[kept] ** 2) / degrees))

    kept = np.ones(value.size, dtype=bool)
    of_all = fitted, spread = line(kept)
    for _ in range(_ROUNDS):
        off = value - fitted
        off = np.abs(off - np.median(off[kept]))
        usual = max(1.4826 * float(np.median(off[kept])), step, 1e-6)  # 1.4826: a normal law's spread by its middle
        near = off <= _SLIP_SPREADS * usual
        if np.array_equal(near, kept):
            break
        if near.sum() < (1 - _MOST_SLIPS) * value.size:
            return of_all
        kept = near
        fitted, spread = line(kept)
    return fitted, spread


def _stand_in(signs: pd.DataFrame, *, first_tells: bool) -> tuple[str, str]:
    """Sign to lead with when final flatness is cut off, and how to say it."""
    if first_tells:
        return "flatness", "the first reading of each face leads, with passes and minutes beside it"
    if signs["relapped"].any():
        return "passes", "passes per face lead, with minutes and removal rate beside them"
    if signs["minutes"].notna().mean() >= _LEAST_LOGGED:
        return "minutes", "minutes per face within part number lead, with removal rate beside them"
    if signs["rate_um_per_min"].notna().mean() >= _LEAST_LOGGED:
        return "removal rate", "removal rate leads"
    return "flatness", _NOTHING
