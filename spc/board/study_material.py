"""The closed list of readings of a study, and all that must be known beside it; once stored it never changes."""

import hashlib
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from spc.board.cell_charts import CellCharts, chart_cell
from spc.board.cell_view import CellView
from spc.board.gauge_study import REPEAT_COLUMNS, repeats_of, way_of_reading
from spc.board.missing import AGE_NOT_KNOWN, before_doubts, first_doubts_in
from spc.board.reactions import findings, place_of
from spc.board.room_history import look_at_room
from spc.board.study_age import PlannedAge, planned_age
from spc.board.study_plan import StudyPlan, check_plan, plan_from_json
from spc.chart.replay import ChartSignal, signals_of
from spc.chart.stream import Stream, face_of_cycle

__all__ = [
    "DATA_COLUMNS",
    "FIRST_NOT_LOGGED",
    "ChartLimits",
    "LeftOut",
    "StudyMaterial",
    "fingerprint_of_readings",
    "gather",
    "material_from_json",
    "material_to_json",
]

DATA_COLUMNS: dict[str, str] = {
    "face_id": "int64", "lap": "str", "cycle": "int64", "age_faces": "float64", "cycle_ended": "bool",
    "serial": "str", "face": "str", "operator": "str", "grit": "str", "time_text": "str", "text": "str", "unit": "str",
    "lamp": "str", "low_um": "float64", "high_um": "float64",
}  # fmt: skip
FIRST_NOT_LOGGED = "lapped again after a first pass whose reading is not logged"
_CHARTED = ("flatness", "finish")  # characteristics that a chart of the cell watches


@dataclass(frozen=True, slots=True)
class LeftOut:
    """One reading that a person took out of the study."""

    face_id: int
    text: str  # the reading as typed
    cause: str


@dataclass(frozen=True, slots=True)
class ChartLimits:
    """Which chart limits watched the faces of one lap."""

    lap: str
    revision: int  # 0 = trial limits, or none
    sentence: str
    fingerprint: str  # of the data the limits were frozen from; '' unless frozen


@dataclass(frozen=True, slots=True)
class StudyMaterial:
    """Everything a study is computed from."""

    plan: StudyPlan
    limit_um: float  # NaN = none known
    limit_text: str
    limit_revision: int  # of the register of drawing limits; 0 = given in the plan
    data: pd.DataFrame  # columns of DATA_COLUMNS
    left_out: tuple[LeftOut, ...]
    not_taken: tuple[tuple[str, int], ...]  # why readings of this part are not in the list, and how many
    fingerprint: str  # SHA-256 over ids and intervals of `data`
    chart_limits: tuple[ChartLimits, ...]
    watched: int  # readings of the list that a chart judged
    signals: tuple[str, ...]  # unanswered signals among them
    further_passes: bool  # re-laps are logged, so that a first reading was taken before anybody could lap until good
    repeats: pd.DataFrame  # faces of the log read more than once, in the way of the readings of the list
    planned_age: PlannedAge


