"""Keeps the rows of a simulation and, at full size, writes them to the readable results page."""

import json
import os
from pathlib import Path

__all__ = ["honesty_size", "record"]

RESULTS = Path(__file__).parents[2] / "dashboard" / "how_we_know"


def honesty_size() -> str:
    """'full' when the environment variable LAPCELL_HONESTY says so, else 'reduced'."""
    return "full" if os.environ.get("LAPCELL_HONESTY", "") == "full" else "reduced"


def record(name: str, *, title: str, statement: str, columns: list[str], rows: list[list[object]]) -> None:
    """Write one simulation's table (JSON, one file each) when run at full size; the reduced run keeps nothing."""
    if honesty_size() != "full":
        return
    RESULTS.mkdir(exist_ok=True)
    page = {"title": title, "statement": statement, "columns": columns, "rows": rows}
    (RESULTS / f"{name}.json").write_text(json.dumps(page, indent=1) + "\n", encoding="utf-8")
