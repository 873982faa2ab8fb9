"""How every command prints: tables for people, one JSON document for programs, a progress bar on a terminal."""

import json
import math
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = [
    "ProgressBar",
    "clean",
    "counted",
    "one_line",
    "plain",
    "print_json",
    "print_table",
    "progress_bar",
    "records",
]

_WIDEST = 60


def print_json(document: Mapping[str, Any]) -> None:
    """Print one JSON document; a number that is not known, or is open-ended, is null."""
    click.echo(json.dumps(clean(document), ensure_ascii=False, indent=2, allow_nan=False))


def clean(value: Any) -> Any:
    """Make a value JSON can hold: NaN, infinity and missing times become null, times ISO texts."""
    if isinstance(value, Mapping):
        return {str(key): clean(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [clean(item) for item in value]
    if value is None or isinstance(value, (bool, int)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode("utf-8")
    if hasattr(value, "tolist"):  # numpy scalars and arrays
        return clean(value.tolist())
    if value != value:  # NaT
        return None
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def print_table(
    rows: Sequence[Mapping[str, Any]], columns: Mapping[str, str], *, nothing: str = "Nothing to show."
) -> None:
    """
    Print rows in aligned columns.

    Parameters
    ----------
    rows : sequence of mapping
    columns : mapping of str to str
        Key -> heading; numbers are aligned to the right.
    nothing : str
        The sentence for no rows.
    """
    if not rows:
        click.echo(nothing)
        return
    cells = [[plain(row.get(key)) for key in columns] for row in rows]
    headings = list(columns.values())
    widths = [max(len(line[at]) for line in [headings, *cells]) for at in range(len(headings))]
    right = [all(isinstance(row.get(key), (int, float)) or row.get(key) is None for row in rows) for key in columns]
    for line in [headings, ["-" * width for width in widths], *cells]:
        padded = [
            text.rjust(width) if number else text.ljust(width)
            for text, width, number in zip(line, widths, right, strict=True)
        ]
        click.echo("  ".join(padded).rstrip())


def plain(value: Any) -> str:
    """One cell of a table: no control characters, no line ends, nothing longer than a table bears."""
    if value is None or value != value:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    text = str(value)
    if isinstance(value, float):
        text = f"{value:.0f}" if 9999.5 <= abs(value) < 1e12 else f"{value:.4g}"
    text = one_line(text)
    return text if len(text) <= _WIDEST else text[: _WIDEST - 3] + "..."


def records(rows: "DataFrame") -> list[dict[str, Any]]:
    """Give the rows of a frame as mappings of column to value."""
    return [{str(name): value for name, value in row.items()} for row in rows.to_dict("records")]


def one_line(text: str) -> str:
    """Make a sentence fit for a terminal: no control characters, whatever a file's name or header held."""
    return "".join(char if char.isprintable() else f"\\x{ord(char):02x}" for char in text)[:500]


def counted(n: int, one: str, many: str = "") -> str:
    """Write a count and its noun: '1 row', '2,000 rows'."""
    return f"{n:,} {one if n == 1 else many or one + 's'}"


class ProgressBar:
    """Shows how far a long work is; shows nothing where nobody looks."""

    def __init__(self, label: str) -> None:
        self._label = label
        self._shown = sys.stderr.isatty()
        self._last = -1

    def __call__(self, done: int, of: int) -> None:
        """Show that `done` of `of` rows are through."""
        share = 100 if of <= 0 else min(100, 100 * done // of)
        if self._shown and share != self._last:
            self._last = share
            bar = "#" * (share // 4)
            click.echo(f"\r{plain(self._label)} [{bar:<25}] {share:3d}%", err=True, nl=False)

    def finish(self) -> None:
        """Clear the line."""
        if self._shown and self._last >= 0:
            click.echo("\r" + " " * (len(plain(self._label)) + 40) + "\r", err=True, nl=False)


@contextmanager
def progress_bar(label: str) -> Iterator[ProgressBar]:
    """Show a bar for the time of a `with` block."""
    bar = ProgressBar(label)
    try:
        yield bar
    finally:
        bar.finish()
