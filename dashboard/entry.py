"""What a person types into the log form, made a face or an event as the store takes it. No streamlit here."""

import math
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, NamedTuple

import pandas as pd

from dashboard.far_reading import Yardstick, is_far, usual_um
from dashboard.words import marks_kept
from spc.measure.grit import parse_grit
from spc.measure.reading import Reading, parse_reading, parse_typed
from spc.settings import Settings

__all__ = [
    "FaceEntry", "LengthUnit", "entry_unit", "event_row", "face_id_of", "face_row", "form_unit", "number_of",
    "thousands_words", "typed_here", "usual_readings",
]  # fmt: skip

_LIKE = "1.5 or <0.5 or 1-1.5 or 2+"  # how a reading may be typed
_POWER = re.compile(r"(?<=\d)e(?=[+-]?\d)", re.I)  # "6e-1": a letter that is no unit
_MOST_UM = 1000.0  # flatness of a face typed at the form, um; nobody laps that [common practice, no source]
_RECENT = 20  # faces whose unit the next is most likely typed in [our choice]
_ALIKE = 20.0  # times: two ways of reading one text differ a thousandfold, two reading steps by less than this


@dataclass(frozen=True, slots=True)
class LengthUnit:
    """The unit a flatness reading is typed in; `name` '' = nobody has said."""

    name: str  # as in `spc.measure.length.UNITS`
    lamp: str  # of bands typed here, '' = not known

    @property
    def label(self) -> str:
        """As shown beside the field."""
        if self.name == "band":
            return f"light bands, {self.lamp} lamp" if self.lamp else "light bands, lamp not known"
        return {"um": "µm", "uin": "µin"}.get(self.name, self.name) or "unit not known: tap it, or type it too"

    def named(self, typed: str) -> str:
        """Return a reading as typed with this unit after it: '1 light band', '<0.5 light bands', '0.3 µm'."""
        said = marks_kept(typed)
        if not typed or not self.name or any(letter.isalpha() for letter in _POWER.sub("", typed)):
            return said  # its unit was typed with it
        if self.name == "band":
            return f"{said} light {'band' if typed == '1' else 'bands'}"
        return f"{said} {self.label}"


@dataclass(frozen=True, slots=True)
class FaceEntry:
    """One face as typed; text fields '' and numbers None where nothing was said."""

    flatness: str
    offered: Reading | None = None  # the reading whose button was tapped: taken as it stands in the log, not read anew
    shape: str = ""
    minutes: float | None = None
    finish: str = ""
    operator: str = ""
    grit: str = ""
    part: str = ""
    serial: str = ""
    face: str = ""
    outcome: str = ""
    scratch: bool = False
    note: str = ""


def entry_unit(last: Mapping[str, Any] | None, site: Settings) -> LengthUnit:
    """Return the unit of a lap's last face, else the site's, else none."""
    if last is not None and last.get("flatness_unit"):
        return LengthUnit(str(last["flatness_unit"]), str(last.get("lamp", "")))
    return LengthUnit(site.flatness_unit, site.lamp if site.flatness_unit == "band" else "")


def form_unit(faces: pd.DataFrame, site: Settings) -> LengthUnit:
    """Return the unit to type flatness in: that of most of a lap's newest faces, else the site's, else none."""
    recent = faces[faces["flatness_unit"] != ""].tail(_RECENT)
    if recent.empty:
        return LengthUnit(site.flatness_unit, site.lamp)
    often = recent["flatness_unit"].map(recent["flatness_unit"].value_counts())
    name = str(recent["flatness_unit"][often == often.max()].iloc[-1])  # of two as frequent the newer
    lamps = recent["lamp"][recent["lamp"] != ""]
    return LengthUnit(name, str(lamps.iloc[-1]) if len(lamps) else site.lamp)


