"""Which sign of wear leads: where a face is lapped until it is good, its final flatness is cut off at the limit."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.chart.two_groups import rank_sum_p
from spc.measure.preston import basis_named
from spc.wear.part_offsets import without_parts

__all__ = [
    "CutOff",
    "LeadMove",
    "LeadSign",
    "choose_lead_sign",
    "cut_off_evidence",
    "cut_off_together",
    "lead_column",
    "lead_move",
]

_LEAST_FACES = 20  # final readings with a limit from which a cut is looked for; our own rule
_LATELY = 12  # faces of the running cycle that are put against as many fresh ones of each cycle; our own rule
_LEAST_FRESH = 10  # and fresh faces from which they are compared; our own rule
_P_CUT_OFF = 0.01  # so few readings over the limit by chance: final flatness is taken as cut off; our own rule
_P_DOUBTFUL = 0.2  # and here it may be; our own rule
_P_LIKE_THE_CELL = 0.5  # and here it is where the other laps of the cell are; our own rule
_SLIP_SPREADS = 6.0  # a reading so many robust spreads from the line does not shape the law; our own rule
_MOST_SLIPS = 0.1  # and no more than this share of the readings: more are the law's own tail; our own rule
_LEAST_OF_CYCLE = 6  # readings of a cycle that have a line of their own; our own rule
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
    moved: bool = False  # it has moved, whichever way


def cut_off_evidence(signs: pd.DataFrame, limit_um: NDArray[np.float64]) -> CutOff:
    """Count what the final readings of one lap say; parameters as for `choose_lead_sign`."""
    final = _Final(signs, np.asarray(limit_um, np.float64))
    single = not signs["relapped"].to_numpy(bool).any()
    expected = final.law().expected if final.faces >= _LEAST_FACES else np.nan
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
    final readings are not over it. Unlogged: a lognormal and a normal of reading over limit about a line in age in each
    cycle, fitted as if nothing were cut off, would both have put readings over the limit, where none was seen, with
    under 1 % chance of that; asked only where no reading before a further pass was ever logged, since a first reading
    is not cut off. A reading over the limit that was not lapped again, mistyped ones apart, denies it. The fit to
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

    law = final.law()
    expected = law.expected
    p_value = float(bdtr(over, n, law.chance)) if over < n else 1.0
    silent = not np.any(relapped & np.isfinite(first))  # no reading before a further pass was ever logged
    again = first_over + unread
    logged = again >= 3 and over <= again / 4
    none_over = law.over == 0 and not relapped.any()  # no further pass is logged: there was none, or nobody logs them
    doubtful = none_over and p_value < _P_DOUBTFUL
    like_the_cell = cell_cut_off and none_over and p_value < _P_LIKE_THE_CELL
    cut_off = logged or (silent and law.over == 0 and p_value < _P_CUT_OFF) or like_the_cell
    if not cut_off:
        text = f"flatness leads: nothing says that its {n} final readings are cut off at the limit"
        return LeadSign("flatness", False, False, doubtful, n, over, expected, first_over, unread, p_value, text)
    if logged:
        read = [f"{first_over} face{'s' * (first_over > 1)} read over the limit first"] if first_over else []
        were = "were" if unread > 1 else "was"
        read += [f"{unread} {were} lapped again after a pass that is not logged"] if unread else []
        why = f"{', '.join(read)} and {over} read over it at the end: faces are lapped until they are good"
    else:
        why = f"{over} of {n} final readings are over the limit where about {expected:.0f} would be expected"
    first_tells = logged and np.isfinite(first).mean() >= _LEAST_LOGGED
    sign, lead = _stand_in(signs, first_tells=first_tells)
    text = f"final flatness hides the wear ({why}), so {lead}"
    single = not relapped.any()
    return LeadSign(sign, True, not first_tells, single, n, over, expected, first_over, unread, p_value, text)


def lead_column(signs: pd.DataFrame, sign: str) -> tuple[str, str]:
    """Column of a lap's signs that holds the leading one, and its words.

    Parameters
    ----------
    signs : DataFrame, shape (n_faces, ...)
        Rows of one lap from `spc.wear.signs.face_signs`, oldest first.
    sign : {'passes', 'minutes', 'removal rate'}

    Returns
    -------
    tuple of str
        'minutes', 'minutes per face'; of the removal rate on the basis it is told on for this lap.
    """
    column, words, _ = _LEADS[sign]
    if sign == "removal rate" and len(signs):
        basis = basis_named(signs["rate_basis"].iloc[-1])
        column, words = basis.column, f"{words} {basis.per}".strip()
    return column, words


def lead_move(signs: pd.DataFrame, sign: str, *, cycle_now: int | None = None) -> LeadMove:
    """Say how far the leading sign has come since its lap was fresh.

    Parameters
    ----------
    signs : DataFrame, shape (n_faces, ...)
        Rows of one lap from `spc.wear.signs.face_signs`, oldest first.
    sign : {'passes', 'minutes', 'removal rate', 'flatness'}
        'flatness' where it is cut off and nothing stands in for it.
    cycle_now : int, optional
        Number of the cycle that runs on the lap, which may have no face yet; left out, that of its last face.

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
    column, words = lead_column(signs, sign)
    way = _LEADS[sign][2]
    rows = signs[signs["grit"] == signs["grit"].iloc[-1]] if len(signs) else signs
    level = rows[column] / rows.groupby("part", sort=False)[column].transform("median")
    fresh = (rows["age_faces"] < _LATELY) & ((rows["cycle"] > 1) | (rows["cycle"].max() == 1))
    running = rows["cycle"].max() if cycle_now is None else cycle_now
    worn = (rows["cycle"] == running) & (rows["age_faces"] >= _LATELY)
    new = level[fresh].dropna().to_numpy(np.float64)
    now = level[worn].dropna().to_numpy(np.float64)[-_LATELY:]
    if now.size < _LATELY // 2 or new.size < _LEAST_FRESH:
        beyond = f"{now.size} {'face' if now.size == 1 else 'faces'} of this cycle beyond its first {_LATELY}"
        few = f"{words}: {beyond} and {new.size} of fresh laps are too few to say how far it has worn"
        return LeadMove(few, False)
    exact = f"the last {now.size} faces against {new.size} of a fresh lap"
    if np.ptp(np.concatenate((new, now))) == 0 or rank_sum_p(now, new, exact=False) >= 0.05:
        return LeadMove(f"{words} cannot be told from those of a fresh lap yet ({exact})", False)
    up = float(np.mean(np.sign(now[:, None] - new[None, :]))) > 0  # as the ranks say: a mistyped minute turns a mean
    ratio = float(now.mean() / new.mean())
    by = f"{abs(ratio - 1):.0%} " if (ratio > 1) == up else ""
    worn = up == (way > 0)
    wear = "as wear makes them" if worn else "the other way than wear makes them"
    return LeadMove(
        f"{words} are {by}{'more' if up else 'less'} than on a fresh lap, {wear} ({exact})", worn, moved=True
    )