def gather(view: CellView, plan: StudyPlan, *, cell: CellCharts | None = None) -> StudyMaterial:
    """Gather the material of a study from a cell already looked at.

    Parameters
    ----------
    view : CellView
    plan : StudyPlan
    cell : CellCharts, optional
        The charts of the same view, where they are already known.

    Returns
    -------
    StudyMaterial

    Raises
    ------
    ValueError
        If the plan cannot be, names a lap no log knows, or leaves out a face that is not among the readings.
    """
    check_plan(plan)
    cell = chart_cell(view) if cell is None else cell
    of_part = view.faces[view.faces["part"] == plan.part]
    doubts = first_doubts_in(view, sorted(set(of_part["lap"])), look_at_room(view, cell))
    taken, not_taken = _readings(view, plan, doubts)
    limit_um, limit_text, revision = _limit(view, plan)
    out = taken["face_id"].isin(plan.excluded)
    strangers = sorted(set(plan.excluded) - set(taken["face_id"]))
    if strangers:
        many = ", ".join(str(i) for i in strangers[:5])
        raise ValueError(f"`excluded` must name faces that the study would take; not among them: {many}")
    left_out = tuple(
        LeftOut(int(i), str(text), plan.excluded[int(i)])
        for i, text in zip(taken.loc[out, "face_id"], taken.loc[out, "text"], strict=True)
    )
    data = taken[~out].reset_index(drop=True)
    limits, watched, signals = _watch(view, plan, data, cell)
    ways = way_of_reading(view.faces, characteristic=plan.characteristic)
    of_list = frozenset(ways[view.faces["face_id"].isin(data["face_id"])])
    return StudyMaterial(
        plan=plan,
        limit_um=limit_um,
        limit_text=limit_text,
        limit_revision=revision,
        data=data,
        left_out=left_out,
        not_taken=not_taken,
        fingerprint=fingerprint_of_readings(data),
        chart_limits=limits,
        watched=watched,
        signals=signals,
        further_passes=bool(((of_part["kind"] == "face") & (of_part["attempt"] > 1)).any()),
        repeats=repeats_of(view.faces, characteristic=plan.characteristic, ways=of_list),
        planned_age=planned_age(view, plan, sorted(set(data["lap"])), until=doubts),
    )


def material_to_json(material: StudyMaterial) -> dict[str, Any]:
    """Plain values, fit to be stored; a reading open above has no upper end (null)."""
    stored = {f.name: getattr(material, f.name) for f in fields(StudyMaterial)}
    age = asdict(material.planned_age)
    return stored | {
        "plan": material.plan.as_json(),
        "limit_um": material.limit_um if math.isfinite(material.limit_um) else None,
        "data": _plain(material.data, DATA_COLUMNS),
        "repeats": _plain(material.repeats, REPEAT_COLUMNS),
        "left_out": [asdict(item) for item in material.left_out],
        "not_taken": [list(item) for item in material.not_taken],
        "chart_limits": [asdict(item) for item in material.chart_limits],
        "signals": list(material.signals),
        "planned_age": age | {"faces": age["faces"] if math.isfinite(age["faces"]) else None},
    }


def material_from_json(stored: Mapping[str, Any]) -> StudyMaterial:
    """Read back what `material_to_json` gave."""
    age = stored["planned_age"]
    values = dict(stored) | {
        "plan": plan_from_json(stored["plan"]),
        "limit_um": math.nan if stored["limit_um"] is None else float(stored["limit_um"]),
        "data": _frame(stored["data"], DATA_COLUMNS),
        "repeats": _frame(stored["repeats"], REPEAT_COLUMNS),
        "left_out": tuple(LeftOut(**item) for item in stored["left_out"]),
        "not_taken": tuple((str(why), int(count)) for why, count in stored["not_taken"]),
        "chart_limits": tuple(ChartLimits(**item) for item in stored["chart_limits"]),
        "signals": tuple(stored["signals"]),
        "planned_age": PlannedAge(math.nan if age["faces"] is None else float(age["faces"]), age["source"]),
    }
    return StudyMaterial(**values)


def _plain(frame: pd.DataFrame, columns: Mapping[str, str]) -> dict[str, list[Any]]:
    return {name: [None if value == math.inf else value for value in frame[name].tolist()] for name in columns}


def _frame(stored: Mapping[str, list[Any]], columns: Mapping[str, str]) -> pd.DataFrame:
    values = dict(stored)
    values["high_um"] = [math.inf if high is None else high for high in values["high_um"]]
    return pd.DataFrame({name: pd.Series(values[name], dtype=kind) for name, kind in columns.items()})


