"""How a CSV file is written: encoding, separator, quote, preamble, header, decimal mark; each found with its evidence.

Everything is read off the text itself and can be overridden by the column map. A file that cannot be a log is
refused in one sentence that says what to do.
"""

import codecs
import csv
import itertools
import re
import unicodedata
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from spc.log.lexicon import looks_like_header
from spc.measure.number import decimal_evidence, tidy

__all__ = ["Dialect", "LogRefusedError", "decode", "find_dialect"]

MOST_COLUMNS = 1000
LONGEST_FIELD = 1_000_000  # characters
_NUMERIC = re.compile(r"[<>~+-]?[\d.,:/]+(?:[ T]\d.*)?")
_DATE = re.compile(r"(?:\d{1,2}\.\d{1,2}\.(?:\d{2}|\d{4})?|\d{4}\.\d{1,2}\.\d{1,2}\.?),?")
_SAMPLE = 400  # lines looked at
_BLANK = b" \t\r\n\x1a"
_SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe"}
_MAGIC = {
    b"PK\x03\x04": "a zip archive or a spreadsheet workbook; export the sheet as CSV",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet workbook; export the sheet as CSV",
    b"%PDF": "a PDF; export the table as CSV",
    b"\x1f\x8b": "a gzip archive; unpack it first",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"SQLite format 3": "a database file",
    b"PAR1": "a Parquet file; export it as CSV",
}


class LogRefusedError(ValueError):
    """The whole file cannot be read; the message is one sentence with what to do."""


@dataclass(frozen=True, slots=True)
class Dialect:
    """How one file is written."""

    encoding: str  # 'utf-8', 'utf-16-le', 'utf-16-be', 'cp1252'
    separator: str  # ',', ';', tab or '|'
    quote: str  # '"' or "'"
    decimal: str  # '.', ',' or '' (nothing in the file decides it)
    header_line: int  # 1-based line of the header, 0 = none
    first_line: int  # 1-based line of the first data row
    evidence: tuple[str, ...]  # one sentence per finding


def decode(data: bytes, *, encoding: str = "") -> tuple[bytes, str, str]:
    """Make UTF-8 of a file's bytes.

    Parameters
    ----------
    data : bytes
        The whole file.
    encoding : str
        As the column map states it; '' = find it.

    Returns
    -------
    tuple of (bytes, str, str)
        UTF-8 text without byte-order mark, the encoding found, the evidence sentence.

    Raises
    ------
    LogRefusedError
        If the file is empty, binary, or not in the stated encoding.
    """
    if not data[:4096].strip(_BLANK) and not data.strip(_BLANK):
        raise LogRefusedError("the file is empty; export the log again")
    for start, what in _MAGIC.items():
        if data.startswith(start):
            raise LogRefusedError(f"the file is no text: it is {what}")
    if encoding:
        try:
            name = codecs.lookup(encoding).name
            text = data.decode(name)
        except LookupError:
            raise LogRefusedError(
                f"the stated encoding {encoding!r} is not known; use utf-8, cp1252 or utf-16"
            ) from None
        except UnicodeError as error:
            at = f" (byte {error.start + 1})" if isinstance(error, UnicodeDecodeError) else ""
            raise LogRefusedError(f"the file is not {encoding}{at}; leave the encoding out") from None
        return _plain(text.removeprefix("\ufeff").encode("utf-8", "replace")), name, f"encoding {name}: stated"
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ):
        if data.startswith(mark):
            return _strict(data[len(mark) :], name, "byte-order mark")
    guess = _utf16_without_mark(data[:4096])
    if guess and len(data) % 2 == 0:
        return _strict(data, guess, "every second byte is zero")
    try:
        # Checked without a copy where the file is long and already UTF-8.
        codecs.utf_8_decode(data, "strict", True) if len(data) < 1 << 20 else _check_utf8(data)
        return _plain(data), "utf-8", "encoding utf-8: every byte sequence is valid"
    except UnicodeDecodeError as error:
        where = data.count(b"\n", 0, error.start) + 1
    _refuse_binary(data)
    text = data.decode("cp1252", "replace")
    return _plain(text.encode()), "cp1252", f"encoding cp1252: line {where} is not valid UTF-8"


