"""Small registers as CSV (laps, limits): encoding, separator and header found as for logs, each row a set of texts."""

from collections.abc import Mapping
from dataclasses import dataclass

from spc.log.coded import as_written
from spc.log.dialect import LogRefusedError, decode, find_dialect
from spc.log.records import header_cells, split_records

__all__ = ["RegisterRow", "read_register"]


@dataclass(frozen=True, slots=True)
class RegisterRow:
    """One row of a register."""

    row_number: int  # 1-based data row
    cells: Mapping[str, str]  # field -> text; fields without a column are absent
    fault: str  # '' or why the row cannot be split


def read_register(data: bytes, *, name: str, words: Mapping[str, tuple[str, ...]]) -> tuple[str, list[RegisterRow]]:
    """
    Read a register.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        Its name, for sentences.
    words : mapping of str to tuple of str
        Field -> headers that mean it, in lower case; the first field must be there.

    Returns
    -------
    tuple of (str, list of RegisterRow)
        The decimal mark found ('' = none decides it), and the rows; blank lines are left out.

    Raises
    ------
    LogRefusedError
        If the file cannot be read as a register.
    """
    try:
        text, encoding, evidence = decode(data)
        headers = [word for group in words.values() for word in group]
        dialect = find_dialect(text, encoding=encoding, encoding_evidence=evidence, known_headers=headers)
    except LogRefusedError as error:
        raise LogRefusedError(f"{name}: {error}") from None
    by_word = {word: field for field, group in words.items() for word in group}
    named, n_columns = header_cells(text, dialect)
    fields = [by_word.get(" ".join(cell.replace("_", " ").lower().split()), "") for cell in named]
    needed = next(iter(words))
    if needed not in fields:
        raise LogRefusedError(f"{name}: no column is called {needed!r}; the columns may be {', '.join(words)}")
    wanted = [position for position, field in enumerate(fields, start=1) if field]
    records = split_records(text, dialect, n_columns=n_columns, wanted=wanted)
    cells = {fields[at - 1]: as_written(records.columns[at]).objects()[records.columns[at].codes] for at in wanted}
    nothing = f"{dialect.separator}{dialect.quote} \t"
    rows = [
        RegisterRow(at + 1, {field: str(column[at]) for field, column in cells.items()}, records.faults.get(at, ""))
        for at, text in enumerate(records.raw(slice(0, len(records))))
        if text.strip(nothing)
    ]
    return dialect.decimal, rows
