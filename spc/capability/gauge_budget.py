"""What one reading is uncertain by: the parts, which of them count, and what share of a limit they take."""

import math
from dataclasses import dataclass

__all__ = ["GaugeBudget", "Resolution", "UncertaintyPart", "bending_um", "budget", "resolution", "step_uncertainty"]

FINE_STEP = 0.05  # of the limit; bound on resolution in ISO 22514-7 (from memory)
COARSEST_STEP = 0.10  # of the limit; beyond it the word 'capability' is refused, our rule
GOOD_SYSTEM, GOOD_PROCESS = 0.15, 0.30  # bounds on 2U over the tolerance in ISO 22514-7 (from memory)
COVERAGE_FACTOR = 2.0
STEEL_PER_K = 11.5e-6  # expansion of steel, common practice; use the alloy's own figure where it is known

ANALOGUE = (
    "by its scope ISO 22514-7 is not meant for form read over a face: its bounds are quoted as an analogue, "
    "not as conformity with it"
)


@dataclass(frozen=True, slots=True)
class UncertaintyPart:
    """One part of the uncertainty of a reading."""

    name: str
    u_um: float  # standard uncertainty; NaN = not stated
    counted: bool
    source: str


@dataclass(frozen=True, slots=True)
class GaugeBudget:
    """Combined standard uncertainty of one reading."""

    parts: tuple[UncertaintyPart, ...]
    u_um: float  # combined, of the parts that count
    expanded_um: float  # with coverage factor 2
    limit_um: float  # NaN = no limit known
    share_of_limit: float  # 2 * expanded over the limit
    complete: bool  # False = a part is not stated, so that the true figure is at least this
    sentence: str


@dataclass(frozen=True, slots=True)
class Resolution:
    """Whether the step of the readings can serve a limit."""

    limit_um: float
    step_um: float
    share: float  # step over limit
    verdict: str  # 'fine enough', 'coarse', 'too coarse'
    sentence: str


def step_uncertainty(step_um: float) -> float:
    """Give the standard uncertainty of a value read in steps, step / (2 sqrt 3): any place in the step is as likely."""
    if not (math.isfinite(step_um) and step_um >= 0):
        raise ValueError(f"`step_um` must be a finite number, 0 or more, got {step_um}")
    return step_um / (2 * math.sqrt(3))


def bending_um(length_mm: float, thickness_mm: float, difference_k: float, *, per_k: float = STEEL_PER_K) -> float:
    """Sag of a plate whose two sides differ in temperature, micrometres.

    Parameters
    ----------
    length_mm, thickness_mm : float
        Length of the face and thickness of the part, greater than 0.
    difference_k : float
        Between the two sides, kelvin.
    per_k : float, default 11.5e-6
        Thermal expansion; the default is that of steel.

    Notes
    -----
    alpha dT L^2 / (8 t): the plate takes the curvature alpha dT / t.
    """
    for name, value in (("length_mm", length_mm), ("thickness_mm", thickness_mm), ("per_k", per_k)):
        if not (math.isfinite(value) and value > 0):
            raise ValueError(f"`{name}` must be a finite number greater than 0, got {value}")
    if not math.isfinite(difference_k):
        raise ValueError(f"`difference_k` must be a finite number, got {difference_k}")
    return 1000 * per_k * abs(difference_k) * length_mm**2 / (8 * thickness_mm)


def resolution(step_um: float, limit_um: float, *, unit: str = "um") -> Resolution:
    """Say whether a step can serve a limit.

    Parameters
    ----------
    step_um : float
        0 = exact readings.
    limit_um : float
        Greater than 0.
    unit : str
        For the sentence; '' = the unit of the table.

    References
    ----------
    ISO 22514-7: resolution at most 5 % of the tolerance (bound from memory; quoted as an analogue, see its scope).
    """
    if not (math.isfinite(limit_um) and limit_um > 0):
        raise ValueError(f"`limit_um` must be a finite number greater than 0, got {limit_um}")
    step_uncertainty(step_um)
    share = step_um / limit_um
    fine, usable = share <= FINE_STEP * (1 + 1e-9), share <= COARSEST_STEP * (1 + 1e-9)
    verdict = "fine enough" if fine else "coarse" if usable else "too coarse"
    sentence = f"the step of {step_um:.3g} {unit} is {share:.0%} of the limit of {limit_um:.3g} {unit}: {verdict}"
    if not fine:
        sentence += f"; at most {FINE_STEP:.0%} is asked, a step of {FINE_STEP * limit_um:.3g} {unit}"
    return Resolution(limit_um, step_um, share, verdict, sentence if unit else sentence.replace("  ", " "))


