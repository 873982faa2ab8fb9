"""What the proof view reads beside `dashboard.data`: the whole cell for studies, and what follows from it, cached."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd
import streamlit as st

from dashboard import data
from dashboard.data import Snapshot
from spc.board.study_plan import StudyPlan, plan_from_json
from spc.log.gauge_table import GaugeColumns
from spc.measure.shown import ShownLength

if TYPE_CHECKING:
    from spc.board.cell_charts import CellCharts
    from spc.board.cell_view import CellView
    from spc.board.chart_kinds import KindReport
    from spc.board.dimension import DimensionChart, DimensionStudy
    from spc.board.frozen_limits import DayReplay
    from spc.board.gauge_study import GaugeReport
    from spc.board.kept_studies import KeptStudy
    from spc.board.past_held import PastHeld
    from spc.board.study import Study
    from spc.board.variation import VariationReport
    from spc.board.wear_report import RelapReport, WearReport
    from spc.capability.guard_band import AcceptanceTrade
    from spc.log.gauge_table import GaugeTable

__all__ = [
    "KeptRow",
    "acceptance",
    "all_parts",
    "dimension",
    "dimension_parts",
    "gauge_heads",
    "gauge_reports",
    "kept_again",
    "held_against_past",
    "kind_of_chart",
    "kept_list",
    "planned_gauge",
    "played_day",
    "readings_of",
    "study_of",
    "variation",
    "wear_and_relaps",
    "whole_charts",
    "whole_log",
]

NOT_STATED = math.nan  # one object: two NaN of their own would count as two values


@dataclass(frozen=True, slots=True)
class KeptRow:
    """One version of a kept study, as it is listed."""

    name: str
    version: int
    part: str
    characteristic: str
    readings: int
    by: str
    at: str  # ISO
    fingerprint: str


@st.cache_resource(max_entries=1, show_spinner="Reading the whole log")
def whole_log(now: Snapshot) -> "CellView":
    """Return the cell with all rows of its log; read once for all that asks of a snapshot."""
    from spc.board.cell_view import look_at_cell

    with data.open_store() as store:
        return look_at_cell(store, data.settings(now), rows=None)


@st.cache_resource(max_entries=1, show_spinner="Charting the whole log")
def whole_charts(now: Snapshot) -> "CellCharts":
    """Return the charts of the cell over all rows of its log."""
    from spc.board.cell_charts import chart_cell

    return chart_cell(whole_log(now))


def all_parts(now: Snapshot) -> list[str]:
    """Return every part number of the log, most faces first."""
    view = whole_log(now)
    names = view.faces["part"]
    return [str(name) for name in names[names != ""].value_counts().index]


@st.cache_data(max_entries=32, show_spinner="Drawing the chart")
def kind_of_chart(now: Snapshot, lap: str, sign: str, part: str, kind: str, by: str, unit: ShownLength) -> "KindReport":
    """Return the readings of one lap on a chart of another kind, in a unit; `part` '' = all."""
    from spc.board.chart_kinds import chart_of_kind
    from spc.board.chart_made import ChartOptions

    return chart_of_kind(whole_log(now), lap, sign, kind, part=part, options=ChartOptions(by=by), asked=unit)


@st.cache_data(max_entries=32, show_spinner=False)
def readings_of(now: Snapshot, plan_text: str) -> pd.DataFrame:
    """Return the readings a plan takes before any is left out; `plan_text` is the plan as JSON."""
    view, cell = whole_log(now), whole_charts(now)
    from spc.board.study_material import gather

    return gather(view, _plan(plan_text), cell=cell).data


@st.cache_data(max_entries=64, show_spinner="Working out the index")
def study_of(now: Snapshot, plan_text: str) -> "Study":
    """Return the study of a plan; `plan_text` is the plan as JSON."""
    from spc.board.study import run_study

    view, cell = whole_log(now), whole_charts(now)
    return run_study(view, _plan(plan_text), cell=cell)


@st.cache_data(max_entries=8, show_spinner=False)
def kept_list(now: Snapshot) -> tuple[KeptRow, ...]:
    """Return every version of every kept study, newest first."""
    from spc.board.kept_studies import list_kept

    with data.open_store() as store:
        kept = list_kept(store)
    return tuple(
        KeptRow(
            one.name,
            one.version,
            one.material.plan.part,
            one.material.plan.characteristic,
            len(one.material.data),
            one.made_by,
            one.made_at.isoformat(),
            one.material.fingerprint,
        )
        for one in sorted(kept, key=lambda one: one.made_at, reverse=True)
    )


@st.cache_data(max_entries=16, show_spinner="Making the kept study again")
def kept_again(now: Snapshot, name: str, version: int) -> "tuple[KeptStudy, Study, str]":
    """Return a kept study, what it says computed again from its own list, and what has changed in the log since."""
    from spc.board.kept_studies import changes_since, kept_study
    from spc.board.study import compute_study

    with data.open_store() as store:
        kept = kept_study(store, name, version=version)
    view = whole_log(now)
    return kept, compute_study(kept.material), changes_since(view, kept)


@st.cache_data(max_entries=16, show_spinner="Studying the readings")
def gauge_reports(
    now: Snapshot, part: str, characteristic: str, flat_error_um: float = NOT_STATED, temperature_um: float = NOT_STATED
) -> "tuple[GaugeReport, ...]":
    """Return the gauge studies from the repeats of the log, one per way of reading; `part` '' = all."""
    from spc.board.gauge_study import report_gauge

    view = whole_log(now)
    return report_gauge(
        view, part=part, characteristic=characteristic, flat_error_um=flat_error_um, temperature_um=temperature_um
    )


@st.cache_data(max_entries=4, show_spinner=False)
def gauge_heads(content: bytes) -> list[str]:
    """Return the heads of a planned gauge study's columns."""
    from spc.log.gauge_table import gauge_heads

    return gauge_heads(content)


