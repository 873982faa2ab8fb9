"""The data rows of a UTF-8 CSV text: split once, every row kept, whatever is wrong with it.

A quote that is opened and never closed spoils its own line, never the lines after it: lines are joined into one
record only if that gives exactly the right number of columns.
"""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
from numpy.typing import NDArray

from spc.log.coded import Coded
from spc.log.dialect import LONGEST_FIELD, Dialect

__all__ = ["KEPT_CHARACTERS", "Records", "header_cells", "split_records"]

KEPT_CHARACTERS = 10_000  # of a row too long to be read
_BLOCK = 1 << 22
_LINES_IN_RECORD = 50
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
        block = self.text[starts[0] : ends[-1]].decode("utf-8", "replace") if ends[-1] - starts[0] < 1 << 28 else ""
        lines = block.split("\n") if block else []
        if len(lines) == len(starts):
            return [line.removesuffix("\r") for line in lines] if "\r" in block else lines
        return [
            self.text[a : min(b, a + KEPT_CHARACTERS if b - a > LONGEST_FIELD else b)].decode("utf-8", "replace")
            for a, b in zip(starts.tolist(), ends.tolist(), strict=True)
        ]


def header_cells(text: bytes, dialect: Dialect) -> tuple[list[str], int]:
    """Header texts (empty ones when there is no header) and the number of columns of the data.

    A header shorter than most rows is filled with empty texts; empty texts at its end that no row fills are dropped.
    """
    wanted = max(dialect.header_line, dialect.first_line)
    lines = text.split(b"\n", wanted + 200)[: wanted + 200]
    decoded = [line.rstrip(b"\r")[:LONGEST_FIELD].decode("utf-8", "replace") for line in lines]
    header = _cells(decoded[dialect.header_line - 1], dialect) if dialect.header_line else []
    counts: dict[int, int] = {}
    for line in decoded[dialect.first_line - 1 :]:
        if line.strip():
            width = len(_cells(line, dialect))
            counts[width] = counts.get(width, 0) + 1
    usual = max(counts, key=lambda w: counts[w]) if counts else len(header)
    named = [h.strip() for h in header]
    if len(named) > usual and not any(named[usual:]):
        named = named[:usual]
    if dialect.header_line and len(named) < usual and counts[usual] <= sum(counts.values()) / 2:
        usual = len(named)
    return named + [""] * (usual - len(named)), max(usual, len(named))


def split_records(text: bytes, dialect: Dialect, *, n_columns: int, wanted: list[int]) -> Records:
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
    columns, bad = _parse(text, dialect, starts, ends, good, rewritten, n_columns, wanted)
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


def _mend(
    text: bytes, dialect: Dialect, starts: NDArray[np.int64], ends: NDArray[np.int64], odd_lines: NDArray[np.int64],
    controls: list[int], n_columns: int,
) -> tuple[NDArray[np.int64], NDArray[np.int64], dict[int, bytes], dict[int, str], list[int]]:  # fmt: skip
    """Join lines that one quoted field spans; a quote that never closes is a fault of its own line."""
    keep = np.ones(len(starts), dtype=bool)
    new_ends = ends.copy()
    by_line: dict[int, bytes] = {}
    faulty: dict[int, str] = {}
    done, separator = -1, dialect.separator.encode()
    for line in odd_lines.tolist():
        if line <= done:
            continue
        whole = False
        for last in range(line, min(line + _LINES_IN_RECORD, len(starts))):
            if ends[last] - starts[line] > LONGEST_FIELD:
                break
            # A line that could be a whole row of its own is not the rest of a note: the quote is a stray one.
            whole = whole or (last > line and text.count(separator, starts[last], ends[last]) >= n_columns - 1)
            cells, open_quote = _quoted_cells(text[starts[line] : ends[last]].decode("utf-8", "replace"), dialect)
            if open_quote:
                continue
            if last > line and (len(cells) != n_columns or whole):
                break
            by_line[line] = _plain_record(cells, dialect)
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


def _parse(
    text: bytes, dialect: Dialect, starts: NDArray[np.int64], ends: NDArray[np.int64], good: NDArray[np.bool_],
    rewritten: dict[int, bytes], n_columns: int, wanted: list[int],
) -> tuple[dict[int, Coded], dict[int, int]]:  # fmt: skip
    fed = np.flatnonzero(good)
    nothing = {i: Coded(np.full(len(starts), -1, dtype=np.int32), pa.array([], pa.string())) for i in wanted}
    if not len(fed) or not wanted:
        return nothing, {}
    if len(fed) == len(starts) and not rewritten:
        source = pa.py_buffer(text).slice(int(starts[0]))
    else:
        lines = (rewritten.get(i) or text[starts[i] : ends[i]] for i in fed.tolist())
        source = pa.py_buffer(b"\n".join(lines) + b"\n")
    table, bad = _read(source, dialect, n_columns, wanted)
    wrong = {int(fed[number - 1]): width for number, width in bad if number}
    if table is None or table.num_rows + len(wrong) != len(fed):
        # A stray quote ran over a line end: write every row that has quotes plainly, and read again.
        return _parse_plainly(text, dialect, starts, ends, fed, n_columns, wanted)
    read = ~np.isin(fed, list(wrong)) if wrong else slice(None)
    rows = fed[read]
    names = zip(wanted, table.columns, strict=True)
    return {position: _coded(column, rows, len(starts)) for position, column in names}, wrong


