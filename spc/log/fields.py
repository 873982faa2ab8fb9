"""Every field but the times: laps, grits, readings, minutes, words and numbers of a log, understood case by case."""

import re
from collections.abc import Mapping
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.log.draft import Draft, Picked
from spc.log.lexicon import READINGS
from spc.log.plausibility import coarse_grit, hours_long, shift_long, too_flat
from spc.log.readings import read_length, read_readings
from spc.log.words import EVENTS, METHODS, OUTCOMES, REASONS, SHAPES, TRUTH, nearest, plain_key, word
from spc.measure.grit import Grit, parse_grit
from spc.measure.number import parse_number

__all__ = [
    "read_events",
    "read_grits",
    "read_laps",
    "read_methods",
    "read_minutes",
    "read_quantities",
    "read_shapes",
    "read_words",
]

_CUTOFFS_MM = (0.08, 0.25, 0.8, 2.5, 8.0)  # ISO 21920-3 / ISO 3274 sampling cut-offs
_LONGEST_LAP = 80
_MOST_PASSES = 9  # of a face, over which more than half of a log's are not meant as such; our own rule


def read_laps(draft: Draft, aliases: Mapping[str, str]) -> None:
    """Read lap names as text; with known laps in the settings, an unknown one is refused with the nearest names."""
    known = {lap.name: lap for lap in draft.settings.laps}
    folded: dict[str, list[str]] = {}
    for name in known:
        folded.setdefault(name.casefold(), []).append(name)
    remarks: dict[str, str] = {}

    def read(text: str) -> str:
        if len(text) > _LONGEST_LAP:
            raise ValueError(f"is {len(text):,} characters long; a lap's name has at most {_LONGEST_LAP}")
        name = aliases.get(text, text)
        if name != text:
            remarks[text] = f"lap {text!r} is an alias of {name}"
        if not known or name in known:
            return name
        same = folded.get(name.casefold(), [])
        if len(same) == 1:
            remarks[text] = f"lap {text!r} read as {same[0]}"
            return same[0]
        near = nearest(name, list(known))
        ask = (
            f"nearest are {', '.join(near)}; approve an alias or add the lap" if near else "add the lap, or correct it"
        )
        raise ValueError(f"is not a known lap: {text!r}; {ask}")

    codes, values, texts = draft.read("lap", read)
    draft.remark(codes, [remarks.get(t, "") for t in texts.tolist()])
    names = np.array([v if v is not None else t for v, t in zip(values, texts, strict=True)], dtype=object)
    draft.columns["lap"] = Picked(codes, names)
    draft.reasons.add_where(draft.blank("lap") & draft.usable, "lap is not named; write which lap it was")


def read_grits(draft: Draft) -> None:
    """Read grit, and grit before a change, to normal form and size."""
    for name in ("grit", "grit_from"):
        if name not in draft.cells:
            continue
        stated = draft.source(name).unit
        unit = stated or draft.settings.grit_unit
        said = (
            ""
            if stated or not unit
            else f"{name.replace('_', ' ')} without a scale read as {unit} by the site's settings"
        )

        def read(text: str, unit: str = unit) -> Grit:
            return parse_grit(text, unit=unit, decimal=draft.decimal)

        codes, values, texts = draft.read(name, read)
        draft.columns[name] = Picked(codes, np.array([v.text if v else "" for v in values], dtype=object))
        draft.columns[f"{name}_um"] = Picked(codes, np.array([v.size_um if v else np.nan for v in values]))
        remarks = [v.remark if v else "" for v in values]
        if said:
            bare = [bool(re.fullmatch(r"[\d.,]+", t)) for t in texts.tolist()]
            remarks = ["; ".join(x for x in (r, said if b else "") if x) for r, b in zip(remarks, bare, strict=True)]
        draft.remark(codes, remarks)
    home = {lap.name: lap.home_grit for lap in draft.settings.laps if lap.home_grit}
    if home and "grit" in draft.columns:
        sizes = {name: _size(text, draft.settings.grit_unit) for name, text in home.items()}
        lap, grit = draft.columns["lap"], draft.columns["grit_um"]
        own = np.array([sizes.get(n, np.nan) for n in lap.values.tolist()])[lap.codes]
        mask, sentence = coarse_grit(grit.take(slice(None)).astype(float), own, draft.settings)
        draft.row_remarks.add_where(mask, sentence)


