from datetime import UTC, datetime, timedelta

from spc.board.cell_view import look_at_cell
from spc.board.lap_names import lap_name_remarks
from spc.settings import Settings
from spc.store.store import Store


def test_laps_written_alike_are_asked_about_until_both_are_described(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as store:
        at = datetime(2026, 3, 2, 6, tzinfo=UTC)
        for number, lap in enumerate(("CI-1", "ci 1", "CI-2")):
            store.append_face({"lap": lap, "time_utc": at + timedelta(hours=number), "minutes": 8.0}, who="Ann")
        view = look_at_cell(store, Settings())
        (asked,) = lap_name_remarks(view, "CI-1")
        assert asked.startswith("CI-1 and ci 1 are written alike and taken as 2 laps. Are they one?")
        assert (asked,) == lap_name_remarks(view, "ci 1") and lap_name_remarks(view, "CI-2") == ()
        store.set_lap("CI-1", material="cast iron", who="QE")
        assert lap_name_remarks(look_at_cell(store, Settings()), "CI-1") == (asked,)
        store.set_lap("ci 1", material="tin", who="QE")
        assert lap_name_remarks(look_at_cell(store, Settings()), "CI-1") == ()
