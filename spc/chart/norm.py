"""What a reading is compared with: the law of the baseline, the part it came from, the lap's age in its cycle.

A reading is divided by its part's factor and by the usual growth at its age; what is left has one law. Where parts are
told apart, a part that the baseline does not know has no usual size: its readings are put against those of it before
them on this lap, drawn towards the law of all parts by how far parts differ.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from spc.chart.cycle_spread import CycleSpread, foretold
from spc.chart.stream import SIGNS, Stream
from spc.chart.wear_chart import fit_wear_line
from spc.model.families import family_named
from spc.model.grouping import group_readings
from spc.model.interval_fit import IntervalFit, z_scores

__all__ = [
    "Norm",
    "Scores",
    "carried",
    "carried_over",
    "frozen_law",
    "growth_of",
    "middles",
    "norm_from_json",
    "part_factors_of",
    "part_sd_of",
    "scored",
]

Array = NDArray[np.float64]

FEWEST_OF_PART = 3  # readings before a part gets a factor of its own [our rule]
GROWTH_LEVEL = 0.01  # growth with age is kept only where noise would seldom show it [our choice]
FEWEST_FOR_GROWTH, MOST_FOR_GROWTH = 20, 20_000  # readings; of more, the newest are taken
PARTS_LEVEL = 0.99  # of the bound on how far parts differ, by which a new one is judged [our choice]
LEAST_GROWTH = 0.05  # over the whole reach of ages, as a share; less moves no limit by a step [our choice]


@dataclass(frozen=True, slots=True)
class Norm:
    """Everything needed to score a reading; plain numbers that survive being written down and read back."""

    family: str  # a key of spc.model.families.FAMILIES
    log_scale: float  # log of the law's scale in the sign's unit, at factor 1 and age 0
    shape: float  # unconstrained shape
    growth_per_face: float  # usual growth of the log of a reading per face of age; 0 = none kept
    part_factors: Mapping[str, float]  # factor by part number known; {} = parts are not told apart
    phi: float  # correlation of neighbouring scores that is taken out of the drifting average; 0 = none kept
    cycles: CycleSpread | None = None  # how cycles differ; None = not kept: every face against the usual cycle alone
    part_sd: float | None = None  # of the log size of a part that is not among them; None = not known

    @property
    def parts_differ(self) -> bool:
        """Whether the parts known differ beyond chance."""
        return any(factor != 1.0 for factor in self.part_factors.values())

    def factor(self, part: NDArray[np.object_], age_faces: Array) -> Array:
        """Usual size of a reading relative to the law."""
        of_part = np.array([self.part_factors.get(p, 1.0) for p in part.tolist()], dtype=np.float64)
        return np.asarray(of_part * np.exp(self.growth_per_face * age_faces), dtype=np.float64)

    def unknown(self, part: NDArray[np.object_]) -> NDArray[np.bool_]:
        """Mark the readings of parts that have no usual size of their own."""
        if not self.part_factors:
            return np.zeros(part.size, dtype=bool)
        return np.array([name not in self.part_factors for name in part.tolist()], dtype=bool)

    def law(self) -> IntervalFit:
        """Return the law as a fit that can be asked for its quantiles and scores."""
        return frozen_law(self.family, self.log_scale, self.shape)


@dataclass(frozen=True, slots=True)
class Scores:
    """Readings scored against a norm; all arrays of shape (n,)."""

    z: Array  # middle scores; larger = larger reading, whatever is bad
    step_z: Array  # for the drifting average: z less what the neighbour before foretold, in its own standard deviations
    tail_p: Array  # chance of a reading at least so far out on the bad side, the whole step counted (never too small)
    centre: Array  # where its own cycle so far, and its part, put the reading, in scores of the law of all readings
    sd: Array  # and how closely
    part_centre: Array  # of it what the part says: 0 where the part has a usual size


def frozen_law(family: str, log_scale: float, shape: float) -> IntervalFit:
    """Rebuild a fitted law from its three numbers, without its readings."""
    blank = group_readings(np.zeros(0))
    names = family_named(family).named(math.exp(log_scale), shape)
    return IntervalFit(
        "fitted", "", family, names, math.nan, math.nan, 0, math.inf, log_scale - math.log(blank.scale_um), shape, blank
    )  # fmt: skip


def norm_from_json(fields: Mapping[str, Any]) -> Norm:
    """Read back a norm written as plain data; older ones do not say how cycles differ."""
    cycles = fields.get("cycles")
    return Norm(**{**fields, "cycles": None if cycles is None else CycleSpread(**cycles)})


def scored(stream: Stream, norm: Norm) -> Scores:
    """Score readings against a norm, each by what the faces of its cycle before it say too.

    Notes
    -----
    Readings of a part without a usual size share one unknown departure from the law. It is drawn from a normal law
    of standard deviation `Norm.part_sd`; where only one part is known, nothing is known of it. Each reading is foretold
    from those of its part before it, so that scores stay independent and standard normal whatever size the part turns
    out to have. A change that comes with the new part is its usual then.
    """
    if len(stream) == 0:
        none = np.zeros(0)
        return Scores(none, none, none, none, none, none)
    law, factor = norm.law(), norm.factor(stream.part, stream.age_faces)
    low, high = stream.low / factor, stream.high / factor
    z = z_scores(low, high, law)
    tail = np.asarray(law.sf(low) if SIGNS[stream.sign].side == "upper" else law.cdf(high), dtype=np.float64)
    of_part, centre, sd = np.zeros(z.size), np.zeros(z.size), np.ones(z.size)
    new = norm.unknown(stream.part)
    if new.any():
        of_part, sd = _of_new_parts(z, stream.part, new, _new_part_variance(norm, law))
        z, tail = _against(z, tail, of_part, sd, stream.sign)
        centre = of_part
    if norm.cycles is not None:
        own, spread = foretold(z, stream.age_faces, stream.cycle, norm.cycles)
        z, tail = _against(z, tail, own, spread, stream.sign)
        centre, sd = carried_over(centre, sd, own), sd * spread
    return Scores(z, _stepwise(z, stream, norm.phi), tail, centre, sd, of_part)


def carried_over(part_centre: Array, part_sd: Array, own: Array) -> Array:
    """Centre of each score where its part and the faces of its cycle before it put it; 0 where its part is not known.

    Parameters
    ----------
    part_centre, part_sd : ndarray, shape (n,)
        Of the law that the part gives; `part_sd` infinite = nothing is known of it.
    own : ndarray, shape (n,)
        Centre that its own cycle gives, in that law's standard deviations.
    """
    known = np.isfinite(part_sd)
    return np.asarray(part_centre + np.where(known, part_sd, 0.0) * own, dtype=np.float64)


def middles(stream: Stream) -> Array:
    """Log of a finite stand-in for each reading, for starting values and rough comparisons only."""
    top = np.where(np.isfinite(stream.high), stream.high, 1.4 * np.maximum(stream.low, 1e-12))
    return np.asarray(np.log(np.where(stream.low > 0, 0.5 * (stream.low + top), 0.6 * top)), dtype=np.float64)


def part_factors_of(stream: Stream) -> dict[str, float]:
    """Size of each part's readings relative to the whole, drawn towards 1 by how little the part has been seen.

    Notes
    -----
    Means of log stand-ins; between-part variance by moments (DerSimonian and Laird), and the usual shrinkage
    tau^2 / (tau^2 + s^2 / n). With no variance beyond chance all factors are 1. None is kept where fewer than two of
    several parts have been seen often enough to be told apart.

    References
    ----------
    DerSimonian and Laird (1986), Controlled Clinical Trials 7(3), 177-188.
    """
    parts = _part_means(stream)
    if parts.mean.size == 1:
        return {parts.names[0]: 1.0}
    if parts.mean.size == 0:
        return {}
    weight = 1.0 / parts.variance
    centre = float(np.sum(weight * parts.mean) / weight.sum())
    q = float(np.sum(weight * (parts.mean - centre) ** 2))
    tau2 = max(0.0, (q - (weight.size - 1)) / float(weight.sum() - np.sum(weight**2) / weight.sum()))
    shrunk = tau2 / (tau2 + parts.variance) * (parts.mean - centre)
    return {name: math.exp(v) for name, v in zip(parts.names, shrunk, strict=True)}


def part_sd_of(stream: Stream) -> float | None:
    """How far the log size of a part not met yet may lie from the whole, a standard deviation; None = not known.

    Notes
    -----
    The upper 99 % bound of the between-part standard deviation: few parts tell little of it, and parts that happen to
    be alike do not make the next one alike; a bound too wide costs notice of the first readings of a part, one too
    narrow puts the part down to the lap. Chi-square bound of the variance of the part means, less what the noise of
    the readings adds to them.
    """
    from scipy.special import chdtri

    parts = _part_means(stream)
    if parts.mean.size < 2:
        return None
    squares = float(np.sum((parts.mean - parts.mean.mean()) ** 2))
    bound = squares / float(chdtri(parts.mean.size - 1, PARTS_LEVEL)) - float(parts.variance.mean())
    return math.sqrt(max(bound, 0.0))


class _PartMeans(NamedTuple):
    """Means of the log readings of parts seen often enough; all of one length."""

    names: tuple[str, ...]
    mean: Array
    variance: Array  # of each mean


def _part_means(stream: Stream) -> _PartMeans:
    y = middles(stream)
    names, code = np.unique(stream.part.astype(str), return_inverse=True)
    count = np.bincount(code).astype(np.float64)
    seen = count >= FEWEST_OF_PART
    if seen.sum() < max(1, min(2, names.size)):
        return _PartMeans((), np.zeros(0), np.zeros(0))
    mean = np.bincount(code, weights=y) / count
    within = float(np.sum((y - mean[code])[seen[code]] ** 2)) / float(np.sum(count[seen] - 1))
    if within <= 0:
        return _PartMeans((), np.zeros(0), np.zeros(0))
    return _PartMeans(tuple(names[seen].tolist()), mean[seen], within / count[seen])


def growth_of(stream: Stream, factors: Mapping[str, float]) -> float:
    """Usual growth of the log of a reading per face of age, by interval likelihood; 0 unless it stands out of noise.

    Notes
    -----
    Lognormal readings whose middle grows by a constant share per face. Kept only where the likelihood ratio against
    no growth passes 1 %, so a stable lap gets none in 99 of 100 baselines, and where it amounts to 5 % or more.
    Readings that surely fall in one half of the ages and grow in the other have no one growth: those of a form that
    goes through flat do.
    """
    from scipy.optimize import minimize_scalar
    from scipy.special import chdtrc

    from spc.model.interval_fit import fit_intervals

    stream = stream.where(np.arange(len(stream)) >= len(stream) - MOST_FOR_GROWTH)
    age = stream.age_faces
    reach = float(np.ptp(age)) if age.size else 0.0
    if age.size < FEWEST_FOR_GROWTH or reach < 5:
        return 0.0
    of_part = np.array([factors.get(p, 1.0) for p in stream.part.tolist()])
    middle_age = float(age.mean())
    exact = stream.low == stream.high
    shift = float(np.sum((age - middle_age)[exact]))  # densities of exact readings scale with what they are divided by

    def lost(growth: float) -> float:
        by = of_part * np.exp(growth * (age - middle_age))
        fit = fit_intervals(stream.low / by, stream.high / by, family="lognormal")
        return math.inf if fit.status == "refused" else -fit.log_likelihood + growth * shift

    flat = lost(0.0)
    if not math.isfinite(flat):
        return 0.0

    def cost(growth: float) -> float:
        value = lost(growth)
        return value if math.isfinite(value) else flat + 1e6  # no law there: far worse than flat

    best = minimize_scalar(cost, bounds=(-3.0 / reach, 3.0 / reach), method="bounded", options={"xatol": 1e-4 / reach})
    ratio = 2.0 * (flat - float(best.fun))
    clear = math.isfinite(ratio) and float(chdtrc(1, max(ratio, 0.0))) <= GROWTH_LEVEL
    clear = clear and abs(float(best.x)) * reach >= LEAST_GROWTH
    return float(best.x) if clear and not _turns(age, middles(stream) - np.log(of_part)) else 0.0


def _turns(age: Array, y: Array) -> bool:
    """Whether readings fall in one half of the ages and grow in the other, each by least squares on the 1 % level."""
    from scipy.special import stdtrit

    ways, early = [], age <= 0.5 * (age.min() + age.max())
    for half in (early, ~early):
        if np.count_nonzero(half) < 3 or np.ptp(age[half]) == 0:
            return False
        line = fit_wear_line(age[half], y[half])
        least = float(stdtrit(line.n - 2, 1.0 - GROWTH_LEVEL / 2.0)) * line.spread / math.sqrt(line.age_ss)
        ways.append(np.sign(line.slope) * (abs(line.slope) > least))
    return bool(ways[0] * ways[1] < 0)


def carried(stream: Stream, phi: float) -> Array:
    """How much of the score of the face before each one carries over, (n,): nothing from before a fresh start."""
    same = np.zeros(len(stream), dtype=bool)
    same[1:] = (stream.cycle[1:] == stream.cycle[:-1]) & ~stream.fresh[1:]
    gap = np.ones(len(stream))
    gap[1:] = np.maximum(1.0, stream.age_faces[1:] - stream.age_faces[:-1])
    return np.where(same, phi**gap, 0.0)


def _new_part_variance(norm: Norm, law: IntervalFit) -> float:
    """Variance of a new part's departure from the law, in scores; inf = nothing is known of it."""
    from scipy.special import ndtri

    if norm.part_sd is None:
        return math.inf
    middle, step = float(law.ppf(0.5)), 0.05
    up, down = (-float(ndtri(law.sf(middle * math.exp(by)))) for by in (step, -step))
    return (norm.part_sd * (up - down) / (2.0 * step)) ** 2


