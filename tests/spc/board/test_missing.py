"""A reconditioning that nobody logged: the lap is watched, the range is conditional, and a yes or a no settles it."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from spc.board.board import Board
from spc.board.lap_age import age_of_lap
from spc.board.missing_answer import keep_no, keep_yes
from spc.board.reactions import take_back_answer
from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.commands.planted_cell import run

SITE = Settings(time_zone="UTC", date_order="ymd", decimal=".")
LONG = 24  # faces between reconditionings


def log(lap, cycles, *, start="2026-03-02 06:00", dated=True, seed=1):
    """Rows of a lap that starts again every LONG faces, none of it logged."""
    rng = np.random.default_rng(seed)
    age = np.concatenate([np.arange(n) for n in cycles])
    flatness = 0.2 * np.exp(0.05 * age + rng.normal(0, 0.1, age.size))
    at = pd.date_range(start, periods=age.size, freq="2h")
    times = at.strftime("%Y-%m-%d %H:%M") if dated else [""] * age.size
    return [f"{t},{lap},P1,{5.0},{f:.3f}\n" for t, f in zip(times, flatness, strict=True)]


def take(path, rows, name="log.csv"):
    with Store.open(path) as store:
        if store.limits().empty:
            store.set_limit("*", "flatness", upper_um=0.8, upper_text="0.8 um", who="QE")
        taken = ingest(
            store, ("time,lap,part,minutes,flatness um\n" + "".join(rows)).encode(), name=name, settings=SITE, who="QE"
        )
        assert not taken.refused and taken.quarantined == 0, taken


@pytest.fixture
def path(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    return tmp_path / "lapcell.db"


def report(path, lap="K1", **site):
    return Board(path, replace(SITE, **site)).lap(lap)


def lives(path, lap="K1"):
    view, _, room = Board(path, SITE).look()
    return age_of_lap(view, lap, room=room, planned_cost=1.0, worn_cost=4.0)


def test_while_it_is_open_the_lap_is_watched_and_its_range_holds_only_if_it_was(path):
    take(path, log("K1", [LONG, LONG, 14]))
    shown = report(path)
    assert shown.doubt is not None and shown.doubt is shown.signals[0]
    assert [one.age_faces for one in shown.asked] == [2 * LONG, LONG]  # the newest first
    assert shown.state in ("watch", "due") and shown.doubt.sentence in shown.sentence
    assert [f"K1 may have been reconditioned before face {one.face_id}, " in one.sentence for one in shown.asked] == [
        True, True,
    ]  # fmt: skip
    assert shown.faces_left.sentence.startswith("If reconditioned then, ")
    assert shown.faces_left.if_reconditioned == shown.doubt.time_text != ""
    assert shown.faces_left.own_faces == 14  # those after the newest place alone
    assert shown.picture.fan.age_faces[0] >= 2 * LONG + 13
    assert not shown.causes  # nothing has moved that a cause stands for


def test_the_board_says_which_laps_have_questions_open_whatever_their_state(path):
    take(path, log("K1", [LONG, LONG, 14]))
    told = "waits for a yes or no on K1 (2): until then only what came before it counts"
    assert told in Board(path, SITE).shift().asked_sentence
    (path.parent / "lapcell.toml").write_text('time_zone = "UTC"\n', encoding="utf-8")
    assert f"{told} of such a cycle. `lapcell due --lap NAME` tells where." in run(path, "due").output
    assert run(path, "due", "--json").output.count(told) == 1
    with Store.open(path) as store:
        for asked in report(path).asked:
            keep_no(store, asked, who="Lee")
    assert Board(path, SITE).shift().asked_sentence == ""


def test_a_no_is_kept_silences_that_very_question_and_can_be_taken_back(path):
    take(path, log("K1", [LONG, 14]))
    with Store.open(path) as store:
        number = keep_no(store, report(path).doubt, who="Lee")
    settled = report(path)
    assert settled.asked == () and settled.doubt is None and not settled.faces_left.if_reconditioned
    with Store.open(path) as store:
        kept = store.reactions(lap="K1")
        assert kept[["sign", "cause", "who"]].values.tolist() == [["reconditioning", "not reconditioned", "Lee"]]
        assert kept["at"].notna().all() and store.events().empty
    take(path, log("K1", [LONG, 20, 14]), name="grown.csv")
    later = report(path)
    assert [one.age_faces for one in later.asked] == [LONG + 20]  # a later place is asked, the old one is not
    with Store.open(path) as store:
        take_back_answer(store, number, who="Lee", reason="mistaken")
    assert [one.age_faces for one in report(path).asked] == [LONG + 20, LONG]


def test_a_yes_logs_the_event_where_it_was_and_taking_it_back_takes_the_event_too(path):
    take(path, log("K1", [LONG, LONG, 14]))
    before = report(path)
    with Store.open(path) as store:
        number = keep_yes(store, before.doubt, who="Lee")
        (event,) = store.events(lap="K1").to_dict("records")
    assert (event["event"], event["time_text"]) == ("reconditioned", before.doubt.time_text)
    after = report(path)
    assert after.age_faces == 14 and after.doubt is None
    assert [one.age_faces for one in after.asked] == [LONG]  # of the cycle that ended: asked, and no reason to watch
    left = after.faces_left
    assert (left.low, left.high) == (before.faces_left.low, before.faces_left.high) and not left.if_reconditioned
    with Store.open(path) as store:
        assert take_back_answer(store, number, who="Lee", reason="mistaken") == "reconditioned"
    assert report(path).doubt == before.doubt or report(path).doubt.face_id == before.doubt.face_id


def test_faces_without_times_cannot_place_the_event_and_say_what_can(path):
    take(path, log("K1", [LONG, 14], dated=False))
    with Store.open(path) as store, pytest.raises(ValueError, match="carry no time, .* into the log file"):
        keep_yes(store, report(path).doubt, who="Lee")
    with Store.open(path) as store:
        assert store.reactions().empty and store.events().empty


def test_the_question_is_new_in_the_shift_in_which_it_is_first_asked(path):
    take(path, log("K1", [LONG, 14]))
    last = pd.Timestamp("2026-03-02 06:00") + pd.Timedelta(hours=2 * (LONG + 13))
    asked = Board(path, replace(SITE, clock=(last + pd.Timedelta(minutes=5)).to_pydatetime())).shift()
    (lap,) = asked.laps
    assert lap.doubt.spoke_face_id == lap.doubt.face_id  # known before today
    assert not any(lap.doubt.sentence in line for line in asked.changed)


def test_an_event_of_next_month_is_said_and_does_not_count_until_then(path):
    take(path, log("K1", [14]))
    with Store.open(path) as store:
        store.append_event(
            {"lap": "K1", "event": "reconditioned", "time_utc": pd.Timestamp("2026-04-20 06:00", tz="UTC"),
             "time_text": "2026-04-20 06:00"}, who="Lee",
        )  # fmt: skip
    said = "K1 is logged as reconditioned at 2026-04-20 06:00, which is still to come: it does not count until then;"
    now = report(path, clock=pd.Timestamp("2026-03-04 06:00").to_pydatetime())
    assert any(line.startswith(said) for line in now.data_health) and now.age_faces == 14
    then = report(path, clock=pd.Timestamp("2026-04-21 06:00").to_pydatetime())
    assert not any("still to come" in line for line in then.data_health) and then.age_faces == 0


def test_a_past_cycle_counts_up_to_the_place_that_is_asked_after_and_whole_after_a_no(path):
    """A cycle that holds another one unseen falls back half way: taken whole it makes every lap seem to last longer."""
    ended = [*(LONG for _ in range(5)), 12]  # of six cycles the fourth holds the fifth, whose start nobody logged
    rows = log("K1", ended)
    at = pd.date_range("2026-03-02 06:00", periods=len(rows), freq="2h")
    for end in (5 * LONG, 3 * LONG, 2 * LONG, LONG):
        rows.insert(end, f"{at[end] - pd.Timedelta(minutes=30):%Y-%m-%d %H:%M},K1,,,,reconditioned\n")
    head = "time,lap,part,minutes,flatness um,event\n"
    with Store.open(path) as store:
        store.set_limit("*", "flatness", upper_um=0.8, upper_text="0.8 um", who="QE")
        lines = [row if row.endswith("reconditioned\n") else f"{row.rstrip()},\n" for row in rows]
        assert not ingest(store, (head + "".join(lines)).encode(), name="log.csv", settings=SITE, who="QE").quarantined
    open_still = report(path)
    (question,) = open_still.asked
    assert question.age_faces == LONG and open_still.doubt is None
    assert question.sentence.endswith("Until then only what came before counts of that cycle.")
    ages = lives(path)
    assert (ages.plan.lifetimes.worn, ages.plan.lifetimes.unsure) == (2, 1)
    assert ages.plan.lifetimes.low.max() == LONG and question.sentence in ages.remarks
    with Store.open(path) as store:
        number = keep_no(store, question, who="Lee")
    whole = report(path).faces_left
    assert lives(path).plan.lifetimes.high[:3].max() == 2 * LONG
    left = open_still.faces_left
    assert left.past_cycles == whole.past_cycles == 3  # nobody logged the start of the first
    assert whole.high / whole.low > 1.5 * left.high / left.low
    with Store.open(path) as store:
        take_back_answer(store, number, who="Lee", reason="mistaken")
        keep_yes(store, question, who="Lee")
    settled = report(path).faces_left
    assert settled.past_cycles == lives(path).plan.lifetimes.worn == 4
    assert (left.low, left.high) == (pytest.approx(settled.low, rel=0.2), pytest.approx(settled.high, rel=0.2))


def test_what_lies_between_the_places_asked_after_is_no_cycle_until_a_person_says_so(path):
    take(path, log("K1", [LONG, LONG, LONG, 14]))
    said = "no past cycle to borrow from; there are 2 once each question whether it was reconditioned is answered"
    assert said in report(path).confidence and report(path).faces_left.past_cycles == 0
    for counted in (0, 1, 2):  # the first cycle began before the log did
        with Store.open(path) as store:
            keep_yes(store, report(path).asked[0], who="Lee")
        assert report(path).faces_left.past_cycles == counted
        assert (said in report(path).confidence) == (counted == 0)
    shown = report(path)
    assert not shown.asked and shown.faces_left.past_cycles == 2
    assert "the rest from 2 past cycles" in shown.confidence and "once" not in shown.confidence
