"""Fields of the data rows: each column as distinct texts and codes, a block of rows at a time to spare memory."""

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
from numpy.typing import NDArray

from spc.log.coded import Coded
from spc.log.dialect import Dialect, LogRefusedError

__all__ = ["plain_record", "quoted_cells", "split_fields"]

_ROWS = 1 << 16
_AT_ONCE = 2
_MOST_WRONG = 100_000  # rows that do not fit the header, if they are also more than half of all


def split_fields(
    text: bytes, dialect: Dialect, starts: NDArray[np.int64], ends: NDArray[np.int64], good: NDArray[np.bool_], *,
    rewritten: dict[int, bytes], n_columns: int, wanted: list[int], plain: frozenset[int],
) -> tuple[dict[int, Coded], dict[int, int]]:  # fmt: skip
    """Split the good rows into fields.

    Parameters
    ----------
    text : bytes
        UTF-8.
    dialect : Dialect
    starts, ends : ndarray of int64, (n_rows,)
        Bytes of each row.
    good : ndarray of bool, (n_rows,)
        Rows to split; the others get code -1.
    rewritten : dict
        Row index -> the row on one line, where it spans several.
    n_columns : int
    wanted : list of int
        1-based positions to keep.
    plain : frozenset of int
        Of those, columns kept as one text per row.

    Returns
    -------
    tuple of (dict of position to Coded, dict of row index to number of fields)
        The second holds rows with a wrong number of fields; 0 = a quote is left open.

    Raises
    ------
    LogRefusedError
        If more than half of many rows do not fit the header.
    """
    columns = {i: _Column(len(starts), distinct=i not in plain) for i in wanted}
    wrong: dict[int, int] = {}

    def read(start: int) -> tuple[int, NDArray[np.int64], pa.Table, dict[int, int]]:
        stop = min(start + _ROWS, len(starts))
        fed = np.flatnonzero(good[start:stop]) + start
        odd = [i for i in rewritten if start <= i < stop] if rewritten else []
        if len(fed) == stop - start and not odd:
            source = pa.py_buffer(text).slice(int(starts[start]), int(ends[stop - 1] - starts[start]))
        else:
            lines = (rewritten.get(i) or text[starts[i] : ends[i]] for i in fed.tolist())
            source = pa.py_buffer(b"\n".join(lines))
        table, bad = _read(source, dialect, n_columns, wanted, plain) if len(fed) else (None, {})
        if table is None or table.num_rows + len(bad) != len(fed):
            # A stray quote ran over a line end: split this block row by row, so that no row reaches into the next.
            table, bad = _read_plainly(text, dialect, starts, ends, fed, rewritten, n_columns, wanted, plain)
        return stop, fed, table, bad

    for stop, fed, table, bad in _ahead(read, range(0, len(starts), _ROWS)):
        rows = np.delete(fed, [number - 1 for number in bad])
        wrong |= {int(fed[number - 1]): width for number, width in bad.items()}
        if len(wrong) > _MOST_WRONG and len(wrong) > stop / 2:
            raise LogRefusedError(
                f"{len(wrong):,} of the first {stop:,} rows do not have {n_columns} fields; check separator and quotes"
            )
        for position, column in zip(wanted, table.columns, strict=True):
            columns[position].add(column, rows)
    return {position: column.coded() for position, column in columns.items()}, wrong


def _ahead(
    read: Callable[[int], tuple[int, NDArray[np.int64], pa.Table, dict[int, int]]], starts: range
) -> Iterator[tuple[int, NDArray[np.int64], pa.Table, dict[int, int]]]:
    """Read blocks in their order, two at a time: the reader leaves the interpreter free."""
    if len(starts) < 2:
        yield from map(read, starts)
        return
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        waiting = deque(pool.submit(read, start) for start in starts[:_AT_ONCE])
        for start in starts[_AT_ONCE:]:
            block = waiting.popleft().result()
            waiting.append(pool.submit(read, start))
            yield block
        while waiting:
            yield waiting.popleft().result()