def read_minutes(draft: Draft) -> NDArray[np.float64]:
    """Read minutes per row, NaN where missing; 0, a whole shift and more than a day are missing, not true."""
    if "minutes" not in draft.cells:
        return np.full(draft.n, np.nan)
    source = draft.source("minutes")
    scale = {"s": 1 / 60, "h": 60.0}.get(source.unit, 1.0)

    def read(text: str) -> float:
        plain = re.sub(r"(?i)\s*(minutes?|minuten|mins?|mn)\.?$", "", text)
        value = float(parse_number(plain, decimal=draft.decimal).value) * scale
        if value < 0:
            raise ValueError(f"are negative: {text!r}; correct them or leave them blank")
        return value

    codes, values = draft.numbers("minutes", read)
    minutes = values[codes]
    if source.cumulative:
        return _increase(draft, minutes)
    spans = [
        (s.end.hour * 60 + s.end.minute - s.start.hour * 60 - s.start.minute) % 1440 or 1440
        for s in draft.settings.shifts
    ]
    remarks = [""] * len(values)
    for at, value in enumerate(values.tolist()):
        if value == 0:
            values[at], remarks[at] = np.nan, "minutes 0 counted as missing"
        elif value == value and shift_long(value, spans, draft.settings):
            values[at], remarks[at] = np.nan, f"minutes {value:g} counted as missing: as long as a shift, or over a day"
        else:
            remarks[at] = hours_long(value, draft.settings)
    draft.remark(codes, remarks)
    return np.asarray(values[codes])


def read_quantities(draft: Draft) -> NDArray[np.bool_]:
    """Read every characteristic, temperature, coverage, cut-off and attempt; return which rows measured anything."""
    measured = np.zeros(draft.n, dtype=bool)
    sound = draft.usable & ~draft.reasons.any()
    for name in READINGS:
        if name not in draft.cells:
            continue
        units = {"flatness": "flatness_unit", "finish": "finish_unit"}.get(name, "")
        found = read_readings(
            draft.cells[name], field=name, source=draft.source(name), settings=draft.settings, decimal=draft.decimal,
            unit=draft.cells.get(units), lamps=draft.cells.get("lamp") if name != "finish" else None,
            sound=sound,
        )  # fmt: skip
        draft.refuse(name, found.codes, found.faults)
        draft.remark(found.codes, found.remarks)
        draft.remarks.extend(found.steps)
        draft.columns[f"{name}_low_um"] = Picked(found.codes, found.low_um)
        draft.columns[f"{name}_high_um"] = Picked(found.codes, found.high_um)
        draft.text(name, longest=64, as_column=f"{name}_text")
        measured |= ~np.isnan(found.low_um)[found.codes]
        if name == "flatness":
            draft.columns["flatness_unit"] = Picked(found.codes, found.unit)
            draft.columns["lamp"] = Picked(found.codes, found.lamp)
            draft.columns["shape"] = Picked(found.codes, found.shape)
            _question_flatness(draft, found.high_um[found.codes])
    _temperature(draft)
    _share(draft)
    _cutoff(draft)
    if "attempt" in draft.cells:
        codes, values = draft.numbers("attempt", _attempt)
        values = np.where(np.isnan(values), 0, values)  # 0: not said
        said = values[codes][values[codes] > 0]
        if said.size and np.mean(said > _MOST_PASSES) > 0.5:
            draft.remarks.append(
                f"{draft.label('attempt')}: more than half of its figures are over {_MOST_PASSES}, which count no "
                "lappings of a face until it is good: kept in the raw text only"
            )
            values = np.zeros_like(values)
        draft.columns["attempt"] = Picked(codes, values.astype(np.int64))
    return measured


