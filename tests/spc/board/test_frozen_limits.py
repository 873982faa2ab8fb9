import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from spc.board.frozen_limits import (
    budget_of_cell,
    freeze_limits,
    iso_of,
    moment_us,
    replay_day,
    show_revision,
)
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.board.invented_cell import DAY_US, START_US, events_of, faces_of, fill

SITE = Settings()
BASELINE_END = START_US + 6 * DAY_US


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "cell.db") as opened:
        fill(opened, faces_of("K1", 160, np.random.default_rng(90), jump_at=120, jump=1.7), events_of("K1", 160))
        yield opened


def freeze(store, **options):
    asked = {"lap": "K1", "sign": "minutes", "who": "Q. Reed", "why": "first stable week", "until_us": BASELINE_END}
    return freeze_limits(store, SITE, **asked | options)


def day(store, k, **options):
    return replay_day(store, since_us=START_US + k * DAY_US, until_us=START_US + (k + 1) * DAY_US, **options)


def test_freezes_and_shows(store):
    done = freeze(store)
    assert (done.status, done.revision) == ("frozen", 1)
    shown = show_revision(store, lap="K1", sign="minutes")
    assert shown.same_data
    assert shown.record.who == "Q. Reed"
    assert shown.record.fingerprint == shown.revision.model.fingerprint
    assert shown.revision.model == done.analysis.model
    assert shown.need.status == "needed"  # minutes grew by two thirds
    assert shown.record.valid_from > iso_of(BASELINE_END - DAY_US)


def test_a_late_run_of_signals_is_told_beside_a_law_that_is_unchanged_as_a_whole(tmp_path):
    with Store.open(tmp_path / "late.db") as store:
        fill(store, faces_of("K1", 160, np.random.default_rng(90), jump_at=157, jump=1.5), events_of("K1", 160))
        freeze(store)
        shown = show_revision(store, lap="K1", sign="minutes")
        seen = replay_day(store, since_us=BASELINE_END, until_us=START_US + 30 * DAY_US)
    called = len({signal.face_id for signal in seen.signals})
    assert shown.need.status == "not needed" and called == 2
    assert f"That does not clear the {called} of them that signal on the chart" in shown.need.sentence


def test_each_part_has_its_own_limit_where_parts_differ(store):  # second way: the law that the part's own faces follow
    done = freeze(store)
    model = done.analysis.model
    of_part, law = model.part_limits, model.norm.law()
    assert set(of_part) == {"gauge pin", "ring seal"} and of_part["gauge pin"] > 1.3 * of_part["ring seal"]
    for part, limit in of_part.items():
        assert limit == pytest.approx(float(law.isf(model.rules.alpha)) * model.norm.part_factors[part])
    ends = [f"{of_part[part]:.3g} min ({part})" for part in ("ring seal", "gauge pin")]
    assert f"limits by part, from {ends[0]} to {ends[1]}; judges" in done.sentence
    one = [face for face in model.face_ids if face % 2]  # all faces of the ring seal
    alike = freeze(store, excluded=dict.fromkeys(one, "another chart"), knowingly=True)
    assert alike.analysis.model.part_limits == {} and f"limit {alike.analysis.model.limit:.3g} min;" in alike.sentence


def test_widths_come_from_the_budget(store):
    freeze(store)
    rules = show_revision(store, lap="K1", sign="minutes", number=1).revision.model.rules
    plan = budget_of_cell(store, SITE)
    assert 0 < rules.alpha < plan.widths.alpha  # widened for the luck of the list
    assert rules.points_between == plan.widths.points_between
    assert plan.charts == 3  # flatness, minutes, removal rate
    assert plan.expected_per_week <= 1.0


