"""Limits from a named, closed list of faces: analysed once, then frozen; what is frozen is never drawn again.

First analysis (phase I): readings that do not belong are called out at a stated rate over the whole list; a reading
leaves only with a cause. Then the norm is fitted, the limits follow from the cell's false-call budget, and
the list is sealed by a fingerprint of its readings.
"""

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spc.chart.cycle_spread import cycle_spread
from spc.chart.luck import widened_for_luck
from spc.chart.norm import Norm, growth_of, norm_from_json, part_factors_of, part_sd_of, scored
from spc.chart.on_steps import attained_on_steps
from spc.chart.one_state import change_of_state, with_dependence
from spc.chart.outliers import find_outliers
from spc.chart.rule_beside_pair import pair_run_length
from spc.chart.stream import SIGNS, Stream
from spc.measure.preston import PLAIN
from spc.model.bounds import bound, quantile_target
from spc.model.interval_fit import IntervalFit, choose_family, fit_intervals
from spc.model.probability_limit import GUARANTEE_LEVEL, GUARANTEE_RATIO

__all__ = [
    "FEWEST",
    "REDRAWN",
    "Analysis",
    "ChartModel",
    "Outlier",
    "RulesInUse",
    "analyse",
    "fingerprint_of",
    "model_from_json",
    "model_to_json",
]

Array = NDArray[np.float64]

FEWEST = 12  # readings below which no limits are frozen [our rule]
REDRAWN = 120  # lists drawn to say how far the luck of one moves the true rate
MOST_REDRAWN = 5_000  # readings beyond which that luck moves the rate by less than a tenth: not worked out
FEW = 30  # below this the sentence says how loosely the limits are known [our rule]
LUCK_TOLD = 1.05  # the widening for the luck of the list is told where it makes this much [our choice]
WHOLE_SET_RATE = 0.05  # chance that a good list has any reading called out [our choice]


@dataclass(frozen=True, slots=True)
class RulesInUse:
    """The two rules every chart uses, with their widths, as in `spc.board.false_calls.ChartWidths`."""

    alpha: float  # one point beyond the limit: chance per point
    weight: float  # of the newest point in the drifting average
    average_limit_z: float  # standard deviations of a point
    points_between: float  # average points between false calls, both together
    sees_one_sd: float  # average points until a lasting shift of 1 sd is called
    sees_two_sd: float


@dataclass(frozen=True, slots=True)
class Outlier:
    """A reading that does not belong with the others; it stays in until somebody gives a cause."""

    face_id: int
    text: str  # when, in the shop's time
    p_value: float  # under the law of the others, one reading
    sentence: str


@dataclass(frozen=True, slots=True)
class ChartModel:
    """All that is frozen: enough to judge any reading the same way for ever."""

    lap: str
    sign: str
    norm: Norm
    rules: RulesInUse
    face_ids: tuple[int, ...]  # readings the norm rests on, in order
    excluded: tuple[tuple[int, str], ...]  # face id and cause
    step: float  # step in which most readings came, the sign's unit; 0 = numbers
    limit: float  # at factor 1 and age 0, the sign's unit: no part's own where parts differ
    attained_alpha: float  # of the limit alone, on the steps and at the ages of the list, were the law known
    true_alpha: tuple[float, ...]  # 8 of 10 such lists give a true rate between these two; () = not worked out
    typical: float  # middle of the law
    one_sd: float  # how far 1 sd towards the bad lies from the middle, the sign's unit
    near_families: tuple[str, ...]  # laws that fit about as well
    last_us: int  # sort time of the last face in the list
    fingerprint: str
    basis: str = PLAIN  # of a removal rate, a name of `spc.measure.preston.BASES`; older ones were all plain

    @property
    def part_limits(self) -> dict[str, float]:
        """Limit at age 0 of each part told apart, the sign's unit; {} where one limit serves them all."""
        if not self.norm.parts_differ:
            return {}
        return {part: self.limit * factor for part, factor in sorted(self.norm.part_factors.items())}


@dataclass(frozen=True, slots=True)
class Analysis:
    """First analysis of a list: what would be frozen, and what speaks against it."""

    status: str  # 'ready', 'doubtful' (frozen only knowingly) or 'refused'
    model: ChartModel | None
    outliers: tuple[Outlier, ...]  # called out and not excluded
    whole_set_rate: float  # chance that any reading of a good list is called out
    remarks: tuple[str, ...]  # a sentence each, doubts last
    sentence: str
    doubts: tuple[str, ...]  # of the remarks those that speak against one common state