def read_shapes(draft: Draft) -> None:
    """Read the shape column beside the sign of the reading; two that contradict each other are refused."""
    if "shape" not in draft.cells:
        return
    codes, values, _ = draft.read("shape", lambda text: word(text, SHAPES, what="shape"))
    stated = np.array([v or "" for v in values], dtype=object)
    signed = draft.columns.get("shape")
    if signed is None or not any(signed.values.tolist()):
        draft.columns["shape"] = Picked(codes, stated)
        return
    a, b = stated[codes], signed.take(slice(None))
    clash = (a != "") & (b != "") & (a != b)
    draft.reasons.add_where(
        clash, "shape column and the sign or word in the reading contradict each other; correct one"
    )
    merged, names = pd.factorize(np.where(a == "", b, a))
    draft.columns["shape"] = Picked(merged, np.asarray(names, dtype=object))


def read_words(draft: Draft) -> None:
    """Read operator, part and the other texts; outcome and scratch by their word tables, a reason where it is known."""
    for name, longest in (
        ("operator", 80), ("part", 80), ("serial", 80), ("face", 80), ("stage", 80), ("material", 80), ("abrasive", 80),
        ("lot", 80), ("reason", 200), ("note", 2000),
    ):  # fmt: skip
        draft.text(name, longest=longest)
    if "reason" in draft.cells:
        reasons = draft.cells["reason"]
        known = [REASONS.get(plain_key(text), text) for text in reasons.objects().tolist()]
        draft.columns["reason"] = Picked(reasons.codes, np.array(known, dtype=object))
    if "outcome" in draft.cells:
        codes, values, _ = draft.read("outcome", lambda text: word(text, OUTCOMES, what="outcome"))
        draft.columns["outcome"] = Picked(codes, np.array([v or "" for v in values], dtype=object))
    for name in ("scratch", "found_late", "planned"):
        if name in draft.cells:
            codes, values, _ = draft.read(name, _truth)
            kept = values if name == "planned" else np.array([bool(v) for v in values])
            draft.columns[name] = Picked(codes, kept)


def read_methods(draft: Draft, is_event: NDArray[np.bool_]) -> None:
    """Read how a face was measured by its word table; how a lap was worked on, in an event row, stays as typed."""
    if "method" not in draft.cells:
        return
    column = draft.cells["method"]
    texts = column.objects()
    of_face, faults = np.empty(len(texts), dtype=object), [""] * (2 * len(texts))
    for at, text in enumerate(texts.tolist()):
        of_face[at] = ""
        if text:
            try:
                of_face[at] = word(text, METHODS, what="method")
            except ValueError as error:
                faults[at] = str(error)
    codes = np.where(column.codes < 0, len(texts) - 1, column.codes) + np.where(is_event, len(texts), 0)
    draft.refuse("method", codes, faults)
    draft.columns["method"] = Picked(codes.astype(np.int32), np.concatenate([of_face, texts]))


def read_events(draft: Draft) -> NDArray[np.bool_]:
    """Read the event and the lengths that ride with it; return per row whether it is an event."""
    if "event" not in draft.cells:
        return np.zeros(draft.n, dtype=bool)
    none = {"", "-", "n/a", "none", "no", "nein", "non", "face", "keine", "aucun"}
    codes, values, texts = draft.read(
        "event", lambda text: "" if text.lower() in none else word(text, EVENTS, what="event")
    )
    is_event = np.array([v != "" and t != "" for v, t in zip(values, texts, strict=True)], dtype=bool)[codes]
    draft.columns["event"] = Picked(codes, np.array([v or "" for v in values], dtype=object))
    for name, column, scale in (
        ("before", "before_um", 1.0), ("after", "after_um", 1.0), ("removed", "removed_um", 1.0),
        ("from_mm", "from_mm", 1e-3), ("to_mm", "to_mm", 1e-3),
    ):  # fmt: skip
        if name in draft.cells:
            source = draft.source(name)
            at, numbers = draft.numbers(name, partial(read_length, source=source, decimal=draft.decimal))
            draft.columns[column] = Picked(at, numbers * scale)
    return is_event


