"""Which lap serves a part number, and which sign leads, on a cell whose laps are known."""

from datetime import UTC, datetime, timedelta

import pytest

from spc.board.cell_view import look_at_cell
from spc.board.lap_lead import laps_until_good, lead_of
from spc.board.lap_that_serves import lap_that_serves, why_out_of_use
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.store.many_faces import append_faces

FACES = 40


@pytest.fixture(scope="module")
def view(tmp_path_factory):
    """Every face of A is good at once, two of three of B are lapped again; C has done other parts alone, and rests."""
    at = datetime(2026, 3, 2, 6, tzinfo=UTC)
    with Store.open(tmp_path_factory.mktemp("lead") / "lapcell.db") as store:
        store.set_limit("*", "flatness", upper_um=0.6, upper_text="0.6 um", who="QE")
        faces = []
        for number in range(FACES):
            for lap, part in (("A", "P1"), ("B", "P1"), ("C", "P2")):
                passes = 2 if lap == "B" and number % 3 else 1
                for attempt in range(1, passes + 1):
                    at += timedelta(minutes=3)
                    low = 0.65 if attempt < passes else 0.3
                    faces.append(
                        {"lap": lap, "part": part, "serial": f"{lap}{number}", "attempt": attempt, "time_utc": at,
                         "minutes": 6.0, "grit": "9 um", "flatness_low_um": low, "flatness_high_um": low + 0.01}
                    )  # fmt: skip
        append_faces(store, faces, who="Ann")
        store.append_event({"lap": "C", "event": "swapped", "time_utc": at + timedelta(minutes=9)}, who="Ann")
        return look_at_cell(store, Settings(time_zone="UTC", clock=at.replace(tzinfo=None) + timedelta(hours=1)))


def serves(view, lap, out=()):
    return lap_that_serves(
        view, lap, out_of_use=lambda name: "held" if name in out else "", state_of=lambda name: "cutting"
    )


def test_the_lap_with_the_better_first_passes_serves_whichever_lap_asks(view):
    told = serves(view, "A")
    assert told == serves(view, "B") and "A serves P1 best" in told
    assert f"A: {FACES} of {FACES} good" in told and f"B: {(FACES + 2) // 3} of {FACES} good" in told
    assert "C" not in told


def test_a_lap_that_may_not_be_used_is_left_out_and_asked_anew_when_it_may(view):
    out = serves(view, "B", out=("A",))
    assert "only B has done" in out and out.endswith("Left out: A (held).")
    assert "A serves P1 best" in serves(view, "B")


def test_where_further_passes_are_logged_no_lap_is_lapped_until_good_unseen(view):
    assert not laps_until_good(view)
    leads = {lap: lead_of(view, lap) for lap in "ABC"}
    assert not any(lead.hidden for lead in leads.values())
    assert (leads["B"].first_pass_over, leads["A"].first_pass_over) == (FACES - (FACES + 2) // 3, 0)


def test_a_lap_swapped_out_rests(view):
    assert [why_out_of_use(view, lap) for lap in "ABC"] == ["", "", "resting"]
