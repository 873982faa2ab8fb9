"""Site settings: one TOML file that says what a log may leave unsaid. With none given, nothing is assumed."""

import tomllib
from dataclasses import dataclass, field
from datetime import datetime, time
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from spc.measure.length import UNITS, lamp

__all__ = ["GUARDS", "KnownLap", "Settings", "SettingsError", "Shift", "load_settings"]

DATE_ORDERS = ("dmy", "mdy", "ymd")
ZERO_MEANS = ("half step", "whole step")  # "0" stands for [0, half a step) or [0, a whole step)
GRIT_UNITS = ("um", "F", "P", "JIS", "mesh")

# Plausibility guards: on unless [guards] says otherwise; the knowledge behind each (common practice, no source).
GUARDS: dict[str, str] = {
    "too_flat": "a face far flatter than its lap and abrasive can give is a question about the reading",
    "shift_long_minutes": "minutes as long as a shift are the shift's length, not the lapping time",
    "hours_on_a_face": "a lapped face takes minutes, not hours: more than two hours is a question about the log",
    "coarse_grit": "a grit coarser than the lap's own leaves scratches for many faces to come",
    "part_covered": "a flat smaller than the part says nothing of the edges it did not cover, and edges fall off first",
    "grit_jump": "a jump of several grit steps on one lap asks for scratches; neighbouring grits are tolerated",
    "shared_wash": "a jump in scratches or finish on laps that share a wash or bench points to contamination",
    "shiny_not_flat": "a better finish with longer minutes is often a glazed lap, not a better one",
}


class SettingsError(ValueError):
    """A settings file that cannot be used; the sentence names the file, the key and what it must be."""


@dataclass(frozen=True, slots=True)
class Shift:
    """One shift by the wall clock; `end` before `start` means that it runs across midnight."""

    name: str
    start: time
    end: time


@dataclass(frozen=True, slots=True)
class KnownLap:
    """A lap the site knows by name; empty text means not said."""

    name: str
    material: str = ""
    kind: str = ""
    size_text: str = ""
    home_grit: str = ""
    group: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Settings:
    """What the site says about its logs; '' and None mean that nothing is said and nothing is assumed."""

    site_name: str = ""  # shown as the heading of screens and reports
    clock: datetime | None = None  # the site's wall clock for a replayed or invented log; None = real time
    time_zone: str = ""  # name in the time-zone database
    flatness_unit: str = ""  # one of spc.measure.length.UNITS
    finish_unit: str = ""
    grit_unit: str = ""  # one of GRIT_UNITS
    lamp: str = ""  # a name of spc.measure.length.LAMPS, or '546.1 nm'
    date_order: str = ""  # 'dmy', 'mdy' or 'ymd'
    decimal: str = ""  # '.' or ','
    step_bands: float | None = None  # the step in which flatness is read, bands
    zero_means: str = ""  # 'half step' or 'whole step'
    shifts: tuple[Shift, ...] = ()
    laps: tuple[KnownLap, ...] = ()
    false_calls_per_week: float = 1.0
    guards_off: frozenset[str] = frozenset()  # keys of GUARDS
    planned_cost: float | None = None  # one planned reconditioning, any currency
    unplanned_cost: float | None = None  # one reconditioning forced by a bad face, same currency; above `planned_cost`
    costs_fault: str = ""  # why the costs of the file cannot be weighed: then both are None, and only their users stop
    path: str = field(default="", compare=False)  # the file these came from

    def guard_on(self, name: str) -> bool:
        """Whether the plausibility guard `name` (a key of GUARDS) is on."""
        if name not in GUARDS:
            raise ValueError(f"`name` must be one of {', '.join(GUARDS)}, got {name!r}")
        return name not in self.guards_off


