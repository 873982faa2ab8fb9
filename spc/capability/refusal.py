"""When the word 'capability' is refused, why, and what would cure it.

Capability is a claim about a stable process seen through a gauge that can see it. Where something is missing the
same figure may still be given as 'performance', a plain description of the faces made, and says so; three faults
leave not even that: readings whose unit was guessed, a law the readings contradict, and first passes of which the bad
ones were not logged.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spc.model.p_words import p_words

__all__ = ["Refusal", "StudyFacts", "TrendCheck", "check_trend", "refusals"]

LEAST_FACES = 30  # our rule; ISO 22514-3 asks as many (from its scope)
LEAST_CYCLES = 3  # our rule
LEAST_WATCHED = 0.9  # share of the readings that a chart must have judged, our rule
COARSEST_STEP = 0.10  # of the limit, our rule; gauge studies ask 0.05
MOST_NOT_LOGGED = 0.05  # share of the first passes, our rule
TREND_LEVEL = 0.01  # a trend is called where chance alone shows one in one study of 100


@dataclass(frozen=True, slots=True)
class Refusal:
    """One reason against the word, with its cure."""

    name: str  # short key, e.g. 'step too coarse'
    sentence: str  # what was found, with its numbers
    cure: str  # what would lift it
    bars: str  # 'capability' (performance may still be said) or 'any index'


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyFacts:
    """What is known of a study; None = not known, which counts against where the claim needs it."""

    faces: int  # independent faces (repeats of one face count once)
    cycles: int  # complete or running wear cycles
    limit_um: float
    step_um: float | None  # reading step; 0 = exact
    open_signals: int | None  # signals in the baseline not answered
    trend_p_value: float | None  # of a trend with age in cycle, see `check_trend`
    trend_modelled: bool  # age in cycle is part of the model
    cut_off: str  # 'cut off', 'not cut off', 'cannot say' (spc.model.truncation), '' not looked at
    units_inferred: bool
    gauge_study: bool
    fit: str  # 'agrees', 'rejected', 'cannot say' (spc.model.fit_test), '' not looked at
    operator_confounded: bool | None  # each operator ran laps of his or her own; None = operators unknown
    cycles_differ_p: float | None = None  # of equal cycles, age taken out; None = not looked at
    written_um: float | None = None  # step in which readings are written; None = not looked at
    watched_share: float = 1.0  # share of the readings that a chart judged
    characteristic: str = "flatness"  # what was read, for the sentences
    first_not_logged: int = 0  # faces lapped again whose first reading is not logged, beside a list of first readings


@dataclass(frozen=True, slots=True)
class TrendCheck:
    """Whether flatness moves with age in the cycle."""

    tau: float  # Kendall's rank correlation, NaN if it cannot be told
    p_value: float
    n: int
    sentence: str


def check_trend(age_faces: ArrayLike, low_um: ArrayLike, high_um: ArrayLike, *, what: str = "flatness") -> TrendCheck:
    """Test for a trend of readings with age in the cycle, whatever the law and the steps.

    Parameters
    ----------
    age_faces : array-like (n,)
        Faces since reconditioning.
    low_um, high_um : array-like (n,)
        Readings as intervals, micrometres.
    what : str, default 'flatness'
        What was read, for the sentence.

    References
    ----------
    Kendall (1938), Biometrika 30; tau-b with the tie-corrected normal p-value (scipy.stats.kendalltau).
    """
    age = np.asarray(age_faces, dtype=float).ravel()
    low, high = np.asarray(low_um, dtype=float).ravel(), np.asarray(high_um, dtype=float).ravel()
    if not age.size == low.size == high.size:
        raise ValueError(
            f"`age_faces`, `low_um`, `high_um` must have one length, got {age.size}, {low.size}, {high.size}"
        )
    known = ~(np.isnan(age) | np.isnan(low) | np.isnan(high))
    age, low, high = age[known], low[known], high[known]
    value = np.where(np.isfinite(high), 0.5 * (low + np.where(np.isfinite(high), high, low)), np.inf)
    n = age.size
    if n < 8 or np.unique(age).size < 2 or np.unique(value).size < 2:
        return TrendCheck(
            float("nan"), float("nan"), n, f"{n:,} faces with an age: too few, or too alike, to see a trend"
        )
    from scipy import stats

    result = stats.kendalltau(age, value)
    tau, p = float(result.statistic), float(result.pvalue)
    direction = "grows" if tau > 0 else "falls"
    verdict = f"{what} {direction} with age" if p < TREND_LEVEL else "no trend with age is seen"
    return TrendCheck(tau, p, n, f"{verdict} (rank correlation {tau:.2f}, {p_words(p)}, {n:,} faces)")


def refusals(facts: StudyFacts) -> tuple[Refusal, ...]:
    """List every reason against the word 'capability', the gravest first; empty = the word may be used.

    Parameters
    ----------
    facts : StudyFacts

    Returns
    -------
    tuple of Refusal
    """
    if not (math.isfinite(facts.limit_um) and facts.limit_um > 0):
        raise ValueError(f"`limit_um` must be a finite number greater than 0, got {facts.limit_um}")
    found = [
        _units(facts),
        _first_passes(facts),
        _fit(facts),
        *_stability(facts),
        *_amount(facts),
        *_reading(facts),
        _operator(facts),
    ]
    named = (refusal for refusal in found if refusal is not None)
    return tuple(sorted(named, key=lambda refusal: refusal.bars != "any index"))


def _units(facts: StudyFacts) -> Refusal | None:
    if not facts.units_inferred:
        return None
    return Refusal(
        "units inferred",
        "the unit of some readings was guessed: a limit in micrometres cannot be held against a guess",
        "say the unit (and the lamp for light bands) in the column head or in the settings, and read the log again",
        "any index",
    )


def _first_passes(facts: StudyFacts) -> Refusal | None:
    count, of = facts.first_not_logged, facts.first_not_logged + facts.faces
    if not count:
        return None
    were = "was" if count == 1 else "were"
    return Refusal(
        "first passes not logged",
        f"{count:,} of {of:,} faces {were} lapped again after a first pass whose reading is not logged: the list holds "
        "the first passes that were good and says nothing of the others",
        "log the reading of every pass; until then use the counted share of faces lapped again",
        "any index" if count > MOST_NOT_LOGGED * of else "capability",
    )


def _fit(facts: StudyFacts) -> Refusal | None:
    if facts.fit == "rejected":
        return Refusal(
            "fit rejected",
            "the readings contradict every law tried: a tail read off a law that does not fit is invention",
            "look for mixed laps, parts or grits and split the study; until then use the counted share over the limit",
            "any index",
        )
    if facts.fit != "agrees":
        return Refusal(
            "fit not checked",
            "whether the law fits could not be checked on these readings",
            "read more faces, or on a finer step",
            "capability",
        )
    return None


def _stability(facts: StudyFacts) -> list[Refusal | None]:
    found: list[Refusal | None] = []
    if facts.open_signals is None:
        found.append(
            Refusal(
                "signals not looked for",
                "no chart has watched these faces: whether they were stable is not known",
                "freeze a baseline and chart the faces first",
                "capability",
            )
        )
    elif facts.open_signals > 0:
        many = "s" if facts.open_signals > 1 else ""
        found.append(
            Refusal(
                "open signals",
                f"{facts.open_signals} signal{many} in these faces not answered",
                "find the cause of each and answer it; of one too old to be asked after, leave the faces out with "
                "their cause",
                "capability",
            )
        )
    elif facts.watched_share < LEAST_WATCHED:
        found.append(
            Refusal(
                "signals not looked for",
                f"the charts judged {math.floor(100 * facts.watched_share)}% of these readings: whether the others "
                "were stable is not known",
                "freeze limits that are valid from the first of these faces on, or study the faces judged since",
                "capability",
            )
        )
    if not facts.trend_modelled:
        if facts.trend_p_value is not None and facts.trend_p_value < TREND_LEVEL:
            found.append(
                Refusal(
                    "trend not modelled",
                    f"{facts.characteristic} moves with age in the cycle ({p_words(facts.trend_p_value)}) and the "
                    "study takes all ages as one",
                    "include the age in the model, or report performance over whole cycles and at the age of "
                    "reconditioning",
                    "capability",
                )
            )
        elif facts.trend_p_value is None or math.isnan(facts.trend_p_value):
            found.append(
                Refusal(
                    "trend not looked for",
                    "ages in the cycle are not known well enough to see whether readings move with wear",
                    "log when each lap is reconditioned",
                    "capability",
                )
            )
    if facts.cycles_differ_p is not None and facts.cycles_differ_p < TREND_LEVEL:
        found.append(
            Refusal(
                "cycles differ",
                f"cycles differ by more than chance ({p_words(facts.cycles_differ_p)}): readings of one cycle are "
                "alike, and a bound that takes each as new knowledge is too hopeful",
                "quote the figure over whole cycles, whose bound holds the difference between cycles",
                "capability",
            )
        )
    if facts.cut_off == "cut off":
        found.append(
            Refusal(
                "cut off at the limit",
                "readings stop at the limit, as where faces are lapped until good or the lap is taken off there: they "
                "say nothing of what lies beyond",
                "log the reading of every pass, and study first passes",
                "capability",
            )
        )
    elif facts.cut_off != "not cut off":
        found.append(
            Refusal(
                "cut-off not known",
                "whether faces over the limit went back on the lap cannot be told from these readings",
                "log the reading of every pass",
                "capability",
            )
        )
    return found


def _amount(facts: StudyFacts) -> list[Refusal | None]:
    found: list[Refusal | None] = []
    if facts.faces < LEAST_FACES:
        found.append(
            Refusal(
                "too few faces",
                f"{facts.faces} independent face{'s' if facts.faces != 1 else ''}, {LEAST_FACES} are needed",
                f"read {LEAST_FACES - facts.faces} more face{'s' if LEAST_FACES - facts.faces != 1 else ''}",
                "capability",
            )
        )
    if facts.cycles < LEAST_CYCLES:
        found.append(
            Refusal(
                "too few cycles",
                f"{facts.cycles} wear cycle{'s' if facts.cycles != 1 else ''}, {LEAST_CYCLES} are needed to see how "
                "cycles differ",
                f"go on until {LEAST_CYCLES} reconditionings have been seen",
                "capability",
            )
        )
    return found


def _reading(facts: StudyFacts) -> list[Refusal | None]:
    found: list[Refusal | None] = []
    if facts.step_um is None:
        found.append(
            Refusal(
                "step unknown",
                "the step of the readings is not known",
                "say the reading step in the settings",
                "capability",
            )
        )
    elif facts.step_um > COARSEST_STEP * facts.limit_um * (1 + 1e-9):
        found.append(
            Refusal(
                "step too coarse",
                f"readings are as coarse as {facts.step_um:.3g} um, {100 * facts.step_um / facts.limit_um:.3g}% of the "
                f"limit {facts.limit_um:.3g} um; at most {100 * COARSEST_STEP:.0f}% can be used",
                f"read in steps of {COARSEST_STEP * facts.limit_um:.3g} um or finer",
                "capability",
            )
        )
    if facts.step_um is not None and facts.written_um is not None and facts.step_um > 1.5 * facts.written_um:
        found.append(
            Refusal(
                "step finer than read",
                f"readings are written to {facts.written_um:.3g} um but fall on steps of {facts.step_um:.3g} um: each "
                "is taken as surer than it was read",
                "write readings with what they stand for, such as '5 to 5.5', or read them to "
                f"{facts.written_um:.3g} um",
                "capability",
            )
        )
    if not facts.gauge_study:
        found.append(
            Refusal(
                "no gauge study",
                "how far two readings of one face differ is not known",
                "read at least 10 faces twice by each of two readers and enter them as repeats",
                "capability",
            )
        )
    return found


def _operator(facts: StudyFacts) -> Refusal | None:
    if facts.operator_confounded is False:
        return None
    if facts.operator_confounded is None:
        return Refusal(
            "operators not known",
            "operators are not logged: whether laps or people differ cannot be told",
            "log the operator with each face",
            "capability",
        )
    return Refusal(
        "operator confounded with lap",
        "each operator ran laps of his or her own: what belongs to the lap and what to the hand cannot be told apart",
        "let two operators each run faces on two laps",
        "capability",
    )