def find_dialect(
    text: bytes, *, encoding: str, encoding_evidence: str, separator: str = "", quote: str = "", decimal: str = "",
    fallback_decimal: str = "", header: bool | None = None, header_line: int = 0, known_headers: Sequence[str] = (),
) -> Dialect:  # fmt: skip
    """Find separator, quote, preamble, header and decimal mark of a UTF-8 text.

    Parameters
    ----------
    text : bytes
        From `decode`.
    encoding, encoding_evidence : str
        From `decode`.
    separator, quote, decimal : str
        As the column map or the site states them; '' = find.
    fallback_decimal : str
        The site's decimal mark, used where the file itself decides nothing.
    header : bool, optional
        Whether there is a header, as the column map states it.
    header_line : int
        1-based line of the header as the column map states it, 0 = find.
    known_headers : sequence of str
        Headers the column map names.

    Returns
    -------
    Dialect

    Raises
    ------
    LogRefusedError
        If there are more than 1000 columns, or a field of more than 1,000,000 characters, or if commas stand both
        between the cells and in the numbers.
    """
    lines = _sample_lines(text)
    evidence = [encoding_evidence]
    mark = quote or _quote(lines)
    sep = separator or _separator(lines, mark)
    found = "stated" if separator else _count_words(lines, sep, mark)
    evidence.append(f"separator {_SEPARATORS.get(sep, repr(sep))}: {found}")
    table = [_split(line, sep, mark) for line in lines]
    widths = Counter(len(row) for row in table if len(row) > 1 or (row and row[0].strip()))
    width = max(widths, key=lambda w: (widths[w] * (w > 1), w), default=1)
    if max((len(row) for row in table), default=0) > MOST_COLUMNS:
        most = max(len(row) for row in table)
        raise LogRefusedError(f"a line has {most} columns; a log has at most {MOST_COLUMNS}: check the separator")
    if sep == "," and decimal != "." and header is not False:
        _refuse_cut_numbers(table, width)
    at = _header_at(table, width, header, header_line, known_headers)
    if header_line:
        evidence.append(f"header: line {header_line}, stated")
    elif at >= 0:
        before = f"; {at} line{'s' if at > 1 else ''} before it kept aside" if at else ""
        evidence.append(f"header: line {at + 1}{', stated' if header else ', by its words'}{before}")
    else:
        evidence.append("header: none, stated" if header is False else "header: none, no line reads like one")
    skip = 0 if at >= 0 else next((i for i, row in enumerate(table) if len(row) == width), 0)
    first = at + 2 if at >= 0 else skip + 1
    body = table[first - 1 :]
    point, why = (decimal, "stated") if decimal else _decimal(body, sep)
    if not point and fallback_decimal:
        point, why = fallback_decimal, f"by the site's settings ({why})"
    evidence.append(f"decimal mark {point or 'open'}: {why}")
    return Dialect(encoding, sep, mark, point, at + 1 if at >= 0 else 0, first, tuple(evidence))


def _strict(data: bytes, name: str, why: str) -> tuple[bytes, str, str]:
    try:
        text = data.decode(name)
    except UnicodeDecodeError:
        if name != "utf-8":
            raise LogRefusedError(f"the file starts as {name} but breaks off in it; export it again as UTF-8") from None
        return _plain(data.decode("cp1252", "replace").encode()), "cp1252", "encoding cp1252: marked UTF-8, but is not"
    return _plain(text.encode("utf-8", "replace") if name != "utf-8" else data), name, f"encoding {name}: {why}"


def _plain(text: bytes) -> bytes:
    """Refuse what is no text; make old single-CR line ends LF."""
    _refuse_binary(text)
    if b"\r" in text and b"\n" not in text:
        return text.replace(b"\r", b"\n")
    return text