@dataclass(frozen=True, slots=True)
class _Law:
    """What a law of the final readings that is not cut off says of readings over the limit."""

    expected: float  # how many it would put wholly over
    chance: float  # mean over the readings
    over: int  # how many are, those far off the law (mistyped ones) apart


class _Final:
    """Final readings of one lap that have a limit."""

    def __init__(self, signs: pd.DataFrame, limit: NDArray[np.float64]) -> None:
        low, high = signs["final_low_um"].to_numpy(np.float64), signs["final_high_um"].to_numpy(np.float64)
        self.usable = usable = np.isfinite(low) & np.isfinite(limit) & (limit > 0)
        self.low, self.limit = low[usable], limit[usable]
        self.top = np.where(np.isfinite(high), high, low)[usable]
        self.age = signs["age_faces"].to_numpy(np.float64)[usable]
        cycle, part = signs["cycle"].to_numpy()[usable], signs["part"].astype(str).to_numpy()[usable]
        self.cycle, self.part = (np.unique(of, return_inverse=True)[1] for of in (cycle, part))
        self.over = int(np.sum(self.low >= self.limit))

    @property
    def faces(self) -> int:
        return int(self.low.size)

    def law(self) -> _Law:
        """Fit the law.

        A lognormal, or a normal, about a line in the lap's age in every cycle, part numbers apart, whichever expects
        fewer: a cell that reconditions in good time is not taken for one that laps until good, whether its scatter
        grows with the reading or stays that of a step, and whether or not its cycles wear alike: one line through all
        would expect at high ages what quick cycles, that have ended by then, would read. A reading on steps lies wholly
        over only half a step beyond the limit. A few readings far off the lines, mistyped ones above all, do not shape
        the law: one would widen it until much was expected over the limit.
        """
        from scipy.special import ndtr

        half_step = (self.top - self.low) / 2 / self.limit
        share, wholly = np.maximum((self.low + self.top) / 2, self.top / 4) / self.limit, 1 + half_step
        laws = []
        for value, edge, half in (
            (np.log(np.maximum(share, 1e-300)), np.log(wholly), half_step / np.maximum(share, 1e-300)),
            (share, wholly, half_step),
        ):
            of_parts = value - without_parts(value, self.age, self.cycle, self.part)
            fitted, spread, kept = _lines_through_most(
                self.age, self.cycle, value - of_parts, float(np.median(half))
            )  # fmt: skip
            chance = ndtr((fitted + of_parts - edge) / spread) if spread > 0 else np.zeros(self.faces)
            over = int(np.sum(kept & (self.low >= self.limit)))
            laws.append(_Law(float(chance.sum()), float(chance.mean()), over))
        return min(laws, key=lambda law: law.expected)


def _lines_through_most(
    age: NDArray[np.float64], cycle: NDArray[np.intp], value: NDArray[np.float64], step: float
) -> tuple[NDArray[np.float64], float, NDArray[np.bool_]]:
    """Least squares line of each cycle, their common spread, and which readings are not far off them.

    Fitted again until no reading far off is left in; far is told by the middle distance, which is taken as half a step
    at least: where most readings share one step, the next step is not far. Cycles of few readings share one line.
    """
    few = np.bincount(cycle)[cycle] < _LEAST_OF_CYCLE
    of = np.where(few, cycle.max(initial=-1) + 1, cycle)

    def lines(kept: NDArray[np.bool_]) -> tuple[NDArray[np.float64], float]:
        count = np.bincount(of, weights=kept)

        def mean(values: NDArray[np.float64]) -> NDArray[np.float64]:
            return np.asarray((np.bincount(of, weights=values * kept) / np.maximum(count, 1))[of], dtype=np.float64)

        t, level = age - mean(age), mean(value)
        square, product = mean(t * t), mean(t * (value - level))
        fitted = level + t * product / np.where(square > 0, square, 1.0)
        degrees = max(int(np.count_nonzero(kept)) - 2 * int(np.count_nonzero(count)), 1)
        return fitted, float(np.sqrt(np.sum((value - fitted)[kept] ** 2) / degrees))

    kept = np.ones(value.size, dtype=bool)
    of_all = (*lines(kept), kept)
    fitted, spread = of_all[0], of_all[1]
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
        fitted, spread = lines(kept)
    return fitted, spread, kept


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