def _question_flatness(draft: Draft, high_um: NDArray[np.float64]) -> None:
    by_lap = {lap.name: lap.material for lap in draft.settings.laps}
    if "material" in draft.cells:
        column = draft.cells["material"]
        codes, material = column.codes, column.objects()
    else:
        lap = draft.columns["lap"]
        codes, material = (
            np.asarray(lap.codes, dtype=np.int32),
            np.array([by_lap.get(n, "") for n in lap.values.tolist()], dtype=object),
        )
    for mask, sentence in too_flat(high_um, material, codes, draft.settings):
        draft.row_remarks.add_where(mask, sentence)


def _increase(draft: Draft, clock: NDArray[np.float64]) -> NDArray[np.float64]:
    """Minutes as the increase of a running clock since the same lap's row before."""
    lap = draft.columns["lap"].codes
    out = np.full(draft.n, np.nan)
    has = np.flatnonzero(~np.isnan(clock))
    before = pd.Series(clock[has]).groupby(np.asarray(lap)[has]).shift(1).to_numpy()
    step = clock[has] - before
    back = step < 0
    out[has] = np.where(step > 0, step, np.nan)
    first = np.isnan(before) & (clock[has] > 0)
    out[has[first]] = clock[has[first]]
    mask = np.zeros(draft.n, dtype=bool)
    mask[has[back]] = True
    draft.row_remarks.add_where(mask, "minutes missing: the running clock went back")
    return out


def _temperature(draft: Draft) -> None:
    if "temperature" not in draft.cells:
        return
    stated = draft.source("temperature").unit.upper().lstrip("°")
    open_unit: set[str] = set()

    def read(text: str) -> float:
        found = re.fullmatch(r"(.*?)\s*°?\s*([cf])?", text, re.I)
        value = float(parse_number(found.group(1) if found else text, decimal=draft.decimal).value)
        unit = (found.group(2) if found and found.group(2) else stated).upper()
        if not unit:
            open_unit.add(text)
            return float("nan")
        celsius = value if unit == "C" else (value - 32) / 1.8
        if not -40 <= celsius <= 120:
            raise ValueError(f"is {celsius:g} °C, which no lapping room is: {text!r}")
        return celsius

    codes, values, texts = draft.read("temperature", read)
    draft.remark(codes, ["temperature without C or F left out" if t in open_unit else "" for t in texts.tolist()])
    draft.columns["temperature_c"] = Picked(codes, np.array([np.nan if v is None else v for v in values], dtype=float))


def _share(draft: Draft) -> None:
    if "coverage" not in draft.cells:
        return
    percent = draft.source("coverage").unit == "%"

    def read(text: str) -> float:
        value = float(parse_number(text.removesuffix("%").strip(), decimal=draft.decimal).value)
        share = value / 100 if percent or text.endswith("%") else value
        if not 0 < share <= 1:
            raise ValueError(f"must be a share above 0 and at most 1, or a percentage with its %: {text!r}")
        return share

    codes, values = draft.numbers("coverage", read)
    draft.columns["coverage"] = Picked(codes, values)


def _cutoff(draft: Draft) -> None:
    if "cutoff" not in draft.cells:
        return
    source = draft.source("cutoff")

    def read(text: str) -> float:
        if not source.unit and re.fullmatch(r"[\d.,]+", text):
            value = float(parse_number(text, decimal=draft.decimal).value)
            if value in _CUTOFFS_MM:
                return value
        value = read_length(text, source=source, decimal=draft.decimal) / 1000
        if not 0 < value <= 25:
            raise ValueError(f"must be above 0 and at most 25 mm: {text!r}")
        return value

    codes, values = draft.numbers("cutoff", read)
    draft.columns["cutoff_mm"] = Picked(codes, values)


def _attempt(text: str) -> float:
    value = re.fullmatch(r"(?:pass|attempt|#)? ?(\d{1,3})(?:\.0|\.|st|nd|rd|th)?", text.lower())
    if not value or int(value.group(1)) < 1:
        raise ValueError(f"must be 1 for the first pass, 2 for the first re-lap and so on: {text!r}")
    return float(value.group(1))


def _truth(text: str) -> bool:
    key = text.lower()
    if key not in TRUTH:
        raise ValueError(f"must be yes or no, got {text[:60]!r}")
    return TRUTH[key]


def _size(text: str, unit: str) -> float:
    try:
        return parse_grit(text, unit=unit).size_um
    except ValueError:
        return float("nan")