def fingerprint_of_readings(data: pd.DataFrame) -> str:
    """SHA-256 over one line `face id|low|high` per reading, lengths in micrometres as C99 hexadecimal numbers."""
    digest = hashlib.sha256()
    for face_id, low, high in zip(data["face_id"], data["low_um"], data["high_um"], strict=True):
        digest.update(f"{int(face_id)}|{float(low).hex()}|{float(high).hex()}\n".encode())
    return digest.hexdigest()


def _readings(
    view: CellView, plan: StudyPlan, doubts: Mapping[tuple[str, int], float]
) -> tuple[pd.DataFrame, tuple[tuple[str, int], ...]]:
    """Give the readings that the plan takes, and why the others of the part are not taken, in order."""
    faces = view.faces[view.faces["part"] == plan.part]
    if plan.laps:
        unknown = sorted(set(plan.laps) - set(view.laps["lap"]))
        if unknown:
            raise ValueError(f"`laps` must name laps of the log; unknown: {', '.join(unknown)}")
    low, high = f"{plan.characteristic}_low_um", f"{plan.characteristic}_high_um"
    since, over = _day_us(view, plan.since), _day_us(view, plan.until, days_on=1)
    left: list[tuple[str, int]] = []

    def keep(rows: pd.DataFrame, wanted: pd.Series, why: str) -> pd.DataFrame:
        if not wanted.all():
            left.append((why, int((~wanted).sum())))
        return rows[wanted]

    if plan.laps:
        faces = keep(faces, faces["lap"].isin(plan.laps), "lapped on a lap that the study does not take")
    if since is not None:
        faces = keep(faces, faces["sort_us"] >= since, f"before {plan.since}")
    if over is not None:
        faces = keep(faces, faces["sort_us"] < over, f"after {plan.until}")
    faces = keep(faces, faces["kind"] == "face", "a second reading of the same face: gauge data, not a new face")
    if plan.characteristic == "flatness" and view.struck_out:
        struck = faces["face_id"].isin(view.struck_out)
        faces = keep(faces, ~struck, "called a bad wipe or a bad reading by the person who answered its signal")
    faces = keep(faces, faces[low].notna() & faces[high].notna(), f"{plan.characteristic} not read")
    if plan.readings == "first pass":
        if plan.characteristic == "flatness":
            faces = keep(faces, ~faces["face_id"].isin(_without_first(view)), FIRST_NOT_LOGGED)
        faces = keep(faces, faces["attempt"] <= 1, "a further pass over the same face; the first one is taken")
    else:
        named = faces[faces["serial"] != ""].sort_values("sort_us", kind="stable")
        after = named.groupby(["part", "serial", "face"], sort=False)["attempt"].shift(-1)
        lapped_again = named.index[after > named["attempt"]]  # else the serial number was used again
        earlier = pd.Series(faces.index.isin(lapped_again), index=faces.index)
        faces = keep(faces, ~earlier, "an earlier pass over the same face; the last one is taken")
    sure = pd.Series(before_doubts(faces, doubts), index=faces.index)
    faces = keep(faces, sure, AGE_NOT_KNOWN)
    ended = pd.MultiIndex.from_frame(view.cycles.loc[view.cycles["ended"] != "running", ["lap", "cycle"]])
    done = pd.MultiIndex.from_frame(faces[["lap", "cycle"]]).isin(ended.difference(list(doubts)))
    flat = plan.characteristic == "flatness"
    faces = faces.assign(
        cycle_ended=done,
        text=faces[f"{plan.characteristic}_text"],
        unit=faces["flatness_unit"] if flat else "",
        lamp=faces["lamp"] if flat else "",
        low_um=faces[low],
        high_um=faces[high],
    )
    return faces[list(DATA_COLUMNS)].astype(DATA_COLUMNS).reset_index(drop=True), tuple(left)


def _without_first(view: CellView) -> set[int]:
    """Faces lapped again of which no first reading is logged, on whatever lap: ids of their last passes."""
    told = (view.finished_of(lap) for lap in view.by_lap)
    return {i for rows in told for i in rows.loc[rows["relapped"] & rows["first_low_um"].isna(), "face_id"].tolist()}