def budget(
    *, repeatability_um: float, reader_um: float, step_um: float, run_um: float = 0.0, flat_error_um: float = math.nan,
    temperature_um: float = math.nan, limit_um: float = math.nan, unit: str = "um",
) -> GaugeBudget:  # fmt: skip
    """Combine the parts of the uncertainty of one reading.

    Parameters
    ----------
    repeatability_um : float
        Standard deviation of repeated readings as they are written, one reader and one face.
    reader_um : float
        Standard deviation from reader to reader, of how they differ from face to face too; NaN = not known.
    step_um : float
        Step of the readings.
    run_um : float, default 0
        Standard deviation from one day or round of readings to another, where a study tells it apart.
    flat_error_um : float
        Largest deviation from flat of the optical flat or reference, as its certificate states it; NaN = not stated.
    temperature_um : float
        Largest form error that heat brings, such as `bending_um` gives; NaN = not stated.
    limit_um : float
        NaN = none.
    unit : str
        For the sentence; '' = the unit of the table.

    Returns
    -------
    GaugeBudget

    Notes
    -----
    Of repeatability and step the larger counts, as readings written in steps carry the step already. A largest
    deviation +- a counts as a / sqrt 3.

    References
    ----------
    JCGM 100:2008, 4.3.7 (rectangular law) and 5.1.2 (combination); ISO 22514-7 for the larger of two (from memory).
    """
    for name, value in (("repeatability_um", repeatability_um), ("step_um", step_um), ("run_um", run_um)):
        if not (math.isfinite(value) and value >= 0):
            raise ValueError(f"`{name}` must be a finite number, 0 or more, got {value}")
    for name, value in (("reader_um", reader_um), ("flat_error_um", flat_error_um), ("temperature_um", temperature_um)):
        if not math.isnan(value) and not (math.isfinite(value) and value >= 0):
            raise ValueError(f"`{name}` must be a finite number, 0 or more, or NaN for not stated, got {value}")
    if not math.isnan(limit_um) and not (math.isfinite(limit_um) and limit_um > 0):
        raise ValueError(f"`limit_um` must be a finite number greater than 0, got {limit_um}")
    step = step_uncertainty(step_um)
    larger = repeatability_um >= step
    days = (UncertaintyPart("day to day", run_um, True, "days or rounds of readings of the same faces"),)
    parts = (
        UncertaintyPart("repeatability", repeatability_um, larger, "repeated readings of one face by one reader"),
        UncertaintyPart("step", step, not larger, "step over 2 sqrt 3; the larger of repeatability and step counts"),
        _stated(
            "reader to reader",
            reader_um,
            1.0,
            "how readers of the same faces differ, on the whole and from face to face",
        ),
        *(days if run_um > 0 else ()),
        _stated("the flat's own error", flat_error_um, math.sqrt(3), "largest deviation as certified over sqrt 3"),
        _stated("temperature", temperature_um, math.sqrt(3), "largest bending by heat over sqrt 3"),
    )
    u = math.sqrt(sum(p.u_um**2 for p in parts if p.counted))
    expanded = COVERAGE_FACTOR * u
    missing = [p.name for p in parts if math.isnan(p.u_um)]
    sentence = f"combined standard uncertainty of one reading {'at least ' if missing else ''}{u:.3g} {unit}".rstrip()
    if missing:
        sentence += f" ({', '.join(missing)} not stated)"
    share = 2 * expanded / limit_um if limit_um == limit_um else math.nan
    if limit_um == limit_um:
        good = "within" if share <= GOOD_SYSTEM else "above"
        sentence += (
            f"; 2U = {2 * expanded:.3g} {unit}".rstrip()
            + f" is {share:.0%} of the limit, {good} the {GOOD_SYSTEM:.0%} usual for a "
            f"measuring system" + (f" and above the {GOOD_PROCESS:.0%} usual in use" if share > GOOD_PROCESS else "")
        )
    return GaugeBudget(parts, u, expanded, limit_um, share, not missing, sentence)


def _stated(name: str, value_um: float, divisor: float, source: str) -> UncertaintyPart:
    if math.isnan(value_um):
        return UncertaintyPart(name, math.nan, False, "not stated")
    return UncertaintyPart(name, value_um / divisor, True, source)
