"""The measuring system of a characteristic: how far readings of one face differ, by repeats and by readers.

Two roads to the same components, restricted maximum likelihood and, for balanced tables, the closed form of the
analysis of variance; and for readings in steps an interval model, whose answer counts. Sizes of spread only, never
who reads how.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spc.capability.gauge_anova import GaugeAnova, gauge_anova
from spc.capability.gauge_readings import GaugeReadings
from spc.capability.gauge_steps import SteppedFit, fit_stepped
from spc.model.variance import VarianceComponent, VarianceSplit, nested, split_variance

__all__ = ["GaugeStudy", "SpreadEstimate", "is_gauge_study", "study_gauge"]

LEAST_FACES = 10  # read at least twice, for an index to lean on the study; our rule
LEAST_REPEATS = 20  # readings beyond the first of each face; our rule
LEAST_READERS = 2


@dataclass(frozen=True, slots=True)
class SpreadEstimate:
    """A standard deviation with its interval; micrometres."""

    sd_um: float  # 0 where the readings only bound it
    low_um: float
    high_um: float
    method: str
    words: str


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """What the repeats say of the measuring system."""

    status: str  # 'studied', 'bounded' (repeatability only has an upper bound), 'refused'
    sentence: str
    design: str  # 'crossed', 'nested', 'one reader', 'readers not known', ''
    readings: int
    faces: int
    readers: int
    step_um: float
    coarsest_um: float  # width that nine in ten readings do not exceed
    unit: str  # 'um', or '' for a table of plain numbers: then every `_um` is in the unit of the table
    identical_share: float  # of pairs of readings of one face; NaN without a pair
    repeatability: SpreadEstimate | None  # one reader, one face, before the step rounds the reading
    reader: SpreadEstimate | None  # from reader to reader
    run: SpreadEstimate | None  # from one day or round of readings to another; None = not told apart
    by_face_um: float  # standard deviation of how readers differ from face to face; 0 = none seen, or not told apart
    as_written_um: float  # repeatability of the readings as written, the step included
    reading_sd_um: float  # of one reading by any reader, before the step; an upper end where only a bound is known
    reading_sd_source: str
    reml: VarianceSplit | None
    anova: GaugeAnova | None
    stepped: SteppedFit | None
    remarks: tuple[str, ...]
    level: float


def is_gauge_study(*, faces: int, repeats: int, readers: int) -> bool:
    """Whether repeats are enough for an index to lean on: 10 faces, 20 repeats, two readers; our own rule.

    Parameters
    ----------
    faces : int
        Faces read at least twice.
    repeats : int
        Readings beyond the first of each face.
    readers : int
    """
    return faces >= LEAST_FACES and repeats >= LEAST_REPEATS and readers >= LEAST_READERS


def study_gauge(readings: GaugeReadings, *, level: float = 0.95) -> GaugeStudy:
    """Study a measuring system.

    Parameters
    ----------
    readings : GaugeReadings
        Of faces read at least twice.
    level : float, default 0.95
        Coverage of the intervals.

    Returns
    -------
    GaugeStudy
        'refused' with its reason and cure when no face was read twice.

    Notes
    -----
    Readings of readers who are not known are left out where others are known, and counted in the remarks.

    References
    ----------
    Variance components as `spc.model.variance`, `spc.capability.gauge_anova`, `spc.capability.gauge_steps` say.
    """
    if not 0.5 <= level < 1:
        raise ValueError(f"`level` must be from 0.5 to below 1, got {level}")
    remarks = _counted(readings)
    unknown = readings.reader < 0
    if unknown.any() and not unknown.all():
        known = readings.taken(~unknown)
        if known.repeats > 0:
            many = int(unknown.sum())
            remarks.append(f"{many:,} reading{'s' if many > 1 else ''} without a reader's name left out")
            readings = known
    empty = GaugeStudy(
        status="refused", sentence="", design="", readings=readings.n, faces=readings.faces, readers=readings.readers,
        step_um=readings.step_um, coarsest_um=readings.coarsest_um, unit=readings.unit,
        identical_share=readings.identical_share(),
        repeatability=None, reader=None, run=None, by_face_um=0.0, as_written_um=math.nan, reading_sd_um=math.nan,
        reading_sd_source="", reml=None, anova=None, stepped=None, remarks=tuple(remarks), level=level,
    )  # fmt: skip
    if readings.repeats == 0:
        why = "no face was read twice: read at least 10 faces twice by each of two readers and enter them as repeats"
        return replace(empty, sentence=f"No gauge study: {why}.")
    if readings.step_um == 0 and np.ptp(_within(readings)) == 0:
        why = "all readings of a face are equal and no step is known: copied values, or a step that must be stated"
        return replace(empty, sentence=f"No gauge study: {why}.")
    design = _design(readings)
    return _composed(empty, readings, design, level)


def _composed(empty: GaugeStudy, readings: GaugeReadings, design: str, level: float) -> GaugeStudy:
    remarks = list(empty.remarks)
    stepped = fit_stepped(readings, level=level)
    reml = _reml(readings, design, level)
    single = readings.faces == 1
    layout = design if design in ("crossed", "nested") and not single else "one reader"
    core = _balanced_core(readings) if layout == "crossed" else np.ones(readings.n, dtype=bool)
    # A face's code is its own in a nested table; of a single face, each reader's readings are a group of their own.
    group = readings.reader if single else readings.face
    anova = gauge_anova(readings.middle_um[core], group[core], readings.reader[core], design=layout, level=level)
    if anova.status != "split":
        remarks.append(f"analysis of variance: {anova.sentence}")
    elif not core.all():
        remarks.append(f"analysis of variance: of the {int(core.sum()):,} readings that fill every cell alike")
    if reml is not None and reml.status != "split":
        remarks.append(f"components of variance: {reml.sentence}")
    if readings.faces == 1:
        remarks.append("one face was read: whether other faces read as well is not known")
    repeatability = _repeatability(stepped, reml, anova, readings.unit)
    if repeatability is None:
        return replace(empty, sentence="No gauge study: the readings leave no spread to split.", design=design)
    as_written = _as_written(readings, reml)
    reader = _reader(reml, stepped, design, readings.unit)
    if reader is None:
        remarks.append(_no_reader(design, reml))
    elif design == "nested":
        remarks.append("each reader read faces of his own: what belongs to the faces may look like the reader's")
    bounded = repeatability.sd_um == 0
    cautious = repeatability.high_um if bounded else repeatability.sd_um
    others = {c.name: c.variance for c in _components(reml) if c.name in ("reader", "face by reader", "run")}
    run = _run(reml, readings.unit)
    if run is not None and stepped.status != "exact":
        others.pop("run")  # it is in the repeatability then
        remarks.append("days or rounds are not told apart in the repeatability, which is that of the stepped readings")
    source = "upper end of the repeatability" if bounded else "repeatability"
    source += " and spread from reader to reader" if "reader" in others else "; readers not told apart"
    source += ", with that from day to day" if "run" in others else ""
    return replace(
        empty,
        status="bounded" if bounded else "studied",
        sentence=_sentence(empty, repeatability, reader, run, bounded=bounded),
        design=design,
        repeatability=repeatability,
        reader=reader,
        run=run,
        by_face_um=math.sqrt(others.get("face by reader", 0.0)),
        as_written_um=as_written,
        reading_sd_um=math.sqrt(cautious**2 + sum(others.values())),
        reading_sd_source=source,
        reml=reml,
        anova=anova if anova.status == "split" and not single else None,
        stepped=stepped if stepped.status != "exact" else None,
        remarks=tuple(remarks),
    )


def _counted(readings: GaugeReadings) -> list[str]:
    told = (
        (readings.read_once, "of a face read only once"),
        (readings.open_ended, "without an upper end"),
    )
    return [f"{n:,} reading{'s' if n > 1 else ''} {why} left out" for n, why in told if n]


def _design(readings: GaugeReadings) -> str:
    if (readings.reader < 0).all():
        return "readers not known"
    if readings.readers < 2:
        return "one reader"
    pairs = np.unique(np.column_stack([readings.face, readings.reader]), axis=0)
    return "nested" if len(pairs) == readings.faces else "crossed"


def _balanced_core(readings: GaugeReadings) -> NDArray[np.bool_]:
    """Mark the newest readings of readers who read every face, the same number in each cell; all where there are none.

    The readers are tried by how often they read their least read face, so that the core is as large as can be.
    """
    faces, face = np.unique(readings.face, return_inverse=True)
    readers, who = np.unique(readings.reader, return_inverse=True)
    cell = np.zeros((faces.size, readers.size), dtype=np.int64)
    np.add.at(cell, (face, who), 1)
    least = cell.min(axis=0)
    best, size = np.ones(readings.n, dtype=bool), 0
    for k in np.unique(least[least > 0]).tolist():
        full = least >= k
        if full.sum() >= 2 and full.sum() * k > size:
            newest = np.zeros(readings.n, dtype=np.int64)  # how many readings of the cell come after this one
            seen = np.zeros_like(cell)
            for at in range(readings.n - 1, -1, -1):
                newest[at] = seen[face[at], who[at]]
                seen[face[at], who[at]] += 1
            best, size = full[who] & (newest < k), int(full.sum()) * k
    return best


def _within(readings: GaugeReadings) -> NDArray[np.float64]:
    """Distance of each reading from the first one of its face."""
    first = {int(f): readings.middle_um[readings.face == f][0] for f in np.unique(readings.face)}
    return np.asarray(readings.middle_um - np.array([first[int(f)] for f in readings.face]))


def _reml(readings: GaugeReadings, design: str, level: float) -> VarianceSplit | None:
    """Split with as many components as the table can tell apart; None where the face is the only one."""
    if readings.faces < 2:
        return None
    face, reader = readings.face.tolist(), readings.reader.tolist()
    named: dict[str, list[object]] = {"face": face}
    if design in ("crossed", "nested"):
        named["reader"] = reader
    runs = [] if readings.run is None or np.unique(readings.run).size < 2 else [{"run": readings.run.tolist()}]
    cells: list[object] = list(nested(face, reader))
    both = [{"face by reader": cells}] if design == "crossed" else []
    tries = [{**extra_run, **extra_both} for extra_run in [*runs, {}] for extra_both in [*both, {}]]
    split = None
    for extra in tries:
        split = split_variance(readings.middle_um, {**named, **extra}, level=level)
        if split.status != "confounded":
            break
    return split


def _components(split: VarianceSplit | None) -> tuple[VarianceComponent, ...]:
    return split.components if split is not None and split.status == "split" else ()


def _repeatability(
    stepped: SteppedFit, reml: VarianceSplit | None, anova: GaugeAnova, unit: str
) -> SpreadEstimate | None:
    if stepped.status != "exact":
        return _estimate(stepped.sd_um, stepped.low_um, stepped.high_um, "interval model of the stepped readings", unit)
    for part in _components(reml)[-1:]:
        return _estimate(part.sd, part.low_sd, part.high_sd, "restricted maximum likelihood", unit)
    if anova.status == "split":
        last = anova.components[-1]
        return _estimate(last.sd, last.low_sd, last.high_sd, "analysis of variance", unit)
    return None


def _as_written(readings: GaugeReadings, reml: VarianceSplit | None) -> float:
    """Spread of the readings of one face by one reader as they are written."""
    for part in _components(reml)[-1:]:
        return part.sd
    cells = np.unique(np.column_stack([readings.face, readings.reader]), axis=0, return_inverse=True)[1].reshape(-1)
    middle = readings.middle_um
    means = np.bincount(cells, weights=middle) / np.bincount(cells)
    df = readings.n - means.size
    return math.sqrt(float(((middle - means[cells]) ** 2).sum()) / df) if df > 0 else 0.0


def _reader(reml: VarianceSplit | None, stepped: SteppedFit, design: str, unit: str) -> SpreadEstimate | None:
    if design not in ("crossed", "nested"):
        return None
    for part in _components(reml):
        if part.name == "reader":
            return _estimate(part.sd, part.low_sd, part.high_sd, "restricted maximum likelihood", unit)
    if stepped.status == "bounded" and math.isfinite(stepped.most_offset_um):
        words = f"not seen; no reader's habit is more than {stepped.most_offset_um:.3g} {unit} off".replace("  ", " ")
        return SpreadEstimate(0.0, 0.0, stepped.most_offset_um, "interval model of the stepped readings", words)
    return None


def _run(reml: VarianceSplit | None, unit: str) -> SpreadEstimate | None:
    for part in _components(reml):
        if part.name == "run":
            return _estimate(part.sd, part.low_sd, part.high_sd, "restricted maximum likelihood", unit)
    return None


def _no_reader(design: str, reml: VarianceSplit | None) -> str:
    if design == "one reader":
        return "one reader: what readers add to each other is not known; let a second one read the same faces"
    if design == "readers not known":
        return "readers are not named: the spread from reader to reader is inside the repeatability; log who reads"
    return "readers could not be told apart" + (f": {reml.sentence}" if reml is not None else " on a single face")


def _estimate(sd: float, low: float, high: float, method: str, unit: str) -> SpreadEstimate:
    words = f"at most {high:.3g} {unit}" if sd == 0 else f"{sd:.3g} {unit} ({low:.3g} to {high:.3g} {unit})"
    words = " ".join(words.split()).replace(" )", ")")
    return SpreadEstimate(sd, low, high, method, words)


def _sentence(
    study: GaugeStudy, repeatability: SpreadEstimate, reader: SpreadEstimate | None, run: SpreadEstimate | None, *,
    bounded: bool,
) -> str:  # fmt: skip
    who = f" by {study.readers} readers" if study.readers > 1 else " by one reader" if study.readers == 1 else ""
    told = f"{study.readings:,} readings of {study.faces:,} face{'s' if study.faces > 1 else ''}{who}: "
    told += f"readings of one face by one reader differ by a standard deviation of {repeatability.words}"
    if bounded:
        told += ", as the step hides what is smaller"
    if reader is not None:
        told += f"; from reader to reader {reader.words}"
    if run is not None:
        told += f"; from day to day, or round to round, {run.words}"
    return told + "."
