"""Keeps the rows of a simulation and, at full size, writes them where the dashboard and the readable page find them."""

import json
import os
import re
from pathlib import Path

from dashboard.parts.how_we_know import simulation_tables

__all__ = ["RESULTS", "honesty_size", "page", "record"]

RESULTS = Path(__file__).parents[2] / "dashboard" / "how_we_know"


def honesty_size() -> str:
    """'full' when the environment variable LAPCELL_HONESTY says so, else 'reduced'."""
    return "full" if os.environ.get("LAPCELL_HONESTY", "") == "full" else "reduced"


def record(
    name: str, *, title: str, statement: str, columns: list[str], rows: list[list[object]], of: int | None = None
) -> None:
    """Write one simulation's table (JSON, one file each) when run at full size and all its rows are there.

    The reduced run writes nothing; it holds the words of the table kept against those of the test, figures apart.
    Where each scene is a test of its own, each calls this, with the rows so far and how many the table has.
    """
    path = RESULTS / f"{name}.json"
    if honesty_size() != "full":
        kept = json.loads(path.read_text(encoding="utf-8"))
        assert [_words(text) for text in (kept["title"], kept["statement"])] == [_words(title), _words(statement)]
        assert kept["columns"] == columns
        return
    if of is not None and len(rows) < of:
        return
    table = {"title": title, "statement": statement, "columns": columns, "rows": rows}
    path.write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")


def page() -> str:
    """All kept tables as one Markdown page, by subject."""
    lines = [
        "# How we know: results of the simulations",
        "",
        "Written by `LAPCELL_HONESTY=full .venv/bin/pytest tests/honesty`; seeds are fixed in the tests. "
        "'+-' is one Monte Carlo standard error unless a column says otherwise; what a statement says of a "
        "share is kept when it holds within four of them.",
        "",
    ]
    for subject, tables in simulation_tables().items():
        lines += [f"## {subject}", ""]
        for table in tables:
            lines += [f"### {table['title']}", "", table["statement"], ""]
            lines.append("| " + " | ".join(table["columns"]) + " |")
            lines.append("|" + " --- |" * len(table["columns"]))
            lines += ["| " + " | ".join(_cell(value) for value in row) + " |" for row in table["rows"]]
            lines.append("")
    return "\n".join(lines)


def _words(text: str) -> str:
    return re.sub(r"[\d.,]+", "#", text)


def _cell(value: object) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value).replace("|", "/")
