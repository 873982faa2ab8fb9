"""Small registers as CSV (laps, limits): encoding, separator and header found as for logs, each row a set of texts."""

import csv
from collections.abc import Mapping
from dataclasses import dataclass

from spc.log.dialect import LogRefusedError, decode, find_dialect

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
    text, encoding, evidence = decode(data)
    headers = [word for group in words.values() for word in group]
    dialect = find_dialect(text, encoding=encoding, encoding_evidence=evidence, known_headers=headers)
    lines = text.decode("utf-8", "replace").splitlines()
    at = max(dialect.header_line, 1)
    records = list(csv.reader(lines[at - 1 :], delimiter=dialect.separator, quotechar=dialect.quote))
    by_word = {word: field for field, group in words.items() for word in group}
    fields = [by_word.get(" ".join(cell.replace("_", " ").lower().split()), "") for cell in records[0]]
    needed = next(iter(words))
    if needed not in fields:
        raise LogRefusedError(f"no column is called {needed!r}; the columns may be {', '.join(words)}")
    rows = []
    for row_number, cells in enumerate(records[1:], start=1):
        if not any(cell.strip() for cell in cells):
            continue
        wrong = len(cells) != len(fields)
        fault = f"has {len(cells)} fields where {len(fields)} are expected" if wrong else ""
        said = {field: cell.strip() for field, cell in zip(fields, cells, strict=False) if field}
        rows.append(RegisterRow(row_number, said, fault))
    return dialect.decimal, rows