def test_a_past_day_gives_the_same_signals_after_more_data_and_from_another_process(store, tmp_path):
    freeze(store)
    before = day(store, 10)
    assert len(before.signals) > 0
    more = faces_of("K1", 40, np.random.default_rng(91), start_us=START_US + 20 * DAY_US)
    fill(store, more.assign(serial=[f"T{k}" for k in range(40)]), events_of("K1", 40, start_us=START_US + 20 * DAY_US))
    freeze(store, since_us=START_US + 10 * DAY_US, until_us=START_US + 13 * DAY_US, why="new slurry", knowingly=True)
    after = day(store, 10)
    assert after.digest == before.digest
    assert after.signals == before.signals
    script = (
        "import sys; from spc.store.store import Store; from spc.board.frozen_limits import replay_day\n"
        f"print(replay_day(Store.open(sys.argv[1]), since_us={START_US + 10 * DAY_US}, "
        f"until_us={START_US + 11 * DAY_US}).digest)"
    )
    other = subprocess.run(
        [sys.executable, "-c", script, str(store.path)], capture_output=True, text=True, check=True, timeout=60
    )
    assert other.stdout.strip() == before.digest


def test_a_past_day_says_of_one_face_that_it_was_corrected(store):
    freeze(store)
    faces = store.faces(lap="K1")
    of_day = faces[(faces["sort_us"] >= START_US + 10 * DAY_US) & (faces["sort_us"] < START_US + 11 * DAY_US)]
    store.correct_face(int(of_day["face_id"].iloc[0]), {"minutes": 99.0}, who="Q. Reed", reason="misread")
    said = day(store, 10).sentence
    assert "1 face of that day or before was corrected or came in later and does not count here" in said


def test_a_past_day_gives_the_same_signals_after_corrections_late_rows_and_late_events(store):
    freeze(store)
    before = day(store, 10)
    faces = store.faces(lap="K1")
    of_day = faces[(faces["sort_us"] >= START_US + 10 * DAY_US) & (faces["sort_us"] < START_US + 11 * DAY_US)]
    first, second, third = (int(face) for face in of_day["face_id"].iloc[:3])
    store.correct_face(first, {"minutes": 99.0}, who="Q. Reed", reason="misread")
    store.correct_face(first, {"minutes": 98.0}, who="Q. Reed", reason="misread again")
    store.withdraw_face(second, who="Q. Reed", reason="not lapped")
    store.correct_face(third, {"lap": "K2"}, who="Q. Reed", reason="the other lap")
    late = {"minutes": 77.0, "part": "ring seal", "serial": "late", "face": "A"}
    moment = pd.Timestamp(START_US + 10 * DAY_US + 60_000_000, unit="us", tz="UTC")
    store.append_face({"lap": "K1", "time_utc": moment} | late, who="B. Loom")
    store.append_event({"lap": "K1", "event": "reconditioned", "time_utc": moment}, who="B. Loom")
    event = int(store.events(lap="K1")["event_id"].iloc[0])
    store.withdraw_event(event, who="B. Loom", reason="did not happen")
    after = day(store, 10)
    assert (after.signals, after.digest, after.faces) == (before.signals, before.digest, before.faces)
    assert (before.since, after.since) == (0, 4)
    assert "4 faces of that day or before were corrected or came in later" in after.sentence
    today = day(store, 10, as_corrected=True)
    assert today.digest != before.digest and today.since == 0
    assert any(s.face_id == first and s.low == 98.0 for s in today.signals)


def test_the_newest_day_and_the_day_of_a_late_freeze(store):
    face = int(store.faces(lap="K1")["face_id"].iloc[-1])
    freeze(store)
    newest = day(store, 13)
    assert newest.faces > 0
    store.correct_face(face, {"minutes": 1.0}, who="Q. Reed", reason="misread")
    assert day(store, 13).digest == newest.digest  # no later face yet: as it stood when its newest face came in
    earlier = int(store.faces(lap="K1")["face_id"].iloc[100])
    store.correct_face(earlier, {"minutes": 90.0}, who="Q. Reed", reason="misread")
    other = freeze(store, sign="flatness", knowingly=True)  # frozen after the correction: it counts there
    assert other.status == "frozen"
    assert day(store, 13, sign="flatness").since == 0
    assert day(store, 13, sign="minutes").since == 2