def usual_readings(faces: pd.DataFrame, unit: LengthUnit, *, most: int = 8) -> list[Reading]:
    """Return the readings typed most often in a unit, from the flattest up, as they stand in the log: one-tap choices.

    Bands of another lamp are another unit. A reading far above all others is none.
    """
    usual = usual_um(faces)
    columns = (faces[f"flatness_{name}"].tolist() for name in ("text", "low_um", "high_um", "unit"))
    rows = [_Read(*row) for row in zip(*columns, faces["lamp"].tolist(), strict=True)]
    latest = [row for row in rows if row.text and row.low_um == row.low_um and row.unit == unit.name]
    latest = [row for row in latest if row.lamp in ("", unit.lamp) and not is_far(row.low_um, usual)]
    often, alike = Counter(row.text for row in latest), Counter(row[:3] for row in latest)
    by_ends: dict[tuple[float, float], _Read] = {}  # "1.5" and "1 1/2" are one reading
    for row in sorted(reversed(latest), key=lambda row: (-often[row.text], -alike[row[:3]])):
        by_ends.setdefault((row.low_um, row.high_um), row)
    by_text: dict[str, _Read] = {}
    for row in by_ends.values():
        by_text.setdefault(row.text, row)
    offered = [reading for row in by_text.values() if (reading := _offered(row)) is not None]
    return sorted(offered[:most], key=lambda reading: (reading.high_um, reading.low_um))


class _Read(NamedTuple):
    """One reading of the log."""

    text: str
    low_um: float
    high_um: float
    unit: str
    lamp: str


def _offered(row: _Read) -> Reading | None:
    """Return a reading of the log; None where its sign carries the shape, which is tapped here beside the size."""
    try:
        typed = parse_typed(row.text)
    except ValueError:
        return None
    if typed.sign <= 0:
        return None
    return Reading(
        row.low_um, row.high_um, step=0.0, remark="", text=row.text, unit=row.unit, lamp=row.lamp, shape=typed.shape
    )


def typed_here(face: Mapping[str, Any], *, unit: LengthUnit, site: Settings) -> str:
    """Return a face's flatness as typed, with the decimal mark of whoever types here where that says the same."""
    text, mark = str(face["flatness_text"]), site.decimal or "."
    other = "," if mark == "." else "."
    if other not in text or mark in text:
        return text
    here = text.replace(other, mark)
    try:
        reading = _reading("Flatness", here, unit=unit, site=site)
    except ValueError:
        return text
    end = "high_um" if math.isfinite(reading.high_um) else "low_um"
    now, before = getattr(reading, end), face[f"flatness_{end}"]
    return here if before / _ALIKE < now < before * _ALIKE else text


def face_row(
    entry: FaceEntry, *, lap: str, unit: LengthUnit, site: Settings, at: datetime, against: Yardstick | None = None
) -> dict[str, Any]:
    """Make a face for `Store.append_face`.

    Parameters
    ----------
    entry : FaceEntry
    lap : str
    unit : LengthUnit
        Of a flatness typed without one.
    site : Settings
    at : datetime
    against : Yardstick, optional
        What a reading far above is asked about again; none where a person has said that it was read so.

    Raises
    ------
    FarReadingError
        If the flatness lies far above what it is held against.
    ValueError
        If the flatness, finish or grit cannot be read, or the flatness is none that is lapped; a sentence for the
        person at the form.
    """
    flatness = entry.offered or _reading("Flatness", entry.flatness, unit=unit, site=site)
    read = LengthUnit(flatness.unit, flatness.lamp).named(entry.flatness.strip())
    top = flatness.high_um if math.isfinite(flatness.high_um) else flatness.low_um
    if top > _MOST_UM:
        raise ValueError(f"Flatness of {read} is 1 mm or more, which nobody laps: look at the number and its unit.")
    if against is not None:
        against.check(entry.flatness.strip(), top, words=f"flatness of {read}", lap=lap)
    row: dict[str, Any] = {
        "lap": lap,
        "operator": entry.operator.strip(),
        "part": entry.part.strip(),
        "serial": entry.serial.strip(),
        "face": entry.face.strip(),
        "minutes": entry.minutes if entry.minutes else math.nan,
        "flatness_low_um": flatness.low_um,
        "flatness_high_um": flatness.high_um,
        "flatness_text": entry.flatness.strip(),
        "flatness_unit": flatness.unit,
        "lamp": flatness.lamp,
        "shape": entry.shape or flatness.shape,
        "outcome": entry.outcome,
        "scratch": entry.scratch,
        "note": entry.note.strip(),
        "remarks": flatness.remark,
        **_clock(site, at),
        **_grit(entry.grit, site),
    }
    if entry.finish.strip():
        unit = LengthUnit(site.finish_unit or "um", "")
        finish = _reading("Finish Ra", entry.finish, unit=unit, site=replace(site, lamp=""))
        row |= {"finish_low_um": finish.low_um, "finish_high_um": finish.high_um, "finish_text": entry.finish.strip()}
    return row