class _Column:
    """One column while its blocks arrive."""

    def __init__(self, n_rows: int, *, distinct: bool) -> None:
        self.codes = np.full(n_rows, -1, dtype=np.int32)
        self.distinct = distinct
        self.index: dict[str, int] = {}
        self.pieces: list[pa.Array] = []
        self.length = 0

    def add(self, column: pa.ChunkedArray, rows: NDArray[np.int64]) -> None:
        at = 0
        for chunk in column.chunks:
            here = rows[at : at + len(chunk)]
            at += len(chunk)
            if self.distinct:
                texts = chunk.dictionary.to_pylist()
                number = np.array([self.index.setdefault(t, len(self.index)) for t in texts], dtype=np.int32)
                self.codes[here] = number[chunk.indices.to_numpy(zero_copy_only=False)]
            else:
                self.codes[here] = np.arange(self.length, self.length + len(chunk), dtype=np.int32)
                self.pieces.append(chunk)
                self.length += len(chunk)

    def coded(self) -> Coded:
        """Trim the texts, and merge those that become equal by it."""
        if self.distinct:
            texts = pa.array(list(self.index), pa.string())
        else:
            texts = pa.concat_arrays(self.pieces) if self.pieces else pa.array([], pa.string())
            self.pieces.clear()  # a million texts need not be held twice
        if not _has_loose_ends(texts):
            return Coded(self.codes, texts)
        merged = pc.utf8_trim_whitespace(texts).dictionary_encode()
        number = np.append(merged.indices.to_numpy(zero_copy_only=False), -1).astype(np.int32)
        return Coded(number[self.codes], merged.dictionary)


def _read_plainly(
    text: bytes, dialect: Dialect, starts: NDArray[np.int64], ends: NDArray[np.int64], fed: NDArray[np.int64],
    rewritten: dict[int, bytes], n_columns: int, wanted: list[int], plain: frozenset[int],
) -> tuple[pa.Table, dict[int, int]]:  # fmt: skip
    bad: dict[int, int] = {}
    kept: list[list[str]] = []
    for number, at in enumerate(fed.tolist(), start=1):
        line = (rewritten.get(at) or text[starts[at] : ends[at]]).decode("utf-8", "replace")
        cells, open_quote = quoted_cells(line, dialect)
        if open_quote or len(cells) != n_columns:
            bad[number] = 0 if open_quote else len(cells)
        else:
            kept.append([cells[i - 1] for i in wanted])
    columns = [list(c) for c in zip(*kept, strict=True)] if kept else [[] for _ in wanted]
    arrays = [
        pa.array(c, pa.string()) if i in plain else pa.array(c, pa.string()).dictionary_encode()
        for i, c in zip(wanted, columns, strict=True)
    ]
    return pa.table(arrays, names=[f"c{i}" for i in wanted]), bad


def _read(
    source: pa.Buffer, dialect: Dialect, n_columns: int, wanted: list[int], plain: frozenset[int]
) -> tuple[pa.Table | None, dict[int, int]]:
    names = [f"c{i}" for i in range(1, n_columns + 1)]
    keep = [f"c{i}" for i in wanted]
    bad: dict[int, int] = {}

    def skip(row: pa_csv.InvalidRow) -> str:
        bad[row.number or 0] = row.actual_columns
        return "skip"

    try:
        table = pa_csv.read_csv(
            pa.BufferReader(source),
            read_options=pa_csv.ReadOptions(use_threads=False, column_names=names, block_size=1 << 20),
            parse_options=pa_csv.ParseOptions(
                delimiter=dialect.separator,
                quote_char=dialect.quote,
                ignore_empty_lines=False,
                invalid_row_handler=skip,
            ),
            convert_options=pa_csv.ConvertOptions(
                include_columns=keep,
                column_types={
                    f"c{i}": pa.string() if i in plain else pa.dictionary(pa.int32(), pa.string()) for i in wanted
                },
                check_utf8=False,
                null_values=[],
                strings_can_be_null=False,
            ),
        )
    except pa.ArrowInvalid:
        return None, bad
    return table, bad


def plain_record(cells: list[str], dialect: Dialect) -> bytes:
    """One record on one line, every field quoted, line ends inside fields as spaces."""
    q = dialect.quote
    flat = (c.replace("\r", " ").replace("\n", " ").replace(q, q + q) for c in cells)
    return dialect.separator.join(f"{q}{c}{q}" for c in flat).encode()


def quoted_cells(line: str, dialect: Dialect) -> tuple[list[str], bool]:
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


def _has_loose_ends(texts: pa.Array) -> bool:
    """Whether some text may start or end with a space; seen on the bytes, without a copy of a million texts."""
    _, offsets, data = texts.buffers()
    if not len(texts) or not data or not data.size:
        return False
    at = np.frombuffer(offsets, dtype=np.int32)[texts.offset : texts.offset + len(texts) + 1]
    some = at[1:] > at[:-1]
    characters = np.frombuffer(data, dtype=np.uint8)
    first, last = characters[at[:-1][some]], characters[at[1:][some] - 1]
    return bool(((first <= 32) | (first > 127) | (last <= 32) | (last > 127)).any())