def _parse_plainly(
    text: bytes, dialect: Dialect, starts: NDArray[np.int64], ends: NDArray[np.int64], fed: NDArray[np.int64],
    n_columns: int, wanted: list[int],
) -> tuple[dict[int, Coded], dict[int, int]]:  # fmt: skip
    """Split row by row: slower, and no row can reach into the next."""
    wrong: dict[int, int] = {}
    kept: list[list[str]] = []
    rows: list[int] = []
    for at in fed.tolist():
        cells, open_quote = _quoted_cells(text[starts[at] : ends[at]].decode("utf-8", "replace"), dialect)
        if open_quote or len(cells) != n_columns:
            wrong[at] = 0 if open_quote else len(cells)
            continue
        kept.append([cells[i - 1] for i in wanted])
        rows.append(at)
    columns = zip(*kept, strict=True) if kept else [()] * len(wanted)
    out = {}
    for position, cells_of in zip(wanted, columns, strict=True):
        coded = pa.chunked_array([pa.array(cells_of, pa.string()).dictionary_encode()])
        out[position] = _coded(coded, np.array(rows, dtype=np.int64), len(starts))
    return out, wrong


def _read(
    source: pa.Buffer, dialect: Dialect, n_columns: int, wanted: list[int]
) -> tuple[pa.Table | None, list[tuple[int, int]]]:
    names = [f"c{i}" for i in range(1, n_columns + 1)]
    keep = [f"c{i}" for i in wanted]
    bad: list[tuple[int, int]] = []

    def skip(row: pa_csv.InvalidRow) -> str:
        bad.append((row.number or 0, row.actual_columns))
        return "skip"

    try:
        table = pa_csv.read_csv(
            pa.BufferReader(source),
            read_options=pa_csv.ReadOptions(use_threads=False, column_names=names, block_size=1 << 23),
            parse_options=pa_csv.ParseOptions(
                delimiter=dialect.separator,
                quote_char=dialect.quote,
                ignore_empty_lines=False,
                invalid_row_handler=skip,
            ),
            convert_options=pa_csv.ConvertOptions(
                include_columns=keep,
                column_types=dict.fromkeys(keep, pa.dictionary(pa.int32(), pa.string())),
                check_utf8=False,
                null_values=[],
                strings_can_be_null=False,
            ),
        )
    except pa.ArrowInvalid:
        return None, bad
    return table, bad


def _plain_record(cells: list[str], dialect: Dialect) -> bytes:
    """One record on one line, every field quoted, line ends inside fields as spaces."""
    q = dialect.quote
    flat = (c.replace("\r", " ").replace("\n", " ").replace(q, q + q) for c in cells)
    return dialect.separator.join(f"{q}{c}{q}" for c in flat).encode()


def _coded(column: pa.ChunkedArray, rows: NDArray[np.int64], n_rows: int) -> Coded:
    """Trim the texts, merge those that become equal, and put the codes in the rows they belong to."""
    one = column.unify_dictionaries().combine_chunks()
    one = one.chunk(0) if isinstance(one, pa.ChunkedArray) else one
    trimmed = pc.dictionary_encode(pc.utf8_trim_whitespace(one.dictionary))
    merge = np.asarray(trimmed.indices.to_numpy(zero_copy_only=False), dtype=np.int32)
    codes = merge[one.indices.to_numpy(zero_copy_only=False)] if len(merge) else np.empty(0, dtype=np.int32)
    if len(rows) == n_rows:
        return Coded(codes, trimmed.dictionary)
    full = np.full(n_rows, -1, dtype=np.int32)
    full[rows] = codes
    return Coded(full, trimmed.dictionary)


def _cells(line: str, dialect: Dialect) -> list[str]:
    return _quoted_cells(line, dialect)[0]


def _quoted_cells(line: str, dialect: Dialect) -> tuple[list[str], bool]:
    """Fields of one record, and whether a quote is still open at its end."""
    separator, quote = dialect.separator, dialect.quote
    cells: list[str] = []
    at = 0
    while True:
        if line.startswith(quote, at):
            cell, at = "", at + 1
            while True:
                end = line.find(quote, at)
                if end < 0:
                    return [*cells, cell + line[at:]], True
                cell += line[at:end]
                at = end + 1
                if not line.startswith(quote, at):
                    break
                cell += quote
                at += 1
            end = line.find(separator, at)
            cells.append(cell + (line[at:] if end < 0 else line[at:end]))
        else:
            end = line.find(separator, at)
            cells.append(line[at:] if end < 0 else line[at:end])
        if end < 0:
            return cells, False
        at = end + 1
