"""Invented cells with a known truth, written as CSV logs: what the commands must say of them is known beforehand."""

import json
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from click.testing import CliRunner, Result

from spc.cli import cli

__all__ = ["PlantedCell", "run", "told"]

HEADS = (
    "time,operator,lap,grit,minutes,flatness um,ra um,part,serial,attempt,shape,thickness before um,thickness um,"
    "outcome,scratch,event,reason,found late,stage"
).split(",")
START = datetime(2026, 3, 2, 6)
Row = dict[str, str]


class PlantedCell:
    """A cell whose laps all wear alike until `fault(lap, cycle, age, row)` changes a row, or adds rows before it."""

    def __init__(
        self,
        seed: int,
        *,
        laps: tuple[str, ...] = ("L1",),
        cycles: int = 5,
        faces: int | Sequence[int] = 24,
        last: int = 20,
        rate: float = 0.02,
        fault: Callable[[str, int, int, Row], list[Row] | None] = lambda *_: None,
        reason: str = "worn",
    ) -> None:
        rng = np.random.default_rng(seed)
        self.rows: list[Row] = []
        serial, every = 0, [faces] * cycles if isinstance(faces, int) else list(faces)
        for number, lap in enumerate(laps):
            at = START + timedelta(minutes=3 * number)
            for cycle in range(cycles):
                self.rows.append({"time": _text(at), "lap": lap, "event": "reconditioned", "reason": reason})
                for age in range(every[cycle] if cycle < cycles - 1 else last):
                    at += timedelta(minutes=30)
                    if at.hour >= 22:
                        at = (at + timedelta(days=1)).replace(hour=6)
                    serial += 1
                    row = {
                        "time": _text(at), "operator": ("Ann", "Bo", "Cy")[age % 3], "lap": lap, "grit": "9 um",
                        "minutes": f"{4 * np.exp(0.1 * rng.normal()):.1f}", "part": "P1", "serial": f"S{serial}",
                        "flatness um": f"{0.4 * np.exp(rate * age + 0.15 * rng.normal()):.2f}", "attempt": "1",
                        "ra um": f"{0.05 * np.exp(0.1 * rng.normal()):.3f}",
                        "thickness before um": f"{10008 + 0.4 * rng.normal():.1f}", "thickness um": "10000.0",
                    }  # fmt: skip
                    self.rows += fault(lap, cycle, age, row) or []
                    self.rows.append(row)
                at += timedelta(minutes=15)

    def store(self, folder: Path, *, limit: str = "1 um", settings: str = "") -> Path:
        """Take the log into a store of its own, the clock ten minutes after the last row."""
        text = "\n".join([",".join(HEADS), *(",".join(row.get(h, "") for h in HEADS) for row in self.rows)])
        (folder / "log.csv").write_text(text + "\n")
        now = datetime.fromisoformat(max(row["time"] for row in self.rows)) + timedelta(minutes=10)
        shifts = "".join(
            f'[[shift]]\nname = "{name}"\nstart = "{a}"\nend = "{b}"\n'
            for name, a, b in (("early", "06:00", "14:00"), ("late", "14:00", "22:00"))
        )
        head = f'clock = {now.isoformat()}\ntime_zone = "UTC"\ndate_order = "ymd"\ndecimal = "."\n'
        (folder / "lapcell.toml").write_text(f"{head}{settings}\n{shifts}")
        path = folder / "lapcell.db"
        taken = told(path, "ingest", str(folder / "log.csv"))
        assert taken["rows"] == taken["accepted"], taken
        if limit:
            assert run(path, "parts", "set", "*", "flatness", limit, "--who", "QE").exit_code == 0
        return path


def run(path: Path, *arguments: str) -> Result:
    """Run one command on the store; a traceback fails the test."""
    result = CliRunner().invoke(cli, [*arguments, "--store", str(path)])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def told(path: Path, *arguments: str) -> dict[str, Any]:
    """Give what a command says with --json; not a number and infinity are no JSON and fail."""
    result = run(path, *arguments, "--json")
    assert result.exit_code < 2, result.output

    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} in the JSON of {arguments}")

    document: dict[str, Any] = json.loads(result.stdout, parse_constant=refuse)
    return document


def _text(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M}"