def analyse(
    stream: Stream,
    rules: RulesInUse,
    *,
    excluded: Mapping[int, str] | None = None,
    redrawn: int = 0,
    guarantee: bool = False,
    doubts: bool = True,
) -> Analysis:
    """Analyse a closed list of readings and work out what would be frozen.

    Parameters
    ----------
    stream : Stream
        The list: one lap, one sign, in order of time.
    rules : RulesInUse
        Widths, from the cell's false-call budget.
    excluded : mapping of face id to cause, optional
        Readings left out; each needs a cause in words.
    redrawn : int, default 0
        Lists drawn from the fitted law to say how far the luck of one moves the true rate; `REDRAWN` is enough.
    guarantee : bool, default False
        Widen the limit so that 9 of 10 such lists keep the true rate within 1.2 times the one set; the drifting
        average keeps its width. Only where larger readings are worse.
    doubts : bool, default True
        Look for what speaks against freezing the list; it moves no limit.

    Returns
    -------
    Analysis
        'refused' with too few readings or readings that carry no law; 'doubtful' where a change inside the list or
        uncaused outliers speak against one common state.

    Raises
    ------
    ValueError
        If a cause is empty or a face to be excluded is not in the list.

    Notes
    -----
    Outliers are proposed from the scores of the fitted law in a way that they cannot hide each other, then confirmed
    under the law of the others at 1 - (1 - 0.05)^(1/n) a reading; a good list has any called out in at most 5 % of
    cases (simulated). Limits do not move for readings that were only called out. Of the laws that fit about as well the
    one whose limit lies farthest out is taken, and both widths allow for the luck of the list (`spc.chart.luck`). Where
    cycles are seen to differ, faces are judged against their own cycle so far too (`spc.chart.cycle_spread`).

    References
    ----------
    Rosner (1983), Technometrics 25(2), 165-172; Sidak (1967), J. Am. Stat. Ass. 62, 626-633.
    """
    causes = dict(excluded or {})
    _check_causes(stream, causes)
    used = stream.where(~np.isin(stream.face_id, list(causes)))
    name = SIGNS[stream.sign].words
    if len(used) < FEWEST:
        return _refused(
            f"{len(used):,} readings of {name} are too few to freeze limits from; at least {FEWEST} are needed."
        )
    factors = part_factors_of(used)
    growth = growth_of(used, factors)
    plain = Norm("lognormal", 0.0, 0.0, growth, factors, 0.0)
    factor = plain.factor(used.part, used.age_faces)
    choice = choose_family(used.low / factor, used.high / factor)
    if choice.best is None or choice.status == "refused":
        return _refused(f"No limits can be frozen from these {len(used):,} readings of {name}: {choice.reason}.")
    asked = rules
    told_apart = len(factors) if plain.parts_differ else 1
    rules = widened_for_luck(asked, len(used), fitted=told_apart + (growth != 0.0))
    fit = _most_careful(choice.near, rules.alpha, stream.sign)
    log_scale = math.log(fit.scale_um)
    norm = Norm(fit.family, log_scale, fit.shape, growth, factors, 0.0, part_sd=part_sd_of(used))
    raw = scored(used, norm).z
    spread = cycle_spread(raw, used.age_faces, used.cycle)
    norm = replace(norm, cycles=spread)
    z = scored(used, norm).z
    norm, serial = with_dependence(norm, z, used)
    outliers = _outliers(used, norm, z) if doubts else ()
    remarks = [f"{name}: {choice.sentence}", serial.sentence.rstrip(".")]
    if choice.status == "edge":
        remarks.append(f"{choice.reason}; the limits are those of a limiting case")
    if growth:
        a_face = f"{100 * math.expm1(growth):+.2g}%"
        remarks.append(f"readings grow by {a_face} a face within a cycle; the limit follows the age")
    if norm.parts_differ:
        remarks.append(f"parts differ: factors from {min(factors.values()):.3g} to {max(factors.values()):.3g}")
    remarks.append(spread.words(float(np.median(used.age_faces))))
    if norm.phi:
        remarks.append("the drifting average takes what each face adds to the one before")
    changed, change = False, ""
    if doubts:  # what is called out by itself is no change of the others
        others = ~np.isin(used.face_id, [o.face_id for o in outliers])
        changed, change = change_of_state(used.where(others), replace(norm, cycles=None), raw[others], spread)
    if change and not changed:
        remarks.append(change)
    doubt = [change] if changed else []
    if outliers:
        they = "1 reading does" if len(outliers) == 1 else f"{len(outliers):,} readings do"
        doubt.append(
            f"{they} not belong with the others (a good list has any in {WHOLE_SET_RATE:.0%} of cases): leave each out "
            "with its cause, or keep it knowingly"
        )
    if len(used) < FEW:
        remarks.append(f"{len(used):,} readings know the limits loosely; from {FEW} on they settle")
    if rules.average_limit_z > LUCK_TOLD * asked.average_limit_z:
        remarks.append(
            f"the limits are widened for the luck of {len(used)} readings: as narrow as for a law that is known, such "
            "lists would call falsely oftener than asked"
        )
    if guarantee:
        rules, widened = _widened(fit, asked, rules, stream.sign)
        remarks.append(widened)
    model = _model(
        used, norm, rules, tuple(sorted(causes.items())), tuple(f.family for f in choice.near if f is not fit), redrawn
    )
    sentence = f"{name}, {len(used):,} faces of {stream.lap}: {_limit_words(model, stream.unit)}" + (
        " at age 0, growing with it" if growth else ""
    )
    return Analysis(
        "doubtful" if doubt else "ready", model, outliers, WHOLE_SET_RATE, (*remarks, *doubt), sentence, tuple(doubt)
    )  # fmt: skip