def _of_new_parts(z: Array, part: NDArray[np.object_], new: NDArray[np.bool_], variance: float) -> tuple[Array, Array]:
    """Foretell each score of a part without a usual size from those of it before: centre and standard deviation."""
    centre, sd = np.zeros(z.size), np.ones(z.size)
    known: dict[str, tuple[int, float]] = {}
    for i in np.flatnonzero(new).tolist():
        count, total = known.get(part[i], (0, 0.0))
        left = variance if count == 0 else variance / (1.0 + count * variance) if variance < math.inf else 1.0 / count
        centre[i], sd[i] = total * left if count else 0.0, math.sqrt(1.0 + left)
        known[part[i]] = count + 1, total + float(z[i])
    return centre, sd


def _against(z: Array, tail: Array, centre: Array, sd: Array, sign: str) -> tuple[Array, Array]:
    """Scores and tails against a law of scores; where its standard deviation is not known a score says nothing."""
    from scipy.special import ndtr, ndtri

    towards = 1.0 if SIGNS[sign].side == "upper" else -1.0
    known = np.isfinite(sd)
    out = np.where(known, ndtri(tail) + towards * centre, 0.0) / sd
    return (z - centre) / sd, np.asarray(ndtr(out), dtype=np.float64)


def _stepwise(z: Array, stream: Stream, phi: float) -> Array:
    if phi == 0.0:
        return z
    r = carried(stream, phi)
    before = np.concatenate(([0.0], z[:-1]))
    return np.asarray((z - r * before) / np.sqrt(1.0 - r**2), dtype=np.float64)
