import pytest

from spc.board.cell_view import look_at_cell
from spc.board.chart_series import series_of
from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store

HEAD = "time,operator,lap,grit um,minutes,flatness um,part,serial\n"


@pytest.mark.parametrize(
    ("readings", "said"),
    [
        (("0.3", "2+"), "1 reading is open above and is not plotted; the limit of a fitted law takes it"),
        (("0.3", "2+", "1+"), "2 readings are open above and are not plotted; the limit of a fitted law takes them"),
    ],
)
def test_readings_without_an_upper_end_are_counted_in_words(tmp_path, readings, said):
    rows = "".join(f"2026-03-04 06:{at}0,Bo,K1,15,12,{text},plate,S-{at}\n" for at, text in enumerate(readings))
    with Store.open(tmp_path / "cell.db") as store:
        taken = ingest(store, (HEAD + rows).encode(), name="own.csv", settings=Settings(), who="A")
        assert taken.faces == len(readings)
        series = series_of(look_at_cell(store, Settings()), "K1", "flatness")
    assert said in series.remarks
