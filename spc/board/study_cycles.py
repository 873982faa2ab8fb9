"""What the readings of a study say over whole wear cycles, and of faces at the age of reconditioning."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.study_age import PlannedAge
from spc.capability.index import MixtureIndex, QuantileIndex, mixture_index, quantile_index
from spc.capability.refusal import Refusal
from spc.model.bounds import INDEX_TAIL
from spc.model.fit_test import check_fit
from spc.model.interval_fit import FamilyChoice, IntervalFit, choose_family, fit_intervals

__all__ = ["LEAST_WHOLE", "AgeClass", "AtAge", "OverCycles", "at_planned_age", "over_cycles"]

AGE_CLASSES = 4  # ages are put into so many classes of equal number of faces; our own rule
LEAST_IN_CLASS = 20  # readings of a class that carry a law of their own; our own rule
LEAST_CYCLES = 5  # cycles from which a bound is drawn; our own rule
LEAST_WHOLE = 3  # whole cycles from which the ages of a usual cycle are weighted; our own rule
_CLASS_FIT_LEVEL = 0.05  # share of good studies in which some class would be called unfit by chance
_REPETITIONS = 200  # simulated samples: half of the whole study's, for figures that stand beside it
_GROUPS = 20  # cycles are left out in at most so many groups
# The plain bound covers too little from few cycles, where one cycle can hide the tail; so much wider, it holds what it
# says in simulated cells. Our own figure, from tests/honesty/test_whole_cycles.py.
WIDENING = 1.6
_LEAST_NEAR = 40  # readings nearest to an age from which its law is taken
_LEAST_OLDER = 0.25  # share of them that must be as old or older, else the age is beyond what was seen

Array = NDArray[np.float64]
Codes = NDArray[np.integer[Any]]


@dataclass(frozen=True, slots=True)
class AgeClass:
    """One class of ages and its law."""

    from_faces: float
    to_faces: float
    readings: int
    share: float  # of the faces of a usual whole cycle
    family: str
    fit_p_value: float  # of the law against its own readings
    median_um: float
    high_um: float  # 99.865 % point
    beyond_ppm: float


@dataclass(frozen=True, slots=True)
class OverCycles:
    """Performance over whole cycles, each age weighted as faces were made."""

    status: str  # 'computed' or 'refused'
    sentence: str
    mixture: MixtureIndex | None
    index_lower_bound: float  # one-sided at `level`, cycle to cycle spread included; NaN = too few cycles for a bound
    beyond_upper_bound_ppm: float
    classes: tuple[AgeClass, ...]
    cycles: int
    whole: int  # cycles that have ended
    level: float


@dataclass(frozen=True, slots=True)
class AtAge:
    """What the faces nearest to the planned age say."""

    status: str  # 'computed' or 'refused'
    sentence: str
    age_faces: float
    source: str
    from_faces: float  # ages of the readings used
    to_faces: float
    index: QuantileIndex | None


def over_cycles(data: pd.DataFrame, limit_um: float, *, level: float) -> OverCycles:
    """Mix the laws of the classes of age as a usual whole cycle makes them.

    Parameters
    ----------
    data : DataFrame
        lap, cycle, cycle_ended, age_faces, low_um, high_um.
    limit_um : float
    level : float
        One-sided confidence of the bounds.

    Returns
    -------
    OverCycles

    Notes
    -----
    A running cycle has made its young faces and not yet its old ones; weights come from cycles that have ended, where
    there are three or more. The bounds leave out one cycle at a time (groups of cycles where there are many), so that
    what differs from cycle to cycle is in them, and are of the laws with the heaviest tails not ruled out; each
    class keeps its law's family.

    References
    ----------
    Delete-a-group jackknife with t on groups - 1: Tukey (1958), Annals of Mathematical Statistics 29, 614; Kott (2001),
    Journal of Official Statistics 17, 521.
    """
    age = data["age_faces"].to_numpy(np.float64)
    cycle = data.groupby(["lap", "cycle"], sort=True).ngroup().to_numpy(np.int64)
    ended = data["cycle_ended"].to_numpy(bool)
    cycles, whole = np.unique(cycle).size, np.unique(cycle[ended]).size
    nan = float("nan")
    if np.isfinite(age).sum() < len(age) or len(age) < 2 * LEAST_IN_CLASS:
        why = f"no index over whole cycles: {len(age):,} readings are too few to give each age its own law"
        return OverCycles("refused", why, None, nan, nan, (), cycles, whole, level)
    inner = np.unique(np.quantile(age, np.linspace(0, 1, min(AGE_CLASSES, len(age) // LEAST_IN_CLASS) + 1))[1:-1])
    of_class = np.searchsorted(inner, age, side="right").astype(np.int64)
    weigh = ended if whole >= LEAST_WHOLE else np.ones(len(age), dtype=bool)
    low, high = data["low_um"].to_numpy(np.float64), data["high_um"].to_numpy(np.float64)
    fits: list[IntervalFit] = []
    heavy: list[IntervalFit] = []  # the law with the heaviest tail of those not ruled out, in each class
    checks: list[float] = []
    for k in range(inner.size + 1):
        here = of_class == k
        aged = f"the faces aged {age[here].min():.0f} to {age[here].max():.0f}"
        chosen = choose_family(low[here], high[here])
        if chosen.best is None or chosen.best.status == "refused":
            why = f"no index over whole cycles: no law can be fitted to {aged}: {chosen.reason}"
            return OverCycles("refused", why, None, nan, nan, (), cycles, whole, level)
        check = check_fit(chosen.best, level=_CLASS_FIT_LEVEL / (inner.size + 1), repetitions=_REPETITIONS)
        if check.status == "rejected":
            cure = "study fewer laps" if data["lap"].nunique() > 1 else "look for grits or readers mixed in them"
            why = f"no index over whole cycles: {aged} do not follow one law (p {check.p_value:.3f}); {cure}"
            return OverCycles("refused", why, None, nan, nan, (), cycles, whole, level)
        fits.append(chosen.best)
        heavy.append(max(chosen.possible, key=lambda fit: float(fit.isf(INDEX_TAIL))))
        checks.append(check.p_value)
    shares = _shares(of_class, weigh, inner.size + 1)
    mixture = mixture_index(fits, shares, limit_um)
    classes = tuple(
        AgeClass(
            from_faces=float(age[of_class == k].min()),
            to_faces=float(age[of_class == k].max()),
            readings=int((of_class == k).sum()),
            share=share,
            family=fit.family,
            fit_p_value=checks[k],
            median_um=float(fit.ppf(0.5)),
            high_um=float(fit.isf(INDEX_TAIL)),
            beyond_ppm=1e6 * float(fit.sf(limit_um)),
        )
        for k, (fit, share) in enumerate(zip(fits, shares, strict=True))
    )
    bound, most = _bounds(
        cycle, of_class, weigh, low, high, heavy, limit_um, mixture_index(heavy, shares, limit_um), level
    )
    weighed = f"as {whole:,} whole cycles made them" if whole >= LEAST_WHOLE else "as the readings stand"
    told = f", at least {bound:.2f} with {100 * level:g}% confidence" if math.isfinite(bound) else ""
    sentence = f"over whole cycles, each age weighted {weighed}: performance index {mixture.index:.2f}{told}"
    if not told:
        sentence += f"; {cycles:,} cycles are too few for a bound, {LEAST_CYCLES} are needed"
    return OverCycles("computed", sentence, mixture, bound, most, classes, cycles, whole, level)


def at_planned_age(
    data: pd.DataFrame, limit_um: float, planned: PlannedAge, *, level: float, refusals: tuple[Refusal, ...]
) -> AtAge:
    """Give the index of the faces nearest to the planned age, or say why there is none.

    Parameters
    ----------
    data : DataFrame
        age_faces, low_um, high_um.
    limit_um : float
    planned : PlannedAge
    level : float
    refusals : tuple of Refusal
        Of the whole study. Those that one law for all ages brings on are taken anew here; the others bar the same word.
    """
    nan = float("nan")

    def refused(why: str) -> AtAge:
        return AtAge("refused", why, planned.faces, planned.source, nan, nan, None)

    if not math.isfinite(planned.faces):
        return refused(f"no index at the age of reconditioning: that age is not known: {planned.source}")
    age = data["age_faces"].to_numpy(np.float64)
    wanted = max(_LEAST_NEAR, len(age) // 5)
    if len(age) < _LEAST_NEAR:
        return refused(
            f"no index at {planned.faces:.0f} faces: {len(age):,} readings are too few to single out those near"
        )
    near = np.argsort(np.abs(age - planned.faces), kind="stable")[:wanted]
    if np.mean(age[near] >= planned.faces) < _LEAST_OLDER:
        return refused(
            f"no index at {planned.faces:.0f} faces: too few readings come from laps as old (oldest: "
            f"{age.max():.0f}): an index there would be read off younger faces"
        )
    choice: FamilyChoice = choose_family(
        data["low_um"].to_numpy(np.float64)[near], data["high_um"].to_numpy(np.float64)[near]
    )
    if choice.best is None or choice.best.status == "refused":
        return refused(
            f"no index at {planned.faces:.0f} faces: no law can be fitted to the readings near: {choice.reason}"
        )
    check = check_fit(choice.best)
    if check.status == "rejected":
        return refused(f"no index at {planned.faces:.0f} faces: {check.sentence}")
    still = tuple(r for r in refusals if r.name not in ("fit rejected", "fit not checked", "trend not modelled"))
    index = quantile_index(choice, limit_um, refusals=still, level=level, repetitions=_REPETITIONS)
    oldest, youngest = float(age[near].max()), float(age[near].min())
    sentence = f"at {planned.faces:.0f} faces ({planned.source}), from {wanted:,} readings aged {youngest:.0f} to "
    return AtAge(
        "computed" if index.status == "computed" else "refused", f"{sentence}{oldest:.0f} faces: {index.sentence}",
        planned.faces, planned.source, youngest, oldest, index,
    )  # fmt: skip


def _shares(of_class: Codes, weigh: NDArray[np.bool_], classes: int) -> tuple[float, ...]:
    counts = np.bincount(of_class[weigh], minlength=classes).astype(np.float64)
    return tuple((counts / counts.sum()).tolist())


def _bounds(
    cycle: Codes, of_class: Codes, weigh: NDArray[np.bool_], low: Array, high: Array,
    fits: list[IntervalFit], limit_um: float, whole: MixtureIndex, level: float,
) -> tuple[float, float]:  # fmt: skip
    """Lower bound of the index and upper bound of the share beyond, in ppm; NaN where they cannot be drawn."""
    from scipy.special import stdtrit

    numbers = np.unique(cycle)
    if numbers.size < LEAST_CYCLES:
        return math.nan, math.nan
    group = np.searchsorted(numbers, cycle) % min(_GROUPS, numbers.size)
    values = []
    for left in range(int(group.max()) + 1):
        kept = group != left
        again = []
        for k, fit in enumerate(fits):
            rows = kept & (of_class == k)
            if rows.sum() < LEAST_IN_CLASS // 2 or not (kept & weigh).any():
                return math.nan, math.nan
            again.append(fit_intervals(low[rows], high[rows], family=fit.family))
        if any(fit.status == "refused" for fit in again):
            return math.nan, math.nan
        mixed = mixture_index(again, _shares(of_class, kept & weigh, len(fits)), limit_um)
        values.append((mixed.index, math.log(max(mixed.beyond_ppm, 1e-6))))
    spread = np.array(values)
    n = len(spread)
    error = np.sqrt((n - 1) / n * ((spread - spread.mean(axis=0)) ** 2).sum(axis=0))
    reach = WIDENING * float(stdtrit(n - 1, level)) * error
    most = min(1e6, math.exp(math.log(max(whole.beyond_ppm, 1e-6)) + float(reach[1])))
    return whole.index - float(reach[0]), most
