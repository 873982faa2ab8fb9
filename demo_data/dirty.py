"""One tablet's bad day: rows as real logs carry them, each with what the intake must say of it."""

from dataclasses import dataclass

__all__ = ["DIRTY_HEADER", "DIRTY_ROWS", "DirtyRow"]

DIRTY_HEADER = [
    "time",
    "operator",
    "lap",
    "grit um",
    "part number",
    "serial",
    "minutes",
    "flatness",
    "unit",
    "Ra um",
    "note",
]


@dataclass(frozen=True, slots=True)
class DirtyRow:
    """One row as typed, what must become of it (face, repeat, double or quarantine), and a word of the reason."""

    cells: tuple[str, ...]
    becomes: str
    word: str = ""


def _row(becomes: str, word: str, *, time: str = "2026-06-25 10:00", operator: str = "Okafor", lap: str = "DI-2",
         grit: str = "9", part: str = "GB-15", serial: str = "", minutes: str = "6", flatness: str = "1",
         unit: str = "bands", ra: str = "0.06", note: str = "") -> DirtyRow:  # fmt: skip
    return DirtyRow((time, operator, lap, grit, part, serial, minutes, flatness, unit, ra, note), becomes, word)


DIRTY_ROWS = (
    _row("face", "", time="2026-06-25 10:02", serial="T-001", flatness="12", unit="uin"),
    _row("face", "", time="2026-06-25 10:11", serial="T-002", flatness="300", unit="nm"),
    _row("face", "", time="2026-06-25 10:20", serial="T-003", flatness="0.0003", unit="mm"),
    _row("face", "", time="2026-06-25 10:31", serial="T-004", flatness="flat", unit="bands"),
    _row("face", "minutes", time="2026-06-25 10:40", serial="T-005", minutes=""),
    _row("face", "minutes", time="2026-06-25 10:49", serial="T-006", minutes="480"),
    _row("face", "", time="2026-06-25 10:58", serial="T-007", flatness="1-1.5"),
    _row("double", "", time="2026-06-25 10:58", serial="T-007", flatness="1-1.5"),
    _row("repeat", "", time="2026-06-25 11:04", serial="T-007", flatness="1", minutes=""),
    _row("quarantine", "unit", time="2026-06-25 11:10", serial="T-008", flatness="0.6", unit=""),
    _row("quarantine", "flatness", time="2026-06-25 11:18", serial="T-009", flatness="-0.5"),
    _row("quarantine", "flatness", time="2026-06-25 11:26", serial="T-010", flatness="inf"),
    _row("quarantine", "flatness", time="2026-06-25 11:33", serial="T-011", flatness="see note", note="read it later"),
    _row("quarantine", "time", time="2026-02-30 11:40", serial="T-012"),
    _row("quarantine", "minutes", time="2026-06-25 11:48", serial="T-013", minutes="-4"),
    _row("quarantine", "lap", time="2026-06-25 11:55", serial="T-014", lap=""),
    _row("quarantine", "lap", time="2026-06-25 12:03", serial="T-015", lap="D1-2"),
    _row("quarantine", "furlong", time="2026-06-25 12:10", serial="T-016", unit="furlong"),
)