def _refuse_binary(data: bytes) -> None:
    sample = data[:65536]
    odd = sum(sample.count(c) for c in (*range(1, 9), 14, 15, 16, *range(20, 26), 28, 29, 30, 31))
    zeros = sample.count(0)
    if zeros > len(sample) // 50 or odd > max(8, len(sample) // 50):
        raise LogRefusedError("the file is no text (control bytes all over); export the log as CSV")


def _check_utf8(data: bytes) -> None:
    if data.isascii():
        return
    step = 1 << 20
    checker = codecs.getincrementaldecoder("utf-8")("strict")
    for start in range(0, len(data), step):
        try:
            checker.decode(data[start : start + step], final=start + step >= len(data))
        except UnicodeDecodeError as error:
            raise UnicodeDecodeError("utf-8", b"", start + error.start, start + error.start + 1, error.reason) from None


def _utf16_without_mark(head: bytes) -> str:
    if len(head) < 8:
        return ""
    even, odd = head[0::2].count(0) / len(head[0::2]), head[1::2].count(0) / len(head[1::2])
    if odd > 0.8 and even < 0.05:
        return "utf-16-le"
    return "utf-16-be" if even > 0.8 and odd < 0.05 else ""


def _sample_lines(text: bytes) -> list[str]:
    lines: list[str] = []
    start = longest = 0
    while start < len(text) and len(lines) < _SAMPLE:
        end = text.find(b"\n", start)
        end = len(text) if end < 0 else end
        if end - start > 4 * LONGEST_FIELD:
            longest = max(longest, end - start)
            lines.append("")  # it becomes a quarantined row; it tells nothing of how the others are written
            start = end + 1
            continue
        lines.append(unicodedata.normalize("NFC", text[start:end].rstrip(b"\r").decode("utf-8", "replace")))
        start = end + 1
    if longest and not any(lines):
        raise LogRefusedError(
            f"the file is one line of {longest / 1e6:.0f} MB; line ends are lost or a quote is open: export it again"
        )
    return lines


def _quote(lines: list[str]) -> str:
    opened = {q: sum(len(re.findall(rf"(?:^|[,;\t|]){q}", line)) for line in lines) for q in ('"', "'")}
    return "'" if opened["'"] > 2 * opened['"'] and opened["'"] > len(lines) // 2 else '"'


def _split(line: str, separator: str, quote: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=separator, quotechar=quote), [])
    except csv.Error:
        return line.split(separator)


def _separator(lines: list[str], quote: str) -> str:
    def score(separator: str) -> tuple[float, int]:
        widths = Counter(len(_split(line, separator, quote)) for line in lines if line.strip())
        width = max(widths, key=lambda w: (widths[w] * (w > 1), w), default=1)
        return (widths[width] / max(1, sum(widths.values())) if width > 1 else 0.0, width)

    scores = {s: score(s) for s in _SEPARATORS}
    # A decimal comma splits as evenly as a separator; where semicolons or tabs split too, they are the separator.
    for strong in (";", "\t", "|"):
        if scores[strong][0] >= 0.5 and scores[strong][0] >= scores[","][0] - 0.3:
            return strong
    return max(scores, key=lambda s: scores[s])


def _count_words(lines: list[str], separator: str, quote: str) -> str:
    full = [line for line in lines if line.strip()]
    widths = Counter(len(_split(line, separator, quote)) for line in full)
    width = max(widths, key=lambda w: (widths[w] * (w > 1), w), default=1)
    if width == 1:
        return "no line splits by any separator"
    return f"splits {widths[width]} of the first {len(full)} lines into {width} columns"


