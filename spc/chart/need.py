"""Is a new baseline needed? The readings decide, not the calendar: a likelihood-ratio test of old against new."""

import math
from dataclasses import dataclass

import numpy as np

from spc.chart.baseline import ChartModel
from spc.chart.cycle_spread import cycle_spread
from spc.chart.stream import Stream, rate_unit
from spc.model.families import family_named
from spc.model.interval_fit import IntervalFit, fit_intervals, z_scores
from spc.model.p_words import p_words

__all__ = ["Need", "need_of_revision"]

FALSE_ADVICE = 0.01  # share of unchanged charts advised to be frozen anew, per test [our choice]
FEWEST = 20  # recent readings before the question is asked [our rule]


@dataclass(frozen=True, slots=True)
class Need:
    """Whether the readings since the baseline have another law than those in it."""

    status: str  # 'needed', 'not needed' or 'too few'
    p_value: float  # NaN if too few
    old_typical: float  # middle of the law, the sign's unit
    new_typical: float
    sentence: str  # of all of them together: what single faces signal is the chart's to say


def need_of_revision(
    base: Stream, recent: Stream, model: ChartModel, *, signalling: int, false_advice: float = FALSE_ADVICE
) -> Need:
    """Test whether recent readings follow the law of the baseline's readings.

    Parameters
    ----------
    base : Stream
        The readings the model rests on (its `face_ids`).
    recent : Stream
        Readings since, not among them.
    model : ChartModel
        Its part factors and growth are used for both, and of its families that fit alike the likeliest.
    signalling : int
        How many of the recent readings the chart calls: an unchanged law does not clear them, and that is said.
    false_advice : float, default 0.01
        Rate at which an unchanged chart is advised to be frozen anew, per test.

    Returns
    -------
    Need

    Notes
    -----
    Twice the gain of two separate fits over one common fit, chi-square on the family's free parameters; both samples
    are taken as uncertain. Readings that hang together know less: the ratio is divided by (1 + phi) / (1 - phi) where
    neighbours correlate by phi, or by how much readings of one cycle that are alike widen the difference of the two
    middles, as far as the cycles of the baseline are seen to differ or leave it open (`cycle_spread`; few cycles leave
    much, and only a large change shows then), whichever is more: neighbours that are alike make cycles look unlike, and
    cycles that are unlike make neighbours look alike. A difference is advice to think, not to freeze: a lap that wears
    is no new normal.

    References
    ----------
    Wilks (1938), Annals of Mathematical Statistics 9(1), 60-62.
    """
    if not 0 < false_advice < 1:
        raise ValueError(f"`false_advice` must be between 0 and 1, got {false_advice}; 0.01 is usual")
    n_new = len(recent)
    nan = math.nan
    if n_new < FEWEST:
        return Need(
            "too few", nan, model.typical, nan,
            f"{n_new:,} readings since the baseline are too few to ask whether it still holds ({FEWEST} needed).",
        )  # fmt: skip
    laws = [(_fit(model, f, (base, recent)), f) for f in (model.norm.family, *model.near_families)]
    both, family = max(laws, key=lambda law: -math.inf if law[0].status == "refused" else law[0].log_likelihood)
    old, new = _fit(model, family, (base,)), _fit(model, family, (recent,))
    if "refused" in (old.status, new.status, both.status):
        return Need(
            "too few", nan, model.typical, nan,
            "The readings carry no law to compare: " + next(f.reason for f in (old, new, both) if f.reason) + ".",
        )  # fmt: skip
    from scipy.special import chdtrc

    ratio = 2.0 * (old.log_likelihood + new.log_likelihood - both.log_likelihood)
    ratio /= max((1.0 + model.norm.phi) / (1.0 - model.norm.phi), _by_cycles(base, recent, model, old))
    p = float(chdtrc(family_named(family).free, max(ratio, 0.0)))
    before, after = float(old.ppf(0.5)), float(new.ppf(0.5))
    unit = rate_unit(model.sign, model.basis)
    if p > false_advice:
        words = (
            f"Taken together, the {n_new:,} readings since differ from the baseline by no more than chance and unlike "
            f"cycles may make them ({p_words(p)}): no new revision is needed."
        )
        if signalling:
            which = "one of them that signals" if signalling == 1 else f"{signalling:,} of them that signal"
            words += f" That does not clear the {which} on the chart: look for the cause."
        return Need("not needed", p, before, after, words)
    evened = "with parts evened out, " if model.norm.parts_differ else ""
    words = (
        f"The {n_new:,} readings since differ from the baseline ({evened}{_spread_words(old, unit)} then, "
        f"{_spread_words(new, unit)} now, {p_words(p)}). If the cause is known and meant to stay, freeze a new "
        "revision; if not, look for it first: a new limit would hide it. An unchanged chart is advised so in at most "
        f"{false_advice:.0%} of such tests."
    )
    return Need("needed", p, before, after, words)


def _by_cycles(base: Stream, recent: Stream, model: ChartModel, law: IntervalFit) -> float:
    """How many times the variance of the difference of both middles is that of readings that are each new knowledge.

    As far as cycles of the baseline differ about its law, or leave it open. A cycle in both samples has one level; what
    changes along it is a change.
    """
    factor = model.norm.factor(base.part, base.age_faces)
    spread = cycle_spread(z_scores(base.low / factor, base.high / factor, law), base.age_faces, base.cycle)
    cycle, age = (np.concatenate([getattr(own, name) for own in (base, recent)]) for name in ("cycle", "age_faces"))
    weight = np.repeat([-1.0 / len(base), 1.0 / len(recent)], [len(base), len(recent)])
    of = np.unique(cycle, return_inverse=True)[1].reshape(-1)
    level, along = np.bincount(of, weights=weight), np.bincount(of, weights=weight * age)
    along[np.isin(np.unique(cycle), np.intersect1d(base.cycle, recent.cycle))] = 0.0
    within, start, slope = spread.within_sd**2, spread.start_sd**2, spread.slope_sd**2
    apart = start * float(level @ level) + slope * float(along @ along)
    alone = float(weight**2 @ (within + start + slope * age**2))
    return max(1.0, (within * float(weight @ weight) + apart) / alone)


def _spread_words(law: IntervalFit, unit: str) -> str:
    low, middle, high = (float(law.ppf(share)) for share in (0.05, 0.5, 0.95))
    return f"middle {middle:.3g} {unit} and nine in ten from {low:.3g} to {high:.3g} {unit}"


def _fit(model: ChartModel, family: str, streams: tuple[Stream, ...]) -> IntervalFit:
    low, high = [], []
    for s in streams:
        factor = model.norm.factor(s.part, s.age_faces)
        low.append(s.low / factor)
        high.append(s.high / factor)
    return fit_intervals(np.concatenate(low), np.concatenate(high), family=family)
