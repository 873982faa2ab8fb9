"""A limit is set on the proof view, and reads as it was typed."""

from datetime import datetime, timedelta

from spc.store.store import Store
from tests.dashboard.conftest import text
from tests.dashboard.test_views import run


def test_a_limit_is_set_with_its_reason(filled_store, board):
    page = run("proof", lap="CI-1", section="Limits")
    assert "No limit is set" in text(page)
    {field.label: field for field in page.text_input}["Part number"].set_value("seal plate")
    {field.label: field for field in page.text_input}["Why"].set_value("drawing C")
    {field.label: field for field in page.text_input}["At most, µm"].set_value("0.6")
    next(button for button in page.button if button.label == "Keep this limit").click().run()
    with Store.open(filled_store) as store:
        assert store.limits()[["part", "upper_um", "why"]].values.tolist() == [["seal plate", 0.6, "drawing C"]]


def test_a_limit_of_one_band_reads_so_and_a_long_one_keeps_its_last_digit(filled_store, board):
    with Store.open(filled_store) as store:
        store.set_limit("ring", "thickness", upper_um=12013.65, upper_text="12013.65 um", who="QE", why="drawing C")
    (filled_store.parent / "lapcell.toml").write_text('time_zone = "Asia/Kolkata"\n', encoding="utf-8")
    page = run("proof", lap="CI-1", section="Limits", unit="band-helium")
    {field.label: field for field in page.text_input}["Part number"].set_value("seal plate")
    {field.label: field for field in page.text_input}["Why"].set_value("drawing C")
    {field.label: field for field in page.text_input}["At most, bands, helium lamp"].set_value("1")
    next(button for button in page.button if button.label == "Keep this limit").click().run()
    assert "Kept: flatness of seal plate 1\u00a0band." in text(page)
    told = page.dataframe[0].value
    assert told["as typed"].iloc[0] == "1 band" and told["at most"].iloc[0] == "1 band"
    page = run("proof", lap="CI-1", section="Limits")
    told = page.dataframe[0].value
    assert told["at most"].tolist() == ["0.2938 µm", "12,013.65 µm"]
    with Store.open(filled_store) as store:
        utc = datetime.fromisoformat(store.limits(all_revisions=True)["valid_from"].iloc[-1])
    assert told["valid from (Asia/Kolkata)"].iloc[0] == f"{utc + timedelta(hours=5, minutes=30):%Y-%m-%d %H:%M}"


def test_a_long_limit_typed_here_is_written_down_to_its_last_digit(filled_store, board):
    page = run("proof", lap="CI-1", section="Limits")
    next(box for box in page.selectbox if box.label == "What is limited").set_value("thickness").run()
    {field.label: field for field in page.text_input}["Part number"].set_value("ring")
    {field.label: field for field in page.text_input}["Why"].set_value("drawing C")
    {field.label: field for field in page.text_input}["At most, µm"].set_value("12013.65")
    next(button for button in page.button if button.label == "Keep this limit").click().run()
    with Store.open(filled_store) as store:
        assert store.limits()["upper_text"].tolist() == ["12013.65 um"]


def test_a_limit_that_stands_already_is_said_to_have_changed_nothing(filled_store, board):
    for _ in range(2):
        page = run("proof", lap="CI-1", section="Limits")
        {field.label: field for field in page.text_input}["Part number"].set_value("seal plate")
        {field.label: field for field in page.text_input}["Why"].set_value("drawing C")
        {field.label: field for field in page.text_input}["At most, µm"].set_value("0.6")
        next(button for button in page.button if button.label == "Keep this limit").click().run()
    assert "Nothing changed, as revision 1 says so already: flatness of seal plate 0.6\u00a0µm." in text(page)