def event_row(
    event: str,
    *,
    lap: str,
    operator: str,
    site: Settings,
    at: datetime,
    grit: str = "",
    grit_from: str = "",
    minutes: float | None = None,
    note: str = "",
) -> dict[str, Any]:
    """Make an event for `Store.append_event`; raises ValueError with a sentence if the grit cannot be read."""
    clock = _clock(site, at)
    row = {
        "lap": lap,
        "event": event,
        "operator": operator.strip(),
        "minutes": minutes if minutes else math.nan,
        "note": note.strip(),
        "time_utc": clock["time_utc"],
        "time_text": clock["time_text"],
        **_grit(grit, site),
    }
    if event == "grit changed":
        before = _grit(grit_from, site)
        row |= {"grit_from": before.get("grit", ""), "grit_from_um": before.get("grit_um", math.nan)}
    return row


def _reading(what: str, text: str, *, unit: LengthUnit, site: Settings) -> Reading:
    if not text.strip():
        raise ValueError(f"{what} is empty: tap a reading or type one.")
    decimal = site.decimal or "."
    try:
        in_bands = (parse_typed(text, decimal=decimal).unit or unit.name) == "band"
        return parse_reading(
            text,
            unit=unit.name,
            lamp_text=unit.lamp or site.lamp,
            step=site.step_bands if in_bands else None,
            decimal=decimal,
            zero_means=site.zero_means or "half step",
        )
    except ValueError as error:
        raise ValueError(f"{what} {_at_the_form(what, str(error), text.strip(), decimal, unit=unit)}.") from None


def _at_the_form(what: str, why: str, typed: str, decimal: str, *, unit: LengthUnit) -> str:
    """Say why a reading cannot be read, with what the person who typed it can do about it."""

    def like(example: str) -> str:
        return marks_kept(example.replace(".", decimal))

    why = why.replace(typed, marks_kept(typed))
    shape = ", and tap the shape" if what == "Flatness" else ""
    name_it = "tap the lamp" if unit.name in ("", "band") else "have the lamp put into the settings"
    lamp = (
        f"is in bands of a lamp nobody has named: write it in um, or {name_it}"
        if what == "Flatness"
        else "is in bands, which measure no roughness: write it in um or uin"
    )
    said = {
        "is not a number": f"{why}; type it like {like(_LIKE)}",
        "has no unit": f"has no unit: tap it, or write it behind the number, like {like('1.5 um')}",
        "is in bands": lamp,
        "is negative": f"is negative ({marks_kept(typed)}): give the size{shape}",
        "has no known reading step": f"{marks_kept(repr(typed))} says no size: type one, such as {like('<0.5')}",
    }
    return next((sentence for begins, sentence in said.items() if why.startswith(begins)), why)


def _grit(text: str, site: Settings) -> dict[str, Any]:
    if not text.strip():
        return {}
    try:
        grit = parse_grit(text, unit=site.grit_unit, decimal=site.decimal or ".")
    except ValueError as error:
        raise ValueError(f"Grit {error}.") from None
    return {"grit": grit.text, "grit_um": grit.size_um}


def _clock(site: Settings, at: datetime) -> dict[str, Any]:
    said: dict[str, Any] = {"time_utc": at, "time_text": at.strftime("%Y-%m-%d %H:%M:%S")}
    wall = at.time()
    for shift in site.shifts:
        across = shift.end <= shift.start
        inside = (wall >= shift.start or wall < shift.end) if across else shift.start <= wall < shift.end
        if inside:
            began = at.date() - timedelta(days=1) if across and wall < shift.end else at.date()
            return said | {"shift": shift.name, "shift_date": began.isoformat()}
    return said


def face_id_of(row: Mapping[str, Any] | None) -> int:
    """Give the number of a face as the store holds it, 0 where there is none."""
    return int(row["face_id"]) if row else 0


def number_of(row: Mapping[str, Any], name: str) -> float | None:
    """Give a number of a face as the store holds it, None where it is not known."""
    value = row.get(name)
    return float(value) if value is not None and value == value else None


def thousands_words(row: Mapping[str, Any]) -> str:
    """Say how a reading was read whose mark was taken to stand between thousands; '' for any other."""
    return f" {marks_kept(row['remarks'])}." if "between thousands" in row["remarks"] else ""
