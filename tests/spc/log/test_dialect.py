import os

import pytest

from spc.log.dialect import LogRefusedError, decode, find_dialect

LOG = "Zeit;Läppscheibe;Ebenheit [µm];Läppzeit [min]\n04.03.2026 08:10;CI-1;0,6;12\n05.03.2026 08:10;CI-1;1,25;9\n"


def dialect_of(text: str, **stated):
    data, encoding, evidence = decode(text.encode())
    return find_dialect(data, encoding=encoding, encoding_evidence=evidence, **stated)


@pytest.mark.parametrize(
    ("written", "found"),
    [
        ("utf-8", "utf-8"), ("utf-8-sig", "utf-8"), ("cp1252", "cp1252"), ("utf-16", "utf-16-le"),
        ("utf-16-le", "utf-16-le"), ("utf-16-be", "utf-16-be"),
    ],
)  # fmt: skip
def test_encoding(written, found):
    text, encoding, evidence = decode(LOG.encode(written))
    assert text.decode() == LOG
    assert encoding == found
    assert evidence.startswith(f"encoding {found}: ")


def test_utf16_big_endian_by_its_mark():
    assert decode(b"\xfe\xff" + LOG.encode("utf-16-be"))[0].decode() == LOG


def test_stated_encoding_wins_or_is_refused():
    assert decode("Läppzeit".encode("cp1252"), encoding="latin-1")[0].decode() == "Läppzeit"
    with pytest.raises(LogRefusedError, match="is not known; use utf-8"):
        decode(b"a", encoding="klingon")
    with pytest.raises(LogRefusedError, match="the file is not utf-8"):
        decode("Läppzeit".encode("cp1252"), encoding="utf-8")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"), (b" \r\n\n", "is empty"), (b"PK\x03\x04rest", "spreadsheet"), (b"\x89PNG\r\n", "picture"),
        (b"%PDF-1.7", "PDF"), (b"SQLite format 3\0", "database"), (bytes(range(256)) * 40, "no text"),
    ],
)  # fmt: skip
def test_no_log_at_all(data, words):
    with pytest.raises(LogRefusedError, match=words):
        decode(data)


def test_random_bytes_are_refused():
    with pytest.raises(LogRefusedError, match="no text"):
        decode(b"\xb0" + os.urandom(4000).replace(b"\n", b"\x01"))


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_separator(separator):
    found = dialect_of(f"lap{separator}flatness um{separator}minutes\nCI-1{separator}0.5{separator}3\n")
    assert (found.separator, found.decimal, found.header_line, found.first_line) == (separator, ".", 1, 2)
    assert len(found.evidence) == 4


def test_decimal_comma_is_no_separator():
    found = dialect_of(LOG)
    assert (found.separator, found.decimal) == (";", ",")


@pytest.mark.parametrize(
    "date", ["27.06.2026 08:00", "27.06.2026", "27.6.26 8:00", "27.06.2026, 08:00", "27.06. 08:00", "2026.06.27 08:00"]
)
def test_a_date_is_no_witness_of_the_decimal_mark(date):
    german = dialect_of(f"Zeit;Platte;Ebenheit um\n{date};CI;0,31\n{date};CI;0,29\n")
    assert german.decimal == "," and "decimal mark ,: cells such as 0,31" in german.evidence
    points = dialect_of(f"time;lap;minutes;flatness um\n{date};CI;8,5;0.31\n{date};CI;8.5;0.29\n")
    assert points.decimal == "." and "decimal mark .: cells such as 0.31" in points.evidence  # three to one, no date
    assert dialect_of(f"time;lap;minutes\n{date};CI;8\n").decimal == ""


def test_undecided_decimal_is_left_open():
    assert dialect_of("lap;flatness nm\nCI;1,200\n").decimal == ""
    assert dialect_of("lap;flatness nm\nCI;1,200\n", fallback_decimal=",").decimal == ","
    assert dialect_of("lap;flatness nm\nCI;1,200\n", decimal=".").decimal == "."


def test_preamble_before_the_header():
    found = dialect_of("Cell 3, log of March\n\nexported by hand\nlap,flatness um,minutes\nCI,0.5,3\n")
    assert (found.header_line, found.first_line) == (4, 5)
    assert "3 lines before it kept aside" in found.evidence[2]


def test_headers_nobody_knows():
    assert dialect_of("G1,G2,G3\n0.1,0.2,-0.3\n").header_line == 1


def test_no_header():
    found = dialect_of("2026-03-04 08:10,CI-1,0.5\n2026-03-04 08:20,CI-1,0.5\n")
    assert (found.header_line, found.first_line) == (0, 1)


def test_too_many_columns():
    with pytest.raises(LogRefusedError, match="10000 columns; a log has at most 1000"):
        dialect_of(",".join(f"c{i}" for i in range(10_000)) + "\n")


def test_one_endless_line():
    with pytest.raises(LogRefusedError, match="one line of 5 MB"):
        dialect_of("x" * 5_000_000)


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("operator,lap,grit,minutes,flatness um", "A,L1,6 um,12,0,6"),
        ("operator,lap,grit,minutes,flatness um,note", "A,L1,6 um,12,0,6,"),
        ("operator,lap,grit,minutes,flatness um,finish um", "A,L1,6 um,12,0,6,0,05"),
        ("lap,flatness", "L1,0,6 um"),
    ],
)
def test_decimal_commas_between_comma_separated_cells_are_refused(header, row):
    with pytest.raises(LogRefusedError, match="and 0,6.* may be one number: commas separate .* semicolons"):
        dialect_of(f"{header}\n{row}\n{row.replace('0,6', '1,2')}\n{row}\n")


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("lap,minutes,flatness bands", "L1,12,1,"),  # a separator at the end of every row
        ("lap,minutes,flatness um", "L1,12,0.6,ok"),  # a decimal point somewhere: the last column has no name
        ("lap,minutes,flatness um", 'L1,12,"0,6"'),
        ("lap,flatness bands", "L1,1,ok"),
    ],
)
def test_rows_wider_than_their_header_without_cut_numbers_are_read(header, row):
    found = dialect_of(f"{header}\n{row}\n{row}\n")
    assert (found.separator, found.header_line, found.first_line) == (",", 1, 2)