def fingerprint_of(stream: Stream) -> str:
    """Seal a list of readings: SHA-256 over face ids and both ends of every reading, exact to the last bit."""
    digest = hashlib.sha256()
    for face, low, high in zip(stream.face_id.tolist(), stream.low.tolist(), stream.high.tolist(), strict=True):
        digest.update(f"{face} {float(low).hex()} {float(high).hex()}\n".encode())
    return digest.hexdigest()


def model_to_json(model: ChartModel) -> dict[str, Any]:
    """Write a frozen model as plain data; numbers survive to the last bit."""
    return {"layout": 1, **asdict(model)}


def model_from_json(data: Mapping[str, Any]) -> ChartModel:
    """Read back what `model_to_json` wrote.

    Raises
    ------
    ValueError
        If it was written in a layout this program does not know.
    """
    if data.get("layout") != 1:
        raise ValueError(f"`data` must be a frozen chart in layout 1, got {json.dumps(data.get('layout'))}")
    fields = {name: value for name, value in data.items() if name != "layout"}
    return ChartModel(
        **fields
        | {
            "norm": norm_from_json(fields["norm"]),
            "rules": RulesInUse(**fields["rules"]),
            "face_ids": tuple(fields["face_ids"]),
            "excluded": tuple((int(face), cause) for face, cause in fields["excluded"]),
            "near_families": tuple(fields["near_families"]),
            "true_alpha": tuple(fields["true_alpha"]),
        }
    )


def _model(
    used: Stream,
    norm: Norm,
    rules: RulesInUse,
    excluded: tuple[tuple[int, str], ...],
    near: tuple[str, ...],
    redrawn: int,
) -> ChartModel:
    law, upper = norm.law(), SIGNS[used.sign].side == "upper"
    limit = float(law.isf(rules.alpha) if upper else law.ppf(rules.alpha))
    widths = np.round(used.high - used.low, 9)
    finite = widths[np.isfinite(widths)]
    values, counts = np.unique(finite, return_counts=True)
    step = float(values[np.argmax(counts)]) if finite.size else 0.0
    attained = attained_on_steps(used, norm, alpha=rules.alpha, step=step)
    middle = float(law.ppf(0.5))
    one = abs(float(law.isf(0.158655254) if upper else law.ppf(0.158655254)) - middle)
    true = _true_alpha(law, rules.alpha, upper, len(used), step, redrawn)
    return ChartModel(
        used.lap, used.sign, norm, rules, tuple(used.face_id.tolist()), excluded, step, limit, attained, true, middle,
        one, near, int(used.sort_us.max()), fingerprint_of(used), used.basis,
    )  # fmt: skip


def _limit_words(model: ChartModel, unit: str) -> str:
    """Say the limit, where parts differ from that of the part with the smallest to that with the largest."""
    of_part = model.part_limits
    if not of_part:
        return f"limit {model.limit:.3g} {unit}"
    ends = (f"{of_part[part]:.3g} {unit} ({part or 'no part'})" for part in sorted(of_part, key=of_part.__getitem__))
    first, *_, last = ends
    return f"limits by part, from {first} to {last}"