def _day_us(view: CellView, day: str, *, days_on: int = 0) -> int | None:
    """Microseconds of the beginning of a day at the site, or of one so many days on: a day may have 23 or 25 hours."""
    if not day:
        return None
    zone = ZoneInfo(view.settings.time_zone) if view.settings.time_zone else ZoneInfo("UTC")
    begins = datetime.combine(date.fromisoformat(day) + timedelta(days=days_on), time(), tzinfo=zone)
    return round(begins.timestamp() * 1_000_000)


def _limit(view: CellView, plan: StudyPlan) -> tuple[float, str, int]:
    if plan.limit_um is not None:
        return plan.limit_um, f"{plan.limit_um:g} um, given for this study", 0
    limits = view.limits[view.limits["characteristic"] == plan.characteristic]
    own = limits[limits["part"] == plan.part]
    row = own if len(own) else limits[limits["part"] == "*"]
    if row.empty or not math.isfinite(float(row["upper_um"].iloc[0])):
        return math.nan, "", 0
    upper = float(row["upper_um"].iloc[0])
    return upper, str(row["upper_text"].iloc[0]) or f"{upper:g} um", int(row["revision"].iloc[0])


def _watch(
    view: CellView, plan: StudyPlan, data: pd.DataFrame, cell: CellCharts
) -> tuple[tuple[ChartLimits, ...], int, tuple[str, ...]]:
    """Say which limits watched these faces, how many they judged, and which of their signals nobody has answered."""
    sign = plan.characteristic
    if sign not in _CHARTED or data.empty:
        return (), 0, ()
    limits, signals, watched = [], [], 0
    ids = data["face_id"].to_numpy(np.int64)
    for lap in sorted(set(data["lap"])):
        chart = cell.charts[lap, sign]
        judged = chart.replayed
        frozen = [b for b in view.baselines if (b.lap, b.sign) == (lap, sign)]
        last = frozen[-1] if frozen else None
        limits.append(ChartLimits(lap, last.revision if last else 0, chart.sentence, last.fingerprint if last else ""))
        among = np.isin(judged.stream.face_id, ids)
        watched += int(np.count_nonzero(among & np.isfinite(judged.z)))
        wanted = set(ids.tolist())
        spells = _spells([s for s in signals_of(judged) if s.face_id in wanted])
        signals += [_told(spell, judged.stream) for spell in spells if not _answered(view, spell)]
    return tuple(limits), watched, tuple(signals)


def _spells(signals: list[ChartSignal]) -> list[list[ChartSignal]]:
    """Join signals of one rule on successive faces: one spell is one thing that happened."""
    spells: list[list[ChartSignal]] = []
    for signal in sorted(signals, key=lambda s: (s.rule, s.position)):
        last = spells[-1][-1] if spells else None
        if last is not None and last.rule == signal.rule and signal.position <= last.position + 1:
            spells[-1].append(signal)
        else:
            spells.append([signal])
    return spells


def _answered(view: CellView, spell: list[ChartSignal]) -> bool:
    """Whether a person answered a signal of this lap and sign raised within the spell; handed on is no answer."""
    stored, first = view.stored_signals, spell[0]
    done = stored["signal_id"].isin(findings(view.reactions)["signal_id"])
    of_spell = stored[(stored["lap"] == first.lap) & (stored["sign"] == first.sign) & done]
    begin, end = (place_of(view, first.lap, face) for face in (first.since_face_id, spell[-1].face_id))
    return any(begin <= place_of(view, first.lap, face) <= end for face in of_spell["face_id"].tolist())


def _told(spell: list[ChartSignal], stream: Stream) -> str:
    first, many = spell[0], len(spell)
    face = face_of_cycle(float(stream.age_faces[first.position]), first.time_text)
    return f"{first.lap}: {first.rule} " + (f"on {many:,} faces from {face} on" if many > 1 else f"on {face}")
