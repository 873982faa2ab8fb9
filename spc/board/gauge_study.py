"""Gauge studies, from repeats in the log or from a planned study, and what each says of the limits it serves."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc.board.cell_view import CellView, upper_limit_um
from spc.board.kept import digest_of_values, kept
from spc.capability.gauge import GaugeStudy, is_gauge_study, study_gauge
from spc.capability.gauge_budget import GaugeBudget, Resolution, budget, resolution
from spc.capability.gauge_readings import GaugeReadings, gauge_readings
from spc.log.gauge_table import GaugeTable

__all__ = [
    "CHARACTERISTICS",
    "REPEAT_COLUMNS",
    "GaugeReport",
    "LimitServed",
    "log_readings",
    "readings_of_repeats",
    "repeats_of",
    "report_gauge",
    "report_planned",
    "report_repeats",
    "studied",
    "way_of_reading",
]

REPEAT_COLUMNS: dict[str, str] = {"face": "int64", "reader": "int64", "low_um": "float64", "high_um": "float64"}
CHARACTERISTICS = ("flatness", "finish", "parallelism", "squareness", "thickness")
MOST_GAUGED = 400  # the newest faces read again; more would only sharpen a study that is sharp enough
_FACE = ("part", "serial", "face", "stage", "lap")


@dataclass(frozen=True, slots=True)
class LimitServed:
    """What the measuring system is to one limit."""

    part: str
    limit_um: float
    resolution: Resolution
    budget: GaugeBudget


@dataclass(frozen=True, slots=True)
class GaugeReport:
    """A gauge study, its limits, and the terms of its budget."""

    characteristic: str
    source: str  # where the readings come from, in words
    way: str  # 'optical flat', 'interferometer', ...; '' when it does not matter
    study: GaugeStudy
    enough: bool  # whether an index may lean on it
    limits: tuple[LimitServed, ...]  # empty when no limit is known or nothing could be studied
    read: GaugeReadings  # what was studied


def way_of_reading(faces: pd.DataFrame, *, characteristic: str = "flatness") -> pd.Series:
    """Say how each reading was taken: the method of flatness; other characteristics count as read one way.

    Parameters
    ----------
    faces : DataFrame
        Faces frame.
    characteristic : str
    """
    if characteristic != "flatness":
        return pd.Series("", index=faces.index)
    # A second reading rarely repeats the method: it is that of the face's other readings.
    named = (faces["serial"] != "") | (faces["face"] != "")
    of_face = faces[named].groupby(list(_FACE), sort=False)["method"].transform("max")
    method = faces["method"].where(faces["method"] != "", of_face.reindex(faces.index).fillna(""))
    return method.where(method != "", "method not said, in " + faces["flatness_unit"])


def repeats_of(
    faces: pd.DataFrame, *, characteristic: str = "flatness", part: str = "", ways: frozenset[str] | None = None
) -> pd.DataFrame:
    """Gather the faces of a log that were read more than once, names put away.

    Parameters
    ----------
    faces : DataFrame
        Faces frame; a repeat belongs to the pass before it over the same face, and is gauge data with it.
    characteristic : str
    part : str
        Part number, '' = all: how a face is read hardly depends on its part number.
    ways : frozenset of str, optional
        Take only readings taken in one of these ways (`way_of_reading`).

    Returns
    -------
    DataFrame
        Columns of REPEAT_COLUMNS, one row per reading, of the MOST_GAUGED newest such faces: faces numbered from 1 as
        they come, readers from 1 (0 = not known).

    Notes
    -----
    A face lapped again is another face here: only readings between two passes tell of the reader alone.
    """
    if characteristic not in CHARACTERISTICS:
        raise ValueError(f"`characteristic` must be one of {', '.join(CHARACTERISTICS)}, got {characteristic!r}")
    low, high = f"{characteristic}_low_um", f"{characteristic}_high_um"
    rows = faces[(faces["serial"] != "") | (faces["face"] != "")]
    rows = rows[rows["part"] == part] if part else rows
    if ways is not None:
        rows = rows[way_of_reading(rows, characteristic=characteristic).isin(ways)]
    named = rows.groupby(list(_FACE), sort=False).ngroup()
    passes = (rows["kind"] == "face").groupby(named).cumsum()
    rows = rows.assign(gauged=named.astype(str) + "/" + passes.astype(str))
    rows = rows[(passes > 0) & rows[low].notna() & rows[high].notna()]
    rows = rows[rows.duplicated("gauged", keep=False)]
    rows = rows[rows["gauged"].isin(rows["gauged"].drop_duplicates(keep="last").iloc[-MOST_GAUGED:])]
    known = rows["operator"].where(rows["operator"] != "")
    found = {
        "face": pd.factorize(rows["gauged"])[0] + 1,
        "reader": pd.factorize(known)[0] + 1,
        "low_um": rows[low],
        "high_um": rows[high],
    }
    return pd.DataFrame(found).astype(REPEAT_COLUMNS).reset_index(drop=True)


def readings_of_repeats(repeats: pd.DataFrame) -> GaugeReadings:
    """Check repeats, as `repeats_of` gives them, for a gauge study."""
    readers = ["" if code == 0 else str(code) for code in repeats["reader"]]
    return gauge_readings(repeats["face"].tolist(), readers, repeats["low_um"], repeats["high_um"])


def log_readings(
    faces: pd.DataFrame, *, characteristic: str = "flatness", part: str = "", ways: frozenset[str] | None = None
) -> GaugeReadings:
    """Gather the faces of a log that were read more than once, as `repeats_of` does, checked for a gauge study."""
    return readings_of_repeats(repeats_of(faces, characteristic=characteristic, part=part, ways=ways))


def studied(readings: GaugeReadings, *, level: float = 0.95) -> GaugeStudy:
    """Study a measuring system; what was studied before is found again (`spc.board.kept`)."""
    run = np.zeros(0) if readings.run is None else readings.run
    digest = digest_of_values(
        readings.face, readings.reader, run, readings.low_um, readings.high_um, readings.read_once,
        readings.open_ended, readings.unit, level,
    )  # fmt: skip
    return kept("gauge", digest, lambda: study_gauge(readings, level=level))


def report_gauge(
    view: CellView, *, part: str = "", characteristic: str = "flatness", level: float = 0.95,
    flat_error_um: float = math.nan, temperature_um: float = math.nan,
) -> tuple[GaugeReport, ...]:  # fmt: skip
    """Study the measuring systems of a log: one study per way of reading that holds repeats.

    Parameters
    ----------
    view : CellView
    part : str
        '' = all part numbers.
    characteristic : str
    level : float
        Coverage of the intervals.
    flat_error_um, temperature_um : float
        As `spc.capability.gauge_budget.budget` takes them; NaN = not stated.

    Returns
    -------
    tuple of GaugeReport
        The one with most readings first; a single refused one when the log holds no repeats.

    Raises
    ------
    ValueError
        For an unknown characteristic or part number.
    """
    faces = view.faces
    if part and not (faces["part"] == part).any():
        raise ValueError(f"`part` must be a part number of the log, got {part!r}")
    own = faces[faces["part"] == part] if part else faces
    ways = way_of_reading(own, characteristic=characteristic)
    limits = upper_limit_um(own["part"], view.limits, characteristic=characteristic)
    source = f"repeats in the log, {part or 'all part numbers'}"
    reports = []
    for way in dict.fromkeys(ways):
        readings = log_readings(own, characteristic=characteristic, part=part, ways=frozenset((way,)))
        if readings.n == 0:
            continue
        study = studied(readings, level=level)
        of_way = (ways == way).to_numpy()
        held = dict(zip(own["part"].to_numpy()[of_way], limits[of_way], strict=True))
        told = _served(study, held, flat_error_um=flat_error_um, temperature_um=temperature_um)
        reports.append(GaugeReport(characteristic, source, way, study, _enough(readings), told, readings))
    if not reports:
        readings = log_readings(own, characteristic=characteristic, part=part)
        return (GaugeReport(characteristic, source, "", studied(readings, level=level), False, (), readings),)
    return tuple(sorted(reports, key=lambda report: -report.study.readings))


def report_repeats(
    repeats: pd.DataFrame, *, part: str, characteristic: str, limit_um: float, source: str,
    flat_error_um: float = math.nan, temperature_um: float = math.nan,
) -> GaugeReport:  # fmt: skip
    """Study repeats, as `repeats_of` gives them, and hold the study against one limit (NaN = none)."""
    readings = readings_of_repeats(repeats)
    study = studied(readings)
    told = _served(study, {part: limit_um}, flat_error_um=flat_error_um, temperature_um=temperature_um)
    return GaugeReport(characteristic, source, "", study, _enough(readings), told, readings)


def _enough(readings: GaugeReadings) -> bool:
    return is_gauge_study(faces=readings.faces, repeats=readings.repeats, readers=readings.readers)


def report_planned(
    table: GaugeTable, *, name: str, characteristic: str = "flatness", limit_um: float = math.nan, level: float = 0.95,
    flat_error_um: float = math.nan, temperature_um: float = math.nan,
) -> GaugeReport:  # fmt: skip
    """Study a planned gauge study.

    Parameters
    ----------
    table : GaugeTable
    name : str
        Of the table, for the report.
    limit_um : float
        Limit the readings serve, in the unit of the readings; NaN = none.
    characteristic, level, flat_error_um, temperature_um
        As for `report_gauge`.
    """
    readings = gauge_readings(
        [row.face for row in table.rows],
        [row.reader for row in table.rows],
        [row.low_um for row in table.rows],
        [row.high_um for row in table.rows],
        run=[row.run for row in table.rows] if table.has_run else None,
        unit=table.unit,
    )
    study = studied(readings, level=level)
    told = _served(study, {"": limit_um}, flat_error_um=flat_error_um, temperature_um=temperature_um)
    return GaugeReport(characteristic, name, "", study, _enough(readings), told, readings)


def _served(
    study: GaugeStudy, limits_um: dict[str, float], *, flat_error_um: float, temperature_um: float
) -> tuple[LimitServed, ...]:
    """Hold a study against the limits of the part numbers read this way; NaN = none."""
    if study.status == "refused":
        return ()
    reader = math.hypot(study.reader.sd_um, study.by_face_um) if study.reader is not None else math.nan
    return tuple(
        LimitServed(
            part=part,
            limit_um=limit,
            resolution=resolution(study.coarsest_um, limit, unit=study.unit),
            budget=budget(
                repeatability_um=study.as_written_um,
                reader_um=reader,
                run_um=study.run.sd_um if study.run is not None else 0.0,
                step_um=study.coarsest_um,
                flat_error_um=flat_error_um,
                temperature_um=temperature_um,
                limit_um=limit,
                unit=study.unit,
            ),
        )
        for part, limit in sorted(limits_um.items())
        if np.isfinite(limit)
    )
