"""What stands beside the index of a study: the measuring system, the rule of acceptance, the sources of the spread."""

from dataclasses import dataclass

from spc.board.conformity import ConformityReport, rule_on
from spc.board.gauge_study import GaugeReport, report_repeats
from spc.board.kept import digest_of_values, kept
from spc.board.study import Study
from spc.board.variation import LEAST_REPEATS, VariationReport, split_readings

__all__ = ["StudyProof", "prove"]


@dataclass(frozen=True, slots=True)
class StudyProof:
    """Three answers that each may be a refusal with its reason."""

    gauge: GaugeReport
    conformity: ConformityReport
    variation: VariationReport


def prove(study: Study) -> StudyProof:
    """Compute what stands beside the index, from the material of the study alone.

    Parameters
    ----------
    study : Study

    Returns
    -------
    StudyProof
        The same study gives the same proof to the last digit; what was computed before is found again.
    """
    plan = study.plan
    gauge = report_repeats(
        study.repeats,
        part=plan.part,
        characteristic=plan.characteristic,
        limit_um=study.limit_um,
        source="faces of the log read more than once, in the way of these readings",
        flat_error_um=_stated(plan.flat_error_um),
        temperature_um=_stated(plan.temperature_um),
    )
    data = study.data
    again = gauge.study if gauge.read.repeats >= LEAST_REPEATS else None
    digest = digest_of_values(
        *(data[name].to_numpy() for name in ("cycle", "age_faces", "low_um", "high_um")),
        *(data[name].tolist() for name in ("lap", "operator", "grit")), again, plan.part, plan.characteristic,
    )  # fmt: skip
    variation = kept(
        "variation",
        digest,
        lambda: split_readings(data, again, part=plan.part, characteristic=plan.characteristic),
    )
    return StudyProof(gauge, rule_on(study, study.choice, study.fit, gauge.read, gauge.study), variation)


def _stated(length_um: float | None) -> float:
    return float("nan") if length_um is None else length_um