def load_settings(path: str | Path | None = None) -> Settings:
    """
    Read the site settings.

    Parameters
    ----------
    path : path or None
        A TOML file; None gives settings in which nothing is assumed.

    Returns
    -------
    Settings

    Raises
    ------
    SettingsError
        If the file cannot be read, holds an unknown key, or a value that cannot be; one sentence with file and key.
        Of the costs, on which a single answer rests, the sentence is kept as `costs_fault`.
    """
    if path is None:
        return Settings()
    source = Path(path)
    try:
        table = tomllib.loads(source.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise SettingsError(f"{source}: the settings file cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise SettingsError(f"{source}: a settings file must be UTF-8 text; save it again as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{source}: not valid TOML: {error}") from None
    return _Reader(str(source)).settings(table)


@dataclass(frozen=True, slots=True)
class _Reader:
    """Checks one settings table key by key, so that every refusal names file, key and what it must be."""

    file: str

    def settings(self, table: dict[str, Any]) -> Settings:
        known = (
            "site_name clock time_zone flatness_unit finish_unit grit_unit lamp date_order decimal step_bands "
            "zero_means false_calls_per_week shift lap guards costs"
        ).split()
        self.only(table, known, "")
        planned, unplanned, costs_fault = None, None, ""
        try:
            planned, unplanned = self.costs(table)
        except SettingsError as error:  # one answer rests on them: it refuses, all others go on
            costs_fault = str(error)
        guards = self.table(table, "guards", list(GUARDS))
        for name, on in guards.items():
            if not isinstance(on, bool):
                raise self.refuse(f"guards.{name}", "true or false", on)
        false_calls = self.positive(table, "false_calls_per_week", "")
        return Settings(
            site_name=self.text(table, "site_name", ""),
            clock=self.now(table),
            time_zone=self.zone(table),
            flatness_unit=self.choice(table, "flatness_unit", UNITS),
            finish_unit=self.choice(table, "finish_unit", tuple(unit for unit in UNITS if unit != "band")),
            grit_unit=self.choice(table, "grit_unit", GRIT_UNITS),
            lamp=self.lamp(table),
            date_order=self.choice(table, "date_order", DATE_ORDERS),
            decimal=self.choice(table, "decimal", (".", ",")),
            step_bands=self.positive(table, "step_bands", ""),
            zero_means=self.choice(table, "zero_means", ZERO_MEANS),
            shifts=self.shifts(table),
            laps=self.laps(table),
            false_calls_per_week=1.0 if false_calls is None else false_calls,
            guards_off=frozenset(name for name, on in guards.items() if not on),
            planned_cost=planned,
            unplanned_cost=unplanned,
            costs_fault=costs_fault,
            path=self.file,
        )

    def refuse(self, key: str, must_be: str, got: object) -> SettingsError:
        return SettingsError(f"{self.file}: `{key}` must be {must_be}, got {got!r}")

    def only(self, table: dict[str, Any], known: list[str], prefix: str) -> None:
        for key in table:
            if key not in known:
                raise SettingsError(
                    f"{self.file}: `{prefix}{key}` is not a known setting; known are {', '.join(known)}"
                )

    def table(self, table: dict[str, Any], key: str, known: list[str]) -> dict[str, Any]:
        value = table.get(key, {})
        if not isinstance(value, dict):
            raise self.refuse(key, "a table", value)
        self.only(value, known, f"{key}.")
        return value

    def tables(self, table: dict[str, Any], key: str, known: list[str]) -> list[dict[str, Any]]:
        value = table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.refuse(key, f"a list of tables, each written under [[{key}]]", value)
        for item in value:
            self.only(item, known, f"{key}.")
        return value

    def text(self, table: dict[str, Any], key: str, prefix: str, *, needed: bool = False) -> str:
        value = table.get(key, "")
        if not isinstance(value, str) or (needed and not value.strip()):
            raise self.refuse(prefix + key, "a text" + (" that is not empty" if needed else ""), value)
        return value.strip()

    def choice(self, table: dict[str, Any], key: str, choices: tuple[str, ...]) -> str:
        value = table.get(key, "")
        if value != "" and value not in choices:
            raise self.refuse(key, "one of " + ", ".join(f"'{choice}'" for choice in choices), value)
        return str(value)

    def positive(self, table: dict[str, Any], key: str, prefix: str) -> float | None:
        value = table.get(key)
        if value is None:
            return None
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not number or not 0 < value < float("inf"):
            raise self.refuse(prefix + key, "a number greater than 0", value)
        return float(value)

    def costs(self, table: dict[str, Any]) -> tuple[float | None, float | None]:
        costs = self.table(table, "costs", ["planned_reconditioning", "unplanned_reconditioning"])
        planned, unplanned = (
            self.positive(costs, f"{name}_reconditioning", "costs.") for name in ("planned", "unplanned")
        )
        if planned is not None and unplanned is not None and unplanned <= planned:
            more = f"greater than costs.planned_reconditioning, {planned:g}"
            raise self.refuse("costs.unplanned_reconditioning", more, unplanned)
        return planned, unplanned

    def zone(self, table: dict[str, Any]) -> str:
        name = self.text(table, "time_zone", "")
        if name:
            try:
                ZoneInfo(name)
            except (ValueError, OSError, KeyError):  # an unknown zone comes as a KeyError
                raise self.refuse("time_zone", "a zone name such as 'Europe/Berlin'", name) from None
        return name

    def now(self, table: dict[str, Any]) -> datetime | None:
        value = table.get("clock")
        if value is None:
            return None
        if not isinstance(value, datetime) or value.tzinfo is not None:
            must_be = "a local date and time without quotes or zone, such as 2026-06-26T18:00:00"
            raise self.refuse("clock", must_be, value)
        return value

    def lamp(self, table: dict[str, Any]) -> str:
        typed = self.text(table, "lamp", "")
        try:
            return lamp(typed).name if typed else ""
        except ValueError as error:
            sentence = str(error).removeprefix("`lamp` ")
            raise SettingsError(f"{self.file}: `lamp` {sentence}") from None

    def shifts(self, table: dict[str, Any]) -> tuple[Shift, ...]:
        shifts = tuple(
            Shift(self.text(item, "name", "shift.", needed=True), self.clock(item, "start"), self.clock(item, "end"))
            for item in self.tables(table, "shift", ["name", "start", "end"])
        )
        for shift in shifts:
            if shift.start == shift.end:
                raise self.refuse("shift.end", f"another time than the start of shift '{shift.name}'", str(shift.end))
        self.once("shift.name", [shift.name for shift in shifts])
        return shifts

    def clock(self, item: dict[str, Any], key: str) -> time:
        value = item.get(key)
        if isinstance(value, time):
            return value
        try:
            return time.fromisoformat(value if isinstance(value, str) else "")
        except ValueError:
            raise self.refuse(f"shift.{key}", "a time of day such as '06:00'", value) from None

    def laps(self, table: dict[str, Any]) -> tuple[KnownLap, ...]:
        keys = ["name", "material", "kind", "size_text", "home_grit", "group", "note"]
        laps = tuple(
            KnownLap(**{key: self.text(item, key, "lap.", needed=key == "name") for key in keys})
            for item in self.tables(table, "lap", keys)
        )
        self.once("lap.name", [lap.name for lap in laps])
        return laps

    def once(self, key: str, names: list[str]) -> None:
        for name in names:
            if names.count(name) > 1:
                raise self.refuse(key, "given once only", name)
