"""The data rows of a UTF-8 CSV text: split once, every row kept, whatever is wrong with it.

A quote that is opened and never closed spoils its own line, never the lines after it: lines are joined into one
record only if that gives exactly the right number of columns.
"""

import unicodedata
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.log.coded import Coded
from spc.log.dialect import LONGEST_FIELD, Dialect
from spc.log.split import plain_record, quoted_cells, split_fields

__all__ = ["KEPT_CHARACTERS", "Records", "first_cells", "header_cells", "split_records"]

KEPT_CHARACTERS = 10_000  # of a row too long to be read
_BLOCK = 1 << 22
_LINES_IN_RECORD = 50
_LOOKED_AT = 200  # lines, to see how wide most rows are and what stands in them
_OPEN = "opens a quote that is never closed; take the quote out or close it"


@dataclass(frozen=True, slots=True)
class Records:
    """Every data row of one file, in file order."""

    text: bytes
    starts: NDArray[np.int64]  # (n_rows,) first byte
    ends: NDArray[np.int64]  # (n_rows,) one past the last byte, line end left out
    columns: dict[int, Coded]  # by 1-based position, those asked for
    split: NDArray[np.bool_]  # whether the row could be split into columns
    blank: NDArray[np.bool_]  # empty lines
    faults: dict[int, str]  # row index -> why it could not be split, or what is odd in it

    def __len__(self) -> int:
        """Count the data rows."""
        return len(self.starts)

    def raw(self, rows: slice) -> list[str]:
        """Text of some rows as in the file; a row beyond 1,000,000 characters is cut, which its fault says."""
        starts, ends = self.starts[rows], self.ends[rows]
        if not len(starts):
            return []
        block = (
            self.text[starts[0] : ends[-1]].decode("utf-8", "replace") if (ends - starts).max() <= LONGEST_FIELD else ""
        )
        lines = block.split("\n") if block else []
        if len(lines) == len(starts):
            return [line.removesuffix("\r") for line in lines] if "\r" in block else lines
        return [
            self.text[a : min(b, a + KEPT_CHARACTERS if b - a > LONGEST_FIELD else b)].decode("utf-8", "replace")
            for a, b in zip(starts.tolist(), ends.tolist(), strict=True)
        ]


def first_cells(text: bytes, dialect: Dialect, *, most: int = 3) -> dict[int, tuple[str, ...]]:
    """Tell what the columns hold: of each, the first cells that differ and are not empty.

    Parameters
    ----------
    text : bytes
        UTF-8.
    dialect : Dialect
    most : int
        Cells told of one column.

    Returns
    -------
    dict of int to tuple of str
        By 1-based position.
    """
    found: dict[int, dict[str, None]] = {}
    for line in _first_lines(text, dialect.first_line + _LOOKED_AT)[dialect.first_line - 1 :]:
        for position, cell in enumerate(_cells(line, dialect), start=1):
            seen = found.setdefault(position, {})
            if cell.strip() and len(seen) < most:
                seen[cell.strip()] = None
    return {position: tuple(cells) for position, cells in found.items()}


def header_cells(text: bytes, dialect: Dialect) -> tuple[list[str], int]:
    """Header texts (empty ones when there is no header) and the number of columns of the data.

    A header shorter than most rows is filled with empty texts; empty texts at its end that no row fills are dropped.
    """
    decoded = _first_lines(text, max(dialect.header_line, dialect.first_line) + _LOOKED_AT)
    header = _cells(decoded[dialect.header_line - 1], dialect) if dialect.header_line else []
    counts: dict[int, int] = {}
    for line in decoded[dialect.first_line - 1 :]:
        if line.strip():
            width = len(_cells(line, dialect))
            counts[width] = counts.get(width, 0) + 1
    usual = max(counts, key=lambda w: counts[w]) if counts else len(header)
    named = [unicodedata.normalize("NFC", h).strip() for h in header]
    if len(named) > usual and not any(named[usual:]):
        named = named[:usual]
    if dialect.header_line and len(named) < usual and counts[usual] <= sum(counts.values()) / 2:
        usual = len(named)
    return named + [""] * (usual - len(named)), max(usual, len(named))


def _first_lines(text: bytes, most: int) -> list[str]:
    end = 0
    for _ in range(most):
        end = text.find(b"\n", end) + 1
        if not end:
            end = len(text)
            break
    return [line.rstrip(b"\r")[:LONGEST_FIELD].decode("utf-8", "replace") for line in text[:end].split(b"\n")]


