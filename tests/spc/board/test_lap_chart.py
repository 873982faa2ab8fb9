import re
from dataclasses import replace

import numpy as np
import pytest

from spc.board import lap_chart
from spc.board.frozen_limits import freeze_limits
from spc.board.lap_chart import chart_of_lap
from spc.chart.replay import DRIFTING, signals_of
from spc.settings import Settings
from spc.store.store import Store
from tests.spc.board.invented_cell import BAND_UM, DAY_US, START_US, events_of, faces_of, fill

SITE = Settings()


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "cell.db") as opened:
        fill(opened, faces_of("K1", 160, np.random.default_rng(95), jump_at=120, jump=1.6), events_of("K1", 160))
        yield opened


def freeze(store, sign="minutes"):
    return freeze_limits(
        store,
        SITE,
        lap="K1",
        sign=sign,
        who="Q. Reed",
        why="first week",
        until_us=START_US + 6 * DAY_US,
        knowingly=True,
    )


def test_a_chart_says_method_baseline_attained_rate_and_what_it_sees(store):
    freeze(store)
    report = chart_of_lap(store, "K1", "minutes", SITE)
    assert report.status == "frozen"
    assert "law by interval likelihood, each part against its own usual size" in report.method
    assert "limits revision 1, frozen by Q. Reed: first week; 72 faces" in report.baseline
    assert "By chance 1 face in" in report.alarms
    assert "8 of 10 such baselines give between 1 in" in report.alarms
    assert report.sees.startswith("Sees a lasting upward shift of ")
    assert " min by part after about " in report.sees
    assert min(s.face_id for s in report.signals if s.face_id > 120) <= 124
    assert 121 in report.change_faces
    assert "judged faces signal" in report.sentence


def test_limits_that_begin_after_the_newest_face_have_judged_none(store):
    freeze_limits(store, SITE, lap="K1", sign="minutes", who="Q. Reed", why="all of it", knowingly=True)
    report = chart_of_lap(store, "K1", "minutes", SITE)
    assert report.status == "frozen"
    assert report.sentence == "160 readings, none judged yet: the limits begin after the newest of them."


def test_frozen_limits_say_that_a_fault_was_found_later_at_faces_they_rest_on(store):
    freeze(store)
    faces = store.faces(lap="K1")["face_id"].tolist()
    number = store.record_signal(
        lap="K1", sign="minutes", rule="drift", severity="look", sentence="", face_id=faces[12],
        detail={"since_face_id": faces[8]},
    )  # fmt: skip
    store.answer_signal(number, check_done="", cause="glazed lap", action="dressed", result="", who="Q. Reed")
    said = "first week; a fault was found at 5 of its faces: freeze anew without them; 72 faces"
    assert said in chart_of_lap(store, "K1", "minutes", SITE).baseline


def test_a_drift_just_beyond_its_limit_is_told_with_the_digits_that_show_it(store):
    freeze(store)
    judged = chart_of_lap(store, "K1", "minutes", SITE).replayed
    drifting = next(s for s in signals_of(judged) if s.rule == DRIFTING)
    average = judged.average.copy()
    average[drifting.position] = judged.average_limit[drifting.position] * 1.0003
    told = lap_chart._signal(replace(judged, average=average), drifting, None).sentence
    shown, limit = (float(v) for v in re.search(r"average ([\d.]+) sd, limit ([\d.]+) sd", told).groups())
    assert shown > limit


def test_flatness_is_said_in_the_bands_it_was_read_in(store):
    freeze(store, "flatness")
    report = chart_of_lap(store, "K1", "flatness", SITE)
    assert report.unit.name == "bands"
    assert report.unit.um_per_unit == pytest.approx(BAND_UM, abs=0.0001)
    assert "bands after about" in report.sees


def test_without_frozen_limits_trial_limits_are_named_so(store):
    report = chart_of_lap(store, "K1", "minutes", SITE)
    assert report.status == "trial"
    assert "not frozen" in report.baseline


def test_a_part_is_shown_but_judged_among_all(store):
    freeze(store)
    whole, part = (chart_of_lap(store, "K1", "minutes", SITE, part=p) for p in ("", "ring seal"))
    keep = whole.replayed.stream.part == "ring seal"
    assert part.replayed.average.tolist() == pytest.approx(whole.replayed.average[keep].tolist(), nan_ok=True)
    assert part.baseline == whole.baseline
    assert {s.face_id for s in part.signals} == {s.face_id for s in whole.signals if (s.face_id - 1) % 2 == 0}


def test_a_rule_turned_on_shows_its_price(store):
    freeze(store)
    extra = chart_of_lap(store, "K1", "minutes", SITE, rules=["far out"]).extra[0]
    assert "a false alarm every" in extra.price
    assert set(extra.face_ids) <= set(range(73, 161))
    assert len(extra.face_ids) > 5
    assert len(extra.faces) == len(extra.face_ids) and all(" of its cycle (" in face for face in extra.faces)


def test_a_sign_without_readings_says_so(store):
    report = chart_of_lap(store, "K1", "finish", SITE)
    assert report.status == "no limits"
    assert "no readings of finish" in report.baseline
    assert report.signals == ()


def test_refuses_strangers(store):
    with pytest.raises(ValueError, match="`lap` must be a lap of the store, got 'K9'; known are K1"):
        chart_of_lap(store, "K9", "minutes", SITE)
    with pytest.raises(ValueError, match="`sign` must be one of flatness"):
        chart_of_lap(store, "K1", "colour", SITE)
    with pytest.raises(ValueError, match="`name` must be one of 'beyond the limit'"):
        chart_of_lap(store, "K1", "minutes", SITE, rules=["loud"])


@pytest.mark.parametrize(
    ("n", "said"),
    [
        (1, "1 reading is too few to freeze as a baseline, 12 are needed"),
        (11, "11 readings are too few to freeze as a baseline, 12 are needed"),
        (12, "its 12 readings can be frozen as a baseline"),
    ],
)
def test_a_freezing_is_advised_of_no_fewer_readings_than_it_takes(tmp_path, n, said):
    with Store.open(tmp_path / "few.db") as few:
        fill(few, faces_of("K1", n, np.random.default_rng(3)), events_of("K1", n))
        assert said in chart_of_lap(few, "K1", "minutes", SITE).baseline
        if n == 11:
            done = freeze_limits(few, SITE, lap="K1", sign="minutes", who="Q. Reed", why="trial", knowingly=True)
            assert done.status != "frozen" and "too few" in done.sentence
