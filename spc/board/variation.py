"""Where the spread of the readings comes from: part number, lap, cycle, operator, grit, reading.

Component sizes with their intervals. What the log cannot tell apart is not split: the crossing that would tell it is
named. Never who reads or laps better.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cell_view import CellView
from spc.board.gauge_study import readings_of_repeats, repeats_of, studied
from spc.board.lap_state import plural
from spc.board.lives import NEVER
from spc.board.missing import AGE_NOT_KNOWN, before_doubts
from spc.board.study_plan import CHARACTERISTICS
from spc.capability.gauge import GaugeStudy
from spc.model.connection import connection
from spc.model.variance import VarianceComponent, VarianceSplit, nested, split_variance

__all__ = [
    "FACTORS",
    "LEAST_REPEATS",
    "NotSplit",
    "VariationReport",
    "VariationSource",
    "report_variation",
    "split_readings",
]

# What is looked for, in this order; a cycle lies inside its lap.
FACTORS = ("part number", "lap", "cycle", "operator", "grit")
MOST_FACES = 2000  # the newest; more would only sharpen what their own cycles have left behind
_LEAST_FACES = 12
LEAST_REPEATS = 8  # from which the reading alone is told apart
_MOST_LEVELS = 400  # cycles and all, above which the newest faces are halved


@dataclass(frozen=True, slots=True)
class VariationSource:
    """One source of spread."""

    name: str
    levels: int
    sd_um: float
    low_um: float
    high_um: float
    share: float  # of the summed variance, 0 to 1
    words: str


@dataclass(frozen=True, slots=True)
class NotSplit:
    """One factor left out of the split."""

    name: str
    why: str
    cure: str  # the crossing, or the record, that would let it be told


@dataclass(frozen=True, slots=True)
class VariationReport:
    """The split of one characteristic."""

    status: str  # 'split', 'split in part' (something was left out), 'refused'
    sentence: str
    part: str  # '' = all part numbers
    characteristic: str
    faces: int
    sources: tuple[VariationSource, ...]  # the last one is from reading to reading
    not_split: tuple[NotSplit, ...]
    step_um: float  # usual width of a reading: what is below a third of it hides in the reading to reading part
    remarks: tuple[str, ...]
    level: float


def report_variation(
    view: CellView,
    *,
    part: str = "",
    characteristic: str = "flatness",
    level: float = 0.95,
    until: Mapping[tuple[str, int], float] = NEVER,
) -> VariationReport:
    """Split the spread of first readings of faces among its sources.

    Parameters
    ----------
    view : CellView
    part : str
        Part number, '' = all: then the part number is a source of its own.
    characteristic : str
    level : float
        Coverage of the intervals.
    until : mapping of (str, int) to float, default none
        Of a lap and its cycle, the age in faces at which another cycle may have begun, from `first_doubts_in`.

    Returns
    -------
    VariationReport
        'refused' where too few faces are read, or nothing can be told apart.

    Raises
    ------
    ValueError
        For an unknown characteristic or part number.

    Notes
    -----
    On the middles of the readings, restricted maximum likelihood; a straight line with the age in the cycle is taken
    out first, so that wear is not counted as spread. Factors that cannot be told apart are left out one by one, the
    one inside the other first.

    References
    ----------
    As `spc.model.variance`.
    """
    if characteristic not in CHARACTERISTICS:
        raise ValueError(f"`characteristic` must be one of {', '.join(CHARACTERISTICS)}, got {characteristic!r}")
    if part and not (view.faces["part"] == part).any():
        raise ValueError(f"`part` must be a part number of the log, got {part!r}")
    rows = _first_readings(view.faces, part, characteristic)
    read = readings_of_repeats(repeats_of(view.faces, characteristic=characteristic, part=part))
    gauge = studied(read) if read.repeats >= LEAST_REPEATS else None
    sure = before_doubts(rows, until)
    report = split_readings(rows[sure], gauge, part=part, characteristic=characteristic, level=level)
    if sure.all():
        return report
    left_out = f"left out {AGE_NOT_KNOWN}: {plural(int(np.count_nonzero(~sure)), 'reading')}"
    return replace(report, remarks=(*report.remarks, left_out))


def split_readings(
    rows: pd.DataFrame, gauge: GaugeStudy | None, *, part: str, characteristic: str, level: float = 0.95
) -> VariationReport:
    """Split the spread of a list of readings among its sources, as `report_variation` does for a log.

    Parameters
    ----------
    rows : DataFrame
        part (left out where it is no source: one part number), lap, cycle, operator, grit, age_faces, low_um, high_um;
        in order of time. Of more than MOST_FACES closed readings the newest are taken.
    gauge : GaugeStudy or None
        Of these faces or others read the same way; None = fewer than LEAST_REPEATS repeats.
    part, characteristic : str
    level : float
    """
    closed = rows[np.isfinite(rows["high_um"])]
    rows = _newest(closed)
    low, high = rows["low_um"].to_numpy(np.float64), rows["high_um"].to_numpy(np.float64)
    step = float(np.median(high - low)) if len(rows) else math.nan

    def report(status: str, sentence: str, sources: tuple[VariationSource, ...] = ()) -> VariationReport:
        return VariationReport(
            status, sentence, part, characteristic, len(rows), sources, tuple(not_split), step, tuple(remarks), level
        )

    not_split: list[NotSplit] = []
    remarks: list[str] = []
    if len(rows) < _LEAST_FACES:
        return report("refused", f"No split: {len(rows):,} faces with a reading; at least {_LEAST_FACES} are needed.")
    factors = _factors(rows, not_split)
    if not factors:
        return report("refused", "No split: " + "; ".join(f"{n.name}: {n.why}" for n in not_split) + ".")
    fixed = _age(rows, remarks)
    if step > 0:
        remarks.append(f"readings step by {step:.3g} um: the step is in the part from reading to reading")
    remarks += _gauged(gauge)
    split = _split((low + high) / 2, factors, fixed, not_split, level)
    if split is None or split.status != "split":
        why = split.sentence if split is not None else "; ".join(n.why for n in not_split)
        return report("refused", f"No split: {why}.")
    total = sum(c.variance for c in split.components)
    sources = tuple(_source(c, total) for c in split.components)
    largest = sorted(sources, key=lambda s: -s.share)
    told = ", ".join(f"{s.name} {s.share:.0%}" for s in largest)
    lost = f"; not told apart: {', '.join(n.name for n in not_split)}" if not_split else ""
    status = "split in part" if not_split else "split"
    of_last = "the last " if len(rows) < len(closed) else ""
    return report(status, f"Of the spread (squared) of {of_last}{len(rows):,} faces: {told}{lost}.", sources)


def _first_readings(faces: pd.DataFrame, part: str, characteristic: str) -> pd.DataFrame:
    """Give the readings of first passes."""
    rows = faces[(faces["kind"] == "face") & (faces["attempt"] <= 1)]
    rows = rows[rows["part"] == part].drop(columns="part") if part else rows
    ends = {f"{end}_um": rows[f"{characteristic}_{end}_um"] for end in ("low", "high")}
    return rows.assign(**ends)[rows[f"{characteristic}_low_um"].notna()].sort_values("sort_us", kind="stable")


def _newest(rows: pd.DataFrame) -> pd.DataFrame:
    """Take the newest, few enough for the split to be quick."""
    rows = rows.iloc[-MOST_FACES:]
    while len(rows) > _LEAST_FACES and rows.groupby(["lap", "cycle"]).ngroups > _MOST_LEVELS:
        rows = rows.iloc[len(rows) // 2 :]
    return rows.reset_index(drop=True)


def _factors(rows: pd.DataFrame, not_split: list[NotSplit]) -> dict[str, list[object]]:
    """Levels of each factor that can be a source; the others are told with what would let them be one."""
    levels: dict[str, list[object]] = {
        "part number": rows["part"].tolist() if "part" in rows else [],
        "lap": rows["lap"].tolist(),
        "cycle": list(nested(rows["lap"].tolist(), rows["cycle"].tolist())),
        "operator": rows["operator"].tolist(),
        "grit": rows["grit"].tolist(),
    }
    cures = {
        "part number": "lap a second part number",
        "lap": "run the part on a second lap",
        "cycle": "go on until a lap has been reconditioned",
        "operator": "let a second operator lap it",
        "grit": "run it on a second grit",
    }
    found = {}
    for name in FACTORS:
        if name == "part number" and "part" not in rows:
            continue
        known = [value for value in levels[name] if str(value)]
        if len(known) < len(rows):
            why = f"{len(rows) - len(known):,} of {len(rows):,} faces do not say it"
            not_split.append(NotSplit(name, why, f"log the {name} with each face"))
        elif len(set(known)) < 2:
            not_split.append(NotSplit(name, "all faces have the same one", cures[name]))
        elif len(set(known)) > _MOST_LEVELS:
            why = f"{len(set(known)):,} different ones among {len(rows):,} faces are too many to tell apart"
            not_split.append(NotSplit(name, why, f"see that the {name} is logged under one spelling each"))
        else:
            found[name] = levels[name]
    return found


def _gauged(study: GaugeStudy | None) -> list[str]:
    """Say what of the part from reading to reading is the reading alone, where faces were read again."""
    if study is None or study.repeatability is None:
        return ["how much of the part from reading to reading is the reading alone is not known: read some faces twice"]
    return [f"of the part from reading to reading, {study.repeatability.words} is the reading alone (faces read again)"]


def _age(rows: pd.DataFrame, remarks: list[str]) -> NDArray[np.float64] | None:
    age = rows["age_faces"].to_numpy(np.float64)
    if not np.isfinite(age).all() or not np.ptp(age) > 0:
        return None
    remarks.append("a straight line with the age in the cycle is taken out first")
    return np.asarray((age - age.mean()) / np.ptp(age), dtype=np.float64)[:, None]


def _split(
    middle: NDArray[np.float64], factors: dict[str, list[object]], fixed: NDArray[np.float64] | None,
    not_split: list[NotSplit], level: float,
) -> VarianceSplit | None:  # fmt: skip
    """Split; where two factors cannot be told apart, leave out the finer one and say which crossing would help."""
    left = dict(factors)
    _leave_same(left, not_split)
    while left:
        split = split_variance(middle, left, fixed=fixed, level=level)
        if split.status != "confounded":
            return split
        name, other = _culprits(left)
        cure = _cross(left, name, other) if other else "let each meet several of the others"
        not_split.append(NotSplit(name, split.sentence, cure))
        del left[name]
    return None


def _leave_same(left: dict[str, list[object]], not_split: list[NotSplit]) -> None:
    """Leave out every factor whose levels are those of another one under other names."""
    names = list(left)
    for at, name in enumerate(names):
        for other in names[:at]:
            if name not in left or other not in left:
                continue
            pairs = len(set(zip(left[name], left[other], strict=True)))
            if pairs == len(set(left[name])) == len(set(left[other])):
                why = f"every {other} has a {name} of its own: what belongs to which cannot be told"
                not_split.append(NotSplit(name, why, _cross(left, name, other)))
                del left[name]


def _cross(left: dict[str, list[object]], name: str, other: str) -> str:
    """Name the crossing that would join two factors, without naming people."""
    if "operator" in (name, other):
        apart = other if name == "operator" else name
        return f"let two operators each run faces on two levels of {apart}"
    met = connection(left[name], left[other], names=(name, other))
    return met.sentence or f"let one {name} meet two levels of {other}"


def _culprits(left: dict[str, list[object]]) -> tuple[str, str]:
    """Find the factor to leave out, the one with most levels inside another, and that other one."""
    names = sorted(left, key=lambda n: -len(set(left[n])))
    for name in names:
        for other in left:
            if other != name and len(set(zip(left[name], left[other], strict=True))) == len(set(left[name])):
                return name, other
    return names[0], ""


def _source(component: VarianceComponent, total: float) -> VariationSource:
    return VariationSource(
        name=component.name,
        levels=component.levels,
        sd_um=component.sd,
        low_um=component.low_sd,
        high_um=component.high_sd,
        share=component.variance / total if total > 0 else math.nan,
        words=component.words,
    )
