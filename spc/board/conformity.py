"""Which readings of a part number may be accepted: the decision rule, what it costs, and the faces in doubt."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc.board.cell_view import CellView
from spc.board.gauge_study import readings_of_repeats, studied
from spc.board.study_material import StudyMaterial, gather
from spc.board.study_plan import StudyPlan
from spc.capability.gauge import GaugeStudy, is_gauge_study
from spc.capability.gauge_readings import GaugeReadings
from spc.capability.guard_band import AcceptanceTrade, acceptance_trade, conformance_probability, guarded_limit
from spc.model.fit_test import FitCheck, check_fit
from spc.model.interval_fit import FamilyChoice, IntervalFit, choose_family

__all__ = ["ConformityReport", "ReadingVerdict", "report_conformity", "rule_on", "rule_words"]

PROVEN = 0.95  # one-sided default of ISO 14253-1 (from memory)
_FEW_COARSER = 0.05  # share of readings on a coarser step that is not worth a word


@dataclass(frozen=True, slots=True)
class ReadingVerdict:
    """All faces of one reading."""

    text: str  # the reading as typed
    low_um: float
    high_um: float
    faces: int
    conformance: float  # chance that such a face meets the limit; NaN where the law gives the reading no chance
    verdict: str  # 'conforms', 'in doubt', 'does not conform': at 95 % either way
    accepted: bool  # by the decision rule
    face_ids: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ConformityReport:
    """The decision rule of one part number and what it does to its faces."""

    status: str  # 'ruled', 'no reading can be accepted' or 'refused'
    sentence: str  # the decision rule in words, or why there is none
    part: str
    characteristic: str
    limit_um: float
    limit_text: str
    step_um: float
    reader_sd_um: float
    reader_sd_source: str
    guarded_limit_um: float  # limit less 1.645 standard uncertainties of a reading, the process not known
    law: str
    trade: AcceptanceTrade | None
    readings: tuple[ReadingVerdict, ...]  # smallest first
    remarks: tuple[str, ...]

    @property
    def in_doubt(self) -> tuple[ReadingVerdict, ...]:
        """Readings whose faces are neither proven good nor proven bad."""
        return tuple(r for r in self.readings if r.verdict == "in doubt")


def report_conformity(view: CellView, plan: StudyPlan, *, reader_sd_um: float | None = None) -> ConformityReport:
    """Rule on the readings of one part number.

    Parameters
    ----------
    view : CellView
    plan : StudyPlan
        Which readings the process law is taken from, and the risk that is borne.
    reader_sd_um : float, optional
        Standard deviation of one reading before the step rounds it; left out, from the gauge data of the log.

    Returns
    -------
    ConformityReport
        'refused' with its reason where there is no reading, limit, law or reader's spread.

    Raises
    ------
    ValueError
        If the plan cannot be, or `reader_sd_um` is out of range.

    Notes
    -----
    The process law is fitted to readings, which hold the reader's spread already; taking it for the law of the faces
    is cautious: it sees a few more bad faces than there are.
    """
    if reader_sd_um is not None and not (math.isfinite(reader_sd_um) and reader_sd_um >= 0):
        raise ValueError(f"`reader_sd_um` must be a finite number, 0 or more, got {reader_sd_um}")
    material = gather(view, plan)
    low, high = (material.data[end].to_numpy(np.float64) for end in ("low_um", "high_um"))
    choice = choose_family(low, high) if len(low) else None
    known = choice is not None and choice.best is not None and choice.status != "refused"
    fit = check_fit(choice.best) if choice is not None and choice.best is not None and known else None
    readings = readings_of_repeats(material.repeats)
    return rule_on(material, choice, fit, readings, studied(readings), reader_sd_um=reader_sd_um)


def rule_on(
    material: StudyMaterial, choice: FamilyChoice | None, fit: FitCheck | None, read: GaugeReadings, gauge: GaugeStudy,
    *, reader_sd_um: float | None = None,
) -> ConformityReport:  # fmt: skip
    """Rule on the readings of a study whose law is chosen and checked and whose measuring system is studied.

    As `report_conformity` does; `gauge` is the study of the repeats `read`.
    """
    plan, kept = material.plan, material.data

    def refused(why: str) -> ConformityReport:
        return ConformityReport(
            "refused", f"No decision rule: {why}.", plan.part, plan.characteristic, material.limit_um,
            material.limit_text, math.nan, math.nan, "", math.nan, "", None, (), (),
        )  # fmt: skip

    if kept.empty:
        return refused(f"no reading of {plan.characteristic} for {plan.part}")
    if not math.isfinite(material.limit_um):
        return refused(f"no upper limit of {plan.characteristic} is known for {plan.part}: set one first")
    low, high = kept["low_um"].to_numpy(np.float64), kept["high_um"].to_numpy(np.float64)
    width = (high - low)[np.isfinite(high) & (low > 0)]
    step = float(np.median(width)) if width.size else 0.0
    if not step > 0:
        return refused("the step of the readings is not known: say it in the settings")
    if (low < 0).any():
        return refused("readings below zero are deviations with a sign: an upper limit alone does not rule on them")
    sd, source, remarks = _reader_sd(read, gauge, reader_sd_um)
    if math.isnan(sd):
        return refused(source)
    coarser = float(np.mean(width > 1.1 * step))
    if coarser > _FEW_COARSER:
        remarks.append(
            f"{coarser:.0%} of the readings are on a coarser step than the usual {step:.3g} um: such a reading is "
            "accepted only where all that it may stand for is within the rule"
        )
    if choice is None or choice.best is None or choice.status == "refused":
        return refused("no law can be fitted" + (f": {choice.reason}" if choice is not None else ""))
    law = choice.best
    if fit is not None and fit.status == "rejected":
        remarks.append(f"{fit.sentence}: the shares lean on that law and are rough")
    trade = acceptance_trade(law, upper_um=material.limit_um, step_um=step, reader_sd_um=sd, risk=plan.risk)
    spread = float(law.ppf(0.84) - law.ppf(0.16)) / 2
    if sd > 0.5 * spread:
        remarks.append(
            f"readers ({sd:.3g} um) are a large part of the spread of the readings ({spread:.3g} um): the law of the "
            "faces is narrower than the law of the readings used here, and the shares are on the cautious side"
        )
    u = math.hypot(sd, step / (2 * math.sqrt(3)))
    accept = trade.chosen.accept_um + 0.51 * step if trade.chosen is not None else -math.inf
    return ConformityReport(
        status="ruled" if trade.chosen is not None else "no reading can be accepted",
        sentence=rule_words(trade, fit),
        part=plan.part,
        characteristic=plan.characteristic,
        limit_um=material.limit_um,
        limit_text=material.limit_text,
        step_um=step,
        reader_sd_um=sd,
        reader_sd_source=source,
        guarded_limit_um=guarded_limit(material.limit_um, u_um=u, confidence=PROVEN),
        law=choice.sentence,
        trade=trade,
        readings=_verdicts(kept, law, upper_um=material.limit_um, reader_sd_um=sd, accept_um=accept),
        remarks=tuple(remarks),
    )


def rule_words(trade: AcceptanceTrade, fit: FitCheck | None) -> str:
    """Say the rule; that the readings contradict the law its shares lean on goes before it."""
    if fit is None or fit.status != "rejected":
        return trade.sentence
    rule = f"{trade.sentence[:1].lower()}{trade.sentence[1:]}"
    return f"Rough only, for the readings contradict the law that this leans on: {rule}"


def _reader_sd(readings: GaugeReadings, study: GaugeStudy, given_um: float | None) -> tuple[float, str, list[str]]:
    """Give the reader's spread, where it comes from (or why it is not known: NaN), and remarks."""
    if given_um is not None:
        return given_um, "given", []
    if study.status == "refused":
        return math.nan, "the reader's spread is not known: log repeats of some faces, or state it", []
    remarks = []
    if not is_gauge_study(faces=readings.faces, repeats=readings.repeats, readers=readings.readers):
        remarks.append(f"the gauge data are few ({readings.n:,} readings of {readings.faces:,} faces)")
    return study.reading_sd_um, f"gauge data of the log, {study.reading_sd_source}", remarks


def _verdicts(
    kept: pd.DataFrame, law: IntervalFit, *, upper_um: float, reader_sd_um: float, accept_um: float
) -> tuple[ReadingVerdict, ...]:
    """Rule on each distinct reading: accepted where all that it may stand for is within the rule."""
    out = []
    groups = kept.groupby(["low_um", "high_um"], sort=True)
    ends = np.array(list(groups.groups))
    chances = conformance_probability(
        ends[:, 0], ends[:, 1], process=law, upper_um=upper_um, reader_sd_um=reader_sd_um
    ).tolist()
    for (_, rows), chance in zip(groups, chances, strict=True):
        low, high = float(rows["low_um"].iloc[0]), float(rows["high_um"].iloc[0])
        proven = chance >= PROVEN
        verdict = "conforms" if proven else "does not conform" if chance <= 1 - PROVEN else "in doubt"
        out.append(
            ReadingVerdict(
                text=str(rows["text"].mode().iloc[0]),
                low_um=low,
                high_um=high,
                faces=len(rows),
                conformance=chance,
                verdict=verdict,
                accepted=high <= accept_um,
                face_ids=tuple(int(i) for i in rows["face_id"]),
            )
        )
    return tuple(out)