@st.cache_data(max_entries=4, show_spinner="Studying the readings of the file")
def planned_gauge(
    now: Snapshot, content: bytes, name: str, columns: "GaugeColumns", characteristic: str, limit_um: float,
    flat_error_um: float, temperature_um: float,
) -> "tuple[GaugeReport, GaugeTable]":  # fmt: skip
    """Return a planned gauge study and the table it was read from."""
    from spc.board.gauge_study import report_planned
    from spc.log.gauge_table import read_gauge_table

    table = read_gauge_table(content, columns, data.settings(now))
    report = report_planned(
        table, name=name, characteristic=characteristic, limit_um=limit_um, flat_error_um=flat_error_um,
        temperature_um=temperature_um,
    )  # fmt: skip
    return report, table


@st.cache_data(max_entries=16, show_spinner=False)
def dimension_parts(now: Snapshot, lap: str, characteristic: str) -> list[str]:
    """Return the part numbers with readings of a dimension on a lap, most first."""
    view = whole_log(now)
    faces = view.faces_of(lap)
    read = faces.loc[faces[f"{characteristic}_low_um"].notna() & (faces["kind"] == "face"), "part"]
    return [str(name) for name in read.value_counts().index]


@st.cache_data(max_entries=16, show_spinner="Charting the dimension")
def dimension(
    now: Snapshot, lap: str, part: str, characteristic: str, laps: tuple[str, ...]
) -> "tuple[DimensionChart, DimensionStudy]":
    """Return the chart of a dimension on a lap, and its index from `laps` (none = every lap)."""
    from spc.board.dimension import chart_dimension, study_dimension

    view = whole_log(now)
    return chart_dimension(view, lap, characteristic, part=part), study_dimension(view, part, characteristic, laps=laps)


@st.cache_data(max_entries=16, show_spinner="Splitting the spread")
def variation(now: Snapshot, part: str, characteristic: str) -> "VariationReport":
    """Return where the spread of a characteristic comes from; `part` '' = all part numbers."""
    from spc.board.missing import first_doubts_in
    from spc.board.room_history import look_at_room
    from spc.board.variation import report_variation

    view = whole_log(now)
    doubts = first_doubts_in(view, view.laps["lap"].tolist(), look_at_room(view, whole_charts(now)))
    return report_variation(view, part=part, characteristic=characteristic, until=doubts)


@st.cache_data(max_entries=32, show_spinner=False)
def acceptance(
    now: Snapshot, plan_text: str, limit_um: float, step_um: float, reader_sd_um: float, risk: float
) -> "AcceptanceTrade":
    """Return what each rule of acceptance costs, under the law of a study."""
    from spc.capability.guard_band import acceptance_trade

    choice = study_of(now, plan_text).choice
    if choice is None or choice.best is None:
        raise ValueError("`plan_text` must be of a study with a law; this one has none")
    return acceptance_trade(choice.best, upper_um=limit_um, step_um=step_um, reader_sd_um=reader_sd_um, risk=risk)


@st.cache_data(max_entries=32, show_spinner="Charting the wear")
def wear_and_relaps(now: Snapshot, lap: str) -> "tuple[WearReport, RelapReport, pd.DataFrame]":
    """Return the wear and re-lap charts of a lap's running cycle, and the readings behind the wear chart.

    The readings are one row per face of the wear chart: text, time_text, low_um and high_um brought to the usual part
    as the chart's own values are.
    """
    import numpy as np

    from spc.board.room_history import look_at_room
    from spc.board.wear_report import relap_report, wear_report
    from spc.chart.norm import middles
    from spc.chart.stream import stream_of

    view, cell = whole_log(now), whole_charts(now)
    wear = wear_report(view, cell, lap, room=look_at_room(view, cell).of(lap))
    stream = stream_of(view.faces, lap=lap, sign="flatness")
    charted = stream.where(np.isin(stream.face_id, wear.face_ids))
    factor = np.exp(middles(charted) - wear.chart.value) if len(charted) else np.array([])
    texts = view.faces.set_index("face_id")["flatness_text"]
    readings = pd.DataFrame(
        {
            "text": texts.reindex(charted.face_id).to_numpy(),
            "time_text": charted.time_text,
            "low_um": charted.low / factor,
            "high_um": charted.high / factor,
        }
    )
    return wear, relap_report(view, cell, lap), readings


@st.cache_data(max_entries=32, show_spinner="Foreseeing each past cycle from the others")
def held_against_past(now: Snapshot, lap: str) -> "PastHeld":
    """Return whether the ranges said of a lap held in the past cycles of its group."""
    from spc.board.past_held import past_held
    from spc.board.room_history import look_at_room

    view, cell = whole_log(now), whole_charts(now)
    return past_held(view, lap, look_at_room(view, cell))


@st.cache_data(max_entries=32, show_spinner="Playing the day again")
def played_day(now: Snapshot, day: str, lap: str, sign: str) -> "DayReplay":
    """Return the signals of a past day as the limits valid then give them; `lap` and `sign` '' = all."""
    from datetime import date, timedelta

    from spc.board.frozen_limits import moment_us, replay_day

    zone = data.settings(now).time_zone
    first = date.fromisoformat(day)
    begin, end = (moment_us(one.isoformat(), zone) for one in (first, first + timedelta(days=1)))
    with data.open_store() as store:
        return replay_day(store, since_us=begin, until_us=end, day=day, lap=lap or None, sign=sign or None)


def _plan(plan_text: str) -> StudyPlan:
    import json

    stored: Mapping[str, Any] = json.loads(plan_text)
    return plan_from_json(stored)