def split_records(
    text: bytes, dialect: Dialect, *, n_columns: int, wanted: list[int], free: frozenset[int] = frozenset()
) -> Records:
    """Split the data rows.

    Parameters
    ----------
    text : bytes
        UTF-8.
    dialect : Dialect
    n_columns : int
        Columns a row must have.
    wanted : list of int
        1-based positions to keep.
    free : frozenset of int
        Of those, columns of texts that may differ in every row; they are kept as they stand if they do.

    Returns
    -------
    Records
    """
    starts, ends, odd_lines, controls = _lines(text, dialect)
    faults: dict[int, str] = {}
    rewritten: dict[int, bytes] = {}
    if len(odd_lines):
        starts, ends, rewritten, faults, controls = _mend(text, dialect, starts, ends, odd_lines, controls, n_columns)
    lengths = ends - starts
    blank = lengths == 0
    for at in np.flatnonzero(lengths > LONGEST_FIELD).tolist():
        faults[at] = f"is {lengths[at]:,} bytes long; only the first {KEPT_CHARACTERS:,} are kept: a quote may be open"
        rewritten.pop(at, None)
    for at in controls:
        faults.setdefault(at, "holds control characters (NUL or the like); type the row again")
    good = ~blank
    good[list(faults)] = False
    plain = _all_differ(text, dialect, starts, ends, free)
    columns, bad = split_fields(
        text, dialect, starts, ends, good, rewritten=rewritten, n_columns=n_columns, wanted=wanted, plain=plain
    )
    for at, width in bad.items():
        good[at] = False
        if not text[starts[at] : ends[at]].strip():
            blank[at] = True
            continue
        if width == 0:
            faults[at] = _OPEN
            continue
        say = "field" if width == 1 else "fields"
        faults[at] = f"has {width} {say} where {n_columns} are expected; a separator is missing, extra, or needs quotes"
    return Records(text, starts, ends, columns, good, blank, faults)


def _lines(text: bytes, dialect: Dialect) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], list[int]]:
    """Start and end of each data line, the lines with an odd number of quotes, the lines with control characters."""
    start = 0
    for _ in range(dialect.first_line - 1):
        at = text.find(b"\n", start)
        start = len(text) if at < 0 else at + 1
    data = np.frombuffer(text, dtype=np.uint8)
    newline, quote, control = [], [], []
    has_quote, mark = text.find(dialect.quote.encode(), start) >= 0, ord(dialect.quote)
    for at in range(start, len(text), _BLOCK):
        block = data[at : at + _BLOCK]
        low = np.flatnonzero(block < 32)
        kinds = block[low]
        newline.append(low[kinds == 10] + at)
        odd = low[(kinds != 10) & (kinds != 13) & (kinds != 9)]
        if len(odd):
            control.append(odd + at)
        if has_quote:
            quote.append(np.flatnonzero(block == mark) + at)
    ends = np.concatenate(newline) if newline else np.empty(0, dtype=np.int64)
    if start < len(text) and text[-1:] != b"\n":
        ends = np.append(ends, len(text))
    starts = np.append(np.int64(start), ends[:-1] + 1) if len(ends) else np.empty(0, dtype=np.int64)
    odd_lines = np.empty(0, dtype=np.int64)
    if quote and len(ends):
        counts = np.bincount(np.searchsorted(ends, np.concatenate(quote)), minlength=len(ends))
        odd_lines = np.flatnonzero(counts % 2)
    dirty = np.unique(np.searchsorted(ends, np.concatenate(control))).tolist() if control else []
    if len(ends):
        ends = ends - ((ends > starts) & (data[np.maximum(ends - 1, 0)] == 13))
    return starts, ends, odd_lines, dirty


def _all_differ(
    text: bytes, dialect: Dialect, starts: NDArray[np.int64], ends: NDArray[np.int64], free: frozenset[int]
) -> frozenset[int]:
    """Of the free columns, those that hardly repeat in a sample: a dictionary of them would only cost."""
    at = np.unique(np.linspace(0, len(starts) - 1, 500).astype(np.int64)).tolist() if len(starts) > 20_000 else []
    rows = [_cells(text[starts[i] : min(ends[i], starts[i] + 5000)].decode("utf-8", "replace"), dialect) for i in at]
    return frozenset(c for c in free if len({r[c - 1] for r in rows if len(r) >= c}) > 250)


def _mend(
    text: bytes, dialect: Dialect, starts: NDArray[np.int64], ends: NDArray[np.int64], odd_lines: NDArray[np.int64],
    controls: list[int], n_columns: int,
) -> tuple[NDArray[np.int64], NDArray[np.int64], dict[int, bytes], dict[int, str], list[int]]:  # fmt: skip
    """Join lines that one quoted field spans; a quote that never closes is a fault of its own line."""
    keep = np.ones(len(starts), dtype=bool)
    new_ends = ends.copy()
    by_line: dict[int, bytes] = {}
    faulty: dict[int, str] = {}
    done = -1
    for line in odd_lines.tolist():
        if line <= done:
            continue
        for last in range(line, min(line + _LINES_IN_RECORD, len(starts))):
            if ends[last] - starts[line] > LONGEST_FIELD:
                break
            cells, open_quote = quoted_cells(text[starts[line] : ends[last]].decode("utf-8", "replace"), dialect)
            if open_quote:
                continue
            if last > line and (len(cells) != n_columns or _swallows_rows(cells, dialect.separator)):
                break
            by_line[line] = plain_record(cells, dialect)
            keep[line + 1 : last + 1] = False
            new_ends[line], done = ends[last], last
            break
        if line not in by_line:
            faulty[line] = _OPEN
    place = np.cumsum(keep) - 1
    return (
        starts[keep],
        new_ends[keep],
        {int(place[k]): v for k, v in by_line.items()},
        {int(place[k]): v for k, v in faulty.items()},
        sorted({int(place[k]) for k in controls}),
    )


def _swallows_rows(cells: list[str], separator: str) -> bool:
    """Whether a field over several lines holds as many separators as the lines would as rows of their own."""
    return any("\n" in c and c.count(separator) >= (len(cells) - 1) * c.count("\n") for c in cells)


def _cells(line: str, dialect: Dialect) -> list[str]:
    return quoted_cells(line, dialect)[0]