def _header_at(table: list[list[str]], width: int, header: bool | None, header_line: int, known: Sequence[str]) -> int:
    if header is False:
        return -1
    if header_line:
        if header_line > len(table):
            raise LogRefusedError(f"the stated header line {header_line} is past the first {len(table)} lines")
        return header_line - 1
    if header:
        return next((i for i, row in enumerate(table) if len(row) == width), 0)
    wanted = {h.strip().lower() for h in known}
    for at, row in enumerate(table[:60]):
        if len(row) >= max(1, width - 1) and (looks_like_header(row) or wanted & {c.strip().lower() for c in row}):
            return at
    # Words nobody here knows are a header still, where every cell is a different word and numbers stand below.
    for at, row in enumerate(table[:60]):
        cells = [c.strip() for c in row]
        if len(row) == width and all(c and not _NUMERIC.fullmatch(c) for c in cells) and len(set(cells)) == width:
            below = table[at + 1 : at + 6]
            return at if any(_NUMERIC.fullmatch(c.strip()) for line in below for c in line) else -1
    return -1


def _refuse_cut_numbers(table: list[list[str]], width: int) -> None:
    """Refuse rows that are wider than their header by numbers cut in two: read on, 0,6 would be 0 and a next cell."""
    first = next((i for i, row in enumerate(table) if len(row) == width and any(map(_numeric, row))), 0)
    above = [c.strip() for c in next((row for row in reversed(table[:first]) if row), [])]
    while above and not above[-1]:
        above.pop()
    if not 2 <= len(above) < width or any(map(_numeric, above)):
        return
    rows = [[c.strip() for c in row] for row in table[first:] if len(row) == width]
    if _decimal(rows, ",")[0] == ".":
        return
    cut = [row for row in rows if _cut_in_two(row) >= width - len(above)]
    if 2 * len(cut) <= len(rows):
        return
    beside = [pair for row in cut for pair in itertools.pairwise(row) if _one_number(*pair)]
    plain = next((pair for pair in beside if pair[0] == "0" or re.match(r"0\d", pair[1])), None)
    if plain is None and not any(cell for row in rows for cell in row[len(above) :]):
        return  # separators that end every row
    raise LogRefusedError(
        f"rows have {width} cells where the header names {len(above)}, and {','.join(plain or beside[-1])} may be one "
        "number: commas separate the cells, so none may stand in a number. Save the file with semicolons between the "
        "cells, or with decimal points (if it is the last columns that have no name, name them)"
    )


def _cut_in_two(row: list[str]) -> int:
    """Count the numbers with a decimal comma that cells side by side would make, each taken once."""
    count, at = 0, 0
    while at < len(row) - 1:
        whole = _one_number(row[at], row[at + 1])
        count, at = count + whole, at + 1 + whole
    return count


def _one_number(before: str, after: str) -> bool:
    """Whether two cells would make a number with a decimal comma, which its unit may follow."""
    return bool(re.fullmatch(r"[<>~+-]? ?\d+", before) and re.fullmatch(r"\d{1,6}(?: ?[^\d\s].{0,12})?", after))


def _numeric(cell: str) -> bool:
    return bool(_NUMERIC.fullmatch(cell.strip()))


def _decimal(body: list[list[str]], separator: str) -> tuple[str, str]:
    seen: Counter[str] = Counter()
    example: dict[str, str] = {}
    for row in body:
        for cell in row:
            if len(cell) < 24 and ("." in cell or "," in cell):
                first = tidy(cell).split(" ")[0]
                mark = decimal_evidence(first)
                if mark and not _DATE.fullmatch(first):  # a date's points are no thousands marks
                    seen[mark] += 1
                    example.setdefault(mark, cell.strip())
    if seen["."] > seen[","]:
        return ".", f"cells such as {example['.']}"
    if seen[","] > seen["."]:
        return ",", f"cells such as {example[',']}"
    if seen["?"] and not seen["."]:
        if separator == "," and "," not in example["?"]:
            return ".", f"the comma separates, so {example['?']} has a decimal point"
        return "", f"{example['?']} could be thousands or decimals"
    return "", "no cell decides it"
