"""Writes the invented cell's papers as its people would leave them: logs, events, limits and site settings."""

import csv
import io
from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from demo_data.cell import LAPS, PARTS, TIME_ZONE
from demo_data.dirty import DIRTY_HEADER, DIRTY_ROWS
from demo_data.gauge import Repeat, read_again
from demo_data.life import CellLife, Face, live

__all__ = ["SETTINGS_TOML", "write"]

SETTINGS_TOML = f"""\
# Site settings of the invented demonstration cell.
site_name = "Demonstration cell (invented data)"
time_zone = "{TIME_ZONE}"
clock = 2026-06-26T20:30:00   # the demonstration's clock stands here; a real site leaves this out
lamp = "helium"
false_calls_per_week = 1

[costs]  # in any money: one reconditioning at its planned time, one found too late
planned_reconditioning = 1.0
unplanned_reconditioning = 4.0

[[shift]]
name = "early"
start = "06:00"
end = "14:00"

[[shift]]
name = "late"
start = "14:00"
end = "22:00"
""" + "".join(
    f"""
[[lap]]
name = "{lap.lap}"
material = "{lap.material}"
kind = "{lap.kind}"
size_text = "{lap.size}"
home_grit = "{lap.grit_um:g} um"
"""
    for lap in LAPS
)

_BENCH_HEADER = [
    "time", "shift", "operator", "lap", "grit um", "part number", "serial", "attempt", "minutes",
    "thickness before mm", "thickness after mm", "flatness", "unit", "shape", "method", "Ra um", "cut-off mm",
    "scratch", "outcome", "temperature C", "note",
]  # fmt: skip
_RING_HEADER = [
    "Beginn", "Ende", "Schicht", "Bediener", "Läppscheibe", "Körnung µm", "Teilenummer", "Seriennummer", "Versuch",
    "Dicke vorher mm", "Dicke nachher mm", "Ebenheit Streifen", "Form", "Ra µm", "Ergebnis", "Temperatur °C",
    "Bemerkung",
]  # fmt: skip
_GERMAN = {
    "convex": "konvex",
    "concave": "konkav",
    "ok": "i.O.",
    "re-lap": "Nacharbeit",
    "regrind": "Nachschleifen",
    "": "",
}


def write(directory: Path, life: CellLife | None = None) -> list[Path]:
    """Write every file of the scenario below `directory`; returns the logs in the order in which they arrived."""
    life = live() if life is None else life
    directory.mkdir(parents=True, exist_ok=True)
    (directory / "lapcell.toml").write_text(SETTINGS_TOML, encoding="utf-8")
    limits = [
        [p.part, characteristic, upper, "invented drawing"]
        for p in PARTS.values()
        for characteristic, upper in (("flatness", p.flatness), ("finish", f"{p.ra_um:g} um"))
    ]
    _table(directory / "limits.csv", ["part", "characteristic", "upper", "why"], limits)
    _table(
        directory / "events.csv",
        ["time", "lap", "event", "operator", "grit", "reason", "planned", "method", "minutes", "shape",
         "before um", "after um", "note"],
        [[e.when.isoformat(" ", "minutes"), e.lap, e.event, e.operator,
          f"{next(p.grit_um for p in LAPS if p.lap == e.lap):g} um" if "charged" in e.event else "",
          e.reason, e.planned, e.method, e.minutes, e.shape, e.before_um, e.after_um, e.note] for e in life.events],
    )  # fmt: skip
    return _logs(directory / "logs", life.faces, read_again(life.faces))


def _logs(directory: Path, faces: Iterable[Face], repeats: Iterable[Repeat]) -> list[Path]:
    weeks: dict[str, list[tuple[datetime, list[str]]]] = defaultdict(list)
    months: dict[str, list[Face]] = defaultdict(list)
    for face in faces:
        if face.lap == "RM-1":
            months[f"{face.end:%Y-%m}"].append(face)
        else:
            weeks[_week(face.end)].append((face.end, _bench(face)))
    for repeat in repeats:
        weeks[_week(repeat.when)].append((repeat.when, _repeat(repeat)))
    directory.mkdir(parents=True, exist_ok=True)
    paths: list[Path] = []
    last_week = max(weeks)
    for name, dated in sorted(weeks.items()):
        rows = sorted(dated, key=lambda row: row[0])
        path = directory / f"bench_{name}.csv"
        if name == last_week:  # the running week is delivered on Wednesday and again, grown, on Friday
            early = directory / "wednesday" / path.name
            early.parent.mkdir(exist_ok=True)
            _table(early, _BENCH_HEADER, [row for when, row in rows if when.isoweekday() <= 3])
            paths.append(early)
        _table(path, _BENCH_HEADER, [row for _, row in rows])
        paths.append(path)
    redelivered = directory / "bench_2026-W19 copy.csv"  # the same week sent twice, under another name
    redelivered.write_bytes((directory / "bench_2026-W19.csv").read_bytes())
    paths.append(redelivered)
    for name, lapped in sorted(months.items()):
        path = directory / f"ring_machine_{name}.csv"
        _table(path, _RING_HEADER, [_ring(f) for f in lapped], delimiter=";", encoding="utf-8-sig")
        paths.append(path)
    dirty = directory / "tablet_2026-06-25.csv"
    _table(dirty, DIRTY_HEADER, [list(row.cells) for row in DIRTY_ROWS])
    return [*paths, dirty]


def _week(when: datetime) -> str:
    year, week, _ = when.isocalendar()
    return f"{year}-W{week:02d}"


def _repeat(r: Repeat) -> list[str]:
    """Write a second reading: no minutes, no thickness, no finish."""
    f = r.face
    return [
        r.when.isoformat(" ", "minutes"), "early", r.operator, f.lap, f"{f.grit_um:g}", f.part, f"{f.part}-{f.serial}",
        "1", "", "", "", r.reading, f.unit, "", f.method, "", "", "", "", "", "read again, gauge study",
    ]  # fmt: skip


def _bench(f: Face) -> list[str]:
    return [
        f.end.isoformat(" ", "minutes"), f.shift, f.operator, f.lap, f"{f.grit_um:g}", f.part, f"{f.part}-{f.serial}",
        str(f.attempt), f"{f.minutes:g}", f"{f.before_mm:.4f}", f"{f.after_mm:.4f}", f.reading, f.unit, f.shape,
        f.method, f"{f.ra_um:.3f}", "0.8", "yes" if f.note else "", f.outcome, f"{f.temperature_c:.1f}", f.note,
    ]  # fmt: skip


def _ring(f: Face) -> list[str]:
    zone = ZoneInfo(TIME_ZONE)
    return [
        f.start.replace(tzinfo=zone).isoformat("T", "minutes"), f.end.replace(tzinfo=zone).isoformat("T", "minutes"),
        f.shift, f.operator, f.lap, f"{f.grit_um:g}", f.part, f"{f.part}-{f.serial}", str(f.attempt),
        f"{f.before_mm:.4f}".replace(".", ","), f"{f.after_mm:.4f}".replace(".", ","), f.reading.replace(".", ","),
        _GERMAN[f.shape], f"{f.ra_um:.3f}".replace(".", ","), _GERMAN[f.outcome],
        f"{f.temperature_c:.1f}".replace(".", ","), f.note,
    ]  # fmt: skip


def _table(
    path: Path, header: list[str], rows: list[list[str]], *, delimiter: str = ",", encoding: str = "utf-8"
) -> None:
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\r\n" if delimiter == ";" else "\n")
    writer.writerow(header)
    writer.writerows(rows)
    path.write_bytes(text.getvalue().encode(encoding))
