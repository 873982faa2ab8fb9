import math
from dataclasses import replace

import pytest

from spc.log.gauge_table import GaugeColumns, read_gauge_table
from spc.settings import Settings

SITE = Settings(lamp="helium", step_bands=0.5, zero_means="half step")
PLAIN = Settings()


def read(text, columns=GaugeColumns(), settings=PLAIN):  # noqa: B008 - frozen, so one default may serve all
    return read_gauge_table(text.encode(), columns, settings)


def test_plain_numbers_are_kept_as_typed():
    table = read(
        "wafer,probe,day,average\n138,1,15,95.18\n138,2,15,95.15\n", GaugeColumns(("wafer",), "probe", "average")
    )
    assert table.unit == "" and table.has_run and [r.run for r in table.rows] == ["15", "15"]
    assert [(r.face, r.reader) for r in table.rows] == [("138", "1"), ("138", "2")]
    assert table.rows[0].low_um == pytest.approx(95.175) and table.rows[0].high_um == pytest.approx(95.185)
    assert "no unit is known: figures are in the unit of the table" in table.remarks


def test_bands_go_by_lamp_and_the_sites_step():
    table = read("face,reader,reading (bands)\nA,x,1\nA,y,<0.5\nB,x,0\nB,y,1½\n", settings=SITE)
    ends = [(r.low_um / 0.29378, r.high_um / 0.29378) for r in table.rows]
    assert ends == [pytest.approx(e) for e in [(0.75, 1.25), (0, 0.5), (0, 0.25), (1.25, 1.75)]]
    assert table.unit == "um"


def test_german_sheet_with_decimal_commas():
    table = read("Fläche;Bediener;Ebenheit µm\nA;x;0,25\nA;y;0,30\n")
    assert table.rows[1].low_um == pytest.approx(0.295) and table.unit == "um"


def test_units_mixed_row_by_row_are_each_read_in_their_own():
    table = read("face,reader,reading,unit\nA,x,0.30,um\nA,y,1,bands\nB,x,12,uin\n", settings=SITE)
    assert [r.low_um for r in table.rows] == pytest.approx([0.295, 0.75 * 0.29378, 11.5 * 0.0254])
    assert any(remark.startswith("readings in band, uin, um") for remark in table.remarks)


def test_a_unit_missing_beside_others_is_a_question():
    table = read("face,reader,reading,unit\nA,x,0.30,um\nA,y,0.31,\n")
    assert len(table.rows) == 1 and "no unit while others have one" in table.problems[0][2]


def test_every_row_is_accounted_for():
    text = "face,reader,reading um\nA,x,0.3\n\nA,y,\n,x,0.4\nA,x,wet\nA,x,-0.1\nA,x\nA,,0.5\nA,x,2+\n"
    table = read(text)
    assert table.of_rows == len(table.rows) + table.blank + len(table.not_read) + len(table.problems)
    reasons = {row: why for row, _, why in table.problems}
    assert reasons[4] == "the face is empty" and reasons[5].startswith("the reading is not")
    assert "is negative (-0.1)" in reasons[6] and "fields" in reasons[7]
    assert table.rows[1].reader == "" and math.isinf(table.rows[2].high_um) and table.not_read == (3,)


def test_negative_plain_numbers_keep_their_sign():
    table = read("face,reader,value\nA,x,-0.10\nA,y,0.00\n")
    assert table.rows[0].high_um == pytest.approx(-0.095)
    assert (table.rows[1].low_um, table.rows[1].high_um) == pytest.approx((-0.005, 0.005))


def test_bands_without_a_lamp_are_a_question():
    table = read("face,reader,reading (bands)\nA,x,1\nA,y,1.5\n")
    assert table.rows == () and "no lamp is known" in table.problems[0][2]


def test_plain_overrules_the_sites_unit():
    site = replace(SITE, flatness_unit="band")
    assert read("face,reader,reading\nA,x,1\nA,y,2\n", settings=site).unit == "um"
    assert read("face,reader,reading\nA,x,1\nA,y,2\n", GaugeColumns(unit="plain"), site).unit == ""


@pytest.mark.parametrize(
    ("text", "columns", "words"),
    [
        ("a,b,c\n1,2,3\n", GaugeColumns(), r"no column is known as `face`; name it \(--face\)"),
        ("face,reader,reading\nA,x,1\n", GaugeColumns(reader="who"), "there is no column 'who' for `reader`"),
        ("", GaugeColumns(), "the file is empty"),
        ("face,reader,reading\nA,x,1\n", GaugeColumns(step=0.0), "`step` must be greater than 0"),
        ("face,reader,reading\nA,x,1\n", GaugeColumns(unit="furlong"), "furlong"),
    ],
)
def test_what_cannot_be_read_is_said(text, columns, words):
    with pytest.raises(ValueError, match=words):
        read(text, columns)


def test_a_reading_without_a_unit_among_others_is_shown_with_its_row_and_gives_no_step():
    text = "face,reader,flatness,unit\n1,A,0.5,um\n1,B,0.25,-\n"
    table = read(text)
    why = "the reading has no unit while others have one; say it (--unit)"
    assert table.problems == ((2, "1,B,0.25,-", why),)
    assert table.remarks == ("reading step 0.1 um",)