def test_frozen_revisions_never_change_and_the_past_is_never_drawn_again(store):
    freeze(store)
    first = store.baselines(lap="K1", sign="minutes")[0]
    with pytest.raises(ValueError, match="what has been judged is not judged again"):
        freeze(store, valid_from_us=START_US + 8 * DAY_US)
    again = freeze(store, since_us=START_US + 10 * DAY_US, until_us=None, why="new slurry", knowingly=True)
    assert again.revision == 2
    assert store.baselines(lap="K1", sign="minutes")[0] == first


def test_doubts_freeze_nothing_unless_known(tmp_path):
    asked = {"until_us": None, "why": "everything"}  # holds a jump within a cycle
    with Store.open(tmp_path / "jump.db") as store:
        fill(store, faces_of("K1", 160, np.random.default_rng(90), jump_at=100, jump=1.7), events_of("K1", 160))
        done = freeze(store, **asked)
        assert done.status == "doubtful"
        assert done.sentence.startswith("Nothing frozen: the list is not of one state, likely since ")
        assert done.sentence.endswith(").")
        assert store.baselines(lap="K1", sign="minutes") == ()
        assert freeze(store, **asked, knowingly=True).status == "frozen"
        assert "not of one state" in " ".join(store.baselines()[0].model["remarks"])


def test_a_jump_with_a_new_cycle_of_few_is_told_and_may_be_a_cycle_that_differs(store):
    done = freeze(store, until_us=None, why="everything")
    assert done.status == "frozen"
    assert "may be no more than cycles that differ" in " ".join(done.analysis.remarks)


def test_a_corrected_reading_of_the_list_is_told(store):
    freeze(store)
    face = show_revision(store, lap="K1", sign="minutes").revision.model.face_ids[5]
    store.correct_face(face, {"minutes": 99.0}, who="Q. Reed", reason="misread")
    shown = show_revision(store, lap="K1", sign="minutes")
    assert not shown.same_data
    assert "corrected since it was frozen" in shown.changed


def test_too_few_readings_are_refused_in_words(store):
    done = freeze(store, last=5)
    assert (done.status, done.revision) == ("refused", 0)
    assert "5 readings of lapping time at first pass are too few" in done.sentence


def test_days_without_limits_say_so(store):
    assert "no limits are frozen, so nothing was judged" in day(store, 10).sentence
    freeze(store)
    assert "on 12 no limits were valid" in day(store, 2, day="7 January").sentence


def test_refusals(store):
    with pytest.raises(ValueError, match="`who` and `why` must be said"):
        freeze(store, who=" ")
    with pytest.raises(ValueError, match="no readings of lapping time at first pass on lap 'K9'"):
        freeze(store, lap="K9")
    with pytest.raises(ValueError, match="no limits are frozen, got revision newest"):
        show_revision(store, lap="K1", sign="flatness")


def test_moments():
    assert moment_us("2026-01-05T09:00") == START_US
    assert moment_us("2026-01-05T10:00", "Europe/Berlin") == START_US
    assert moment_us("2026-01-05T10:00+01:00") == START_US
    assert iso_of(START_US) == pd.Timestamp("2026-01-05 09:00", tz="UTC").isoformat()
    with pytest.raises(ValueError, match="`moment` must be an ISO date or time"):
        moment_us("yesterday")


def test_an_empty_store_has_no_budget(tmp_path):
    with Store.open(tmp_path / "empty.db") as empty:
        assert budget_of_cell(empty, SITE).status == "no points"


def test_a_guaranteed_limit_is_wider_and_says_what_it_then_does(store):
    plain = freeze(store, sign="flatness", knowingly=True).analysis.model
    done = freeze(store, sign="flatness", knowingly=True, guarantee=True, why="wider", until_us=BASELINE_END)
    wide = done.analysis.model
    assert wide.limit > plain.limit and wide.rules.alpha < plain.rules.alpha
    assert wide.limit == pytest.approx(wide.norm.law().isf(wide.rules.alpha))
    assert wide.rules.points_between > plain.rules.points_between
    assert wide.rules.sees_two_sd >= plain.rules.sees_two_sd
    assert "the limit is widened: for 90% of such lists" in " ".join(done.analysis.remarks)
    with pytest.raises(ValueError, match="`guarantee` goes with signs of which more is worse"):
        freeze(store, sign="removal rate", guarantee=True, knowingly=True)