def _widened(fit: IntervalFit, asked: RulesInUse, rules: RulesInUse, sign: str) -> tuple[RulesInUse, str]:
    """Set the limit at an upper bound of its own place, and work out what the two rules do together then."""
    from scipy.special import ndtri

    if SIGNS[sign].side != "upper":
        raise ValueError(f"`guarantee` goes with signs of which more is worse, got {sign}; leave it out")
    limit = bound(fit, quantile_target(GUARANTEE_RATIO * asked.alpha), level=GUARANTEE_LEVEL).high
    alpha = min(float(fit.sf(limit)) if math.isfinite(limit) else 0.0, rules.alpha)
    if alpha <= 0.0:
        return rules, "the list is too short or too coarse to guarantee a rate; the limit is the plain one"
    limit_z = -float(ndtri(alpha))

    def run(shift: float) -> float:
        return pair_run_length(
            limit_z=limit_z, weight=rules.weight, average_limit_z=rules.average_limit_z, sides="upper", shift_sd=shift
        )

    between, one, two = run(0.0), run(1.0), run(2.0)
    words = (
        f"the limit is widened: for {GUARANTEE_LEVEL:.0%} of such lists its true rate is at most {GUARANTEE_RATIO} "
        f"times 1 in {1 / asked.alpha:,.0f}"
    )
    return replace(rules, alpha=alpha, points_between=between, sees_one_sd=one, sees_two_sd=two), words


def _true_alpha(law: IntervalFit, alpha: float, upper: bool, n: int, step: float, redrawn: int) -> tuple[float, ...]:
    """How the luck of a list of n readings moves the true rate: parametric bootstrap, 10 and 90 % points."""
    if n > MOST_REDRAWN:
        return ()
    rng = np.random.default_rng(n)
    rates = []
    for draw in law.ppf(rng.random((redrawn, n))):
        low = np.floor(draw / step) * step if step > 0 else draw
        again = fit_intervals(low, low + step, family=law.family)
        if again.status != "refused":
            limit = float(again.isf(alpha) if upper else again.ppf(alpha))
            rates.append(float(law.sf(limit) if upper else law.cdf(limit)))
    return tuple(np.quantile(rates, [0.1, 0.9]).tolist()) if rates else ()


def _outliers(used: Stream, norm: Norm, z: Array) -> tuple[Outlier, ...]:
    proposed = find_outliers(z, rate=WHOLE_SET_RATE).index
    if proposed.size == 0:
        return ()
    factor = norm.factor(used.part, used.age_faces)
    low, high = used.low / factor, used.high / factor
    rest = fit_intervals(np.delete(low, proposed), np.delete(high, proposed), family=norm.family)
    if rest.status == "refused":
        return ()
    per_reading = -math.expm1(math.log1p(-WHOLE_SET_RATE) / len(used))
    p = np.minimum(1.0, 2.0 * np.minimum(rest.sf(low), rest.cdf(high)))  # the whole step counted: never too small
    found = []
    for i in sorted(proposed[p[proposed] <= per_reading].tolist()):
        when = str(used.time_text[i]) or "no time"
        words = f"face {used.face_id[i]} ({when}): of good readings, one in {1 / max(p[i], 1e-12):,.0f} lies as far out"
        found.append(Outlier(int(used.face_id[i]), when, float(p[i]), words))
    return tuple(found)


def _most_careful(near: tuple[IntervalFit, ...], alpha: float, sign: str) -> IntervalFit:
    """Of the laws that fit about as well, the one whose limit lies farthest out: none of them is crowned."""
    if SIGNS[sign].side == "upper":
        return max(near, key=lambda law: float(law.isf(alpha)))
    return min(near, key=lambda law: float(law.ppf(alpha)))


def _check_causes(stream: Stream, causes: Mapping[int, str]) -> None:
    known = set(stream.face_id.tolist())
    for face, cause in causes.items():
        if face not in known:
            raise ValueError(f"`excluded` must name faces of the list, got {face}; list its faces first")
        if not cause.strip():
            raise ValueError(f"`excluded` must give a cause in words for face {face}, got none")


def _refused(sentence: str) -> Analysis:
    return Analysis("refused", None, (), WHOLE_SET_RATE, (), sentence, ())
