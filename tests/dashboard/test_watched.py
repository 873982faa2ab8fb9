"""What the screens say of watched folders: where to drop logs, what could not be read, and how that leaves the list."""

import pytest

from spc.store.store import Store
from tests.dashboard.test_log_view import press, start, text
from tests.dashboard.test_views import run


def report(path, *names, folder="/in"):
    with Store.open(path) as store:
        for name in names:
            store.report_watched(folder, name, f"{name}: <b>no lap column", who="watch")


@pytest.mark.parametrize("folder", ["", "/cell/logs"])
def test_an_empty_log_says_where_logs_can_be_dropped(empty_store, monkeypatch, folder):
    monkeypatch.setenv("LAPCELL_WATCH", folder)
    said = f"Logs dropped into {folder} are taken in" if folder else "lapcell serve --watch FOLDER"
    assert said in text(run("shift")) and said in text(start("file"))


def test_a_file_that_cannot_be_read_is_said_on_the_board_and_listed_with_its_sentence(empty_store):
    assert "cannot be read" not in text(run("shift")) + text(run("log"))
    report(empty_store, "bad.csv")
    assert "1 dropped file cannot be read. The log view says why." in text(run("shift"))
    shown = text(start("taken"))
    assert "Taken in (1 not read)" in start("taken").get("button_group")[0].proto.options[2].content
    assert "<h1>1 dropped file cannot be read.</h1>" in shown
    assert "bad.csv: &lt;b&gt;no lap column. Found " in shown and " UTC, in /in." in shown


def test_it_is_said_beside_the_laps_too(filled_store):
    report(filled_store, "bad.csv", "worse.csv")
    for wall in (False, True):
        assert "2 dropped files cannot be read. The log view says why." in text(run("shift", wall=wall))


def test_a_folder_that_is_lost_is_said_before_its_files(empty_store):
    report(empty_store, "", "bad.csv")
    assert "A watched folder cannot be reached." in text(run("shift"))


def test_a_report_is_taken_off_the_list_by_a_person(filled_store):
    report(filled_store, "bad.csv")
    page = start("taken")
    assert "Dropped into a watched folder and not read" in text(page)
    page = press(page, "Take off this list")
    assert "cannot be read" not in text(page)
    with Store.open(filled_store) as store:
        assert store.watch_problems().empty
        assert store.connection.execute("SELECT who FROM watch_report ORDER BY 1").fetchall() == [
            ("Engineer",),
            ("watch",),
        ]


def test_a_long_list_is_cut_and_says_so(filled_store):
    report(filled_store, *(f"{number:02d}.csv" for number in range(23)))
    shown = text(start("taken"))
    assert shown.count("no lap column") == 20 and "3 more are not shown." in shown


def test_a_file_dropped_again_is_listed_under_what_was_taken_in_and_is_no_alarm(filled_store):
    assert "with nothing new" not in text(start("taken"))
    with Store.open(filled_store) as store:
        store.note_known("/in", "log.csv", "every row is held already", who="watch")
    page = start("taken")
    assert "Dropped into a watched folder, with nothing new" in text(page)
    listed = page.dataframe[-1].value
    assert listed[["file", "folder", "why nothing was taken in"]].values.tolist() == [
        ["log.csv", "/in", "every row is held already"]
    ]
    assert "cannot be read" not in text(run("shift"))
