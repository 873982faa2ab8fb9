import numpy as np
import pandas as pd
import pytest

from spc.wear.recondition_plan import plan_recondition


def cycles(n, seed=1):
    life = np.ceil(60 * np.random.default_rng(seed).weibull(3, n))
    return pd.DataFrame(
        {
            "start_known": True,
            "faces": life,
            "minutes": 3 * life,
            "minutes_missing": 0.0,
            "low_faces": life,
            "high_faces": life,
            "ended": "due",
        }
    )


def plan(frame, **options):
    rng = np.random.default_rng(2)
    return plan_recondition(frame, rng=rng, **({"planned_cost": 1, "worn_cost": 5} | options))


def test_a_plan_from_past_cycles():
    found = plan(cycles(40))
    assert found.age.status == "range"
    assert found.age.flat_low < 30 < found.age.flat_high  # 0.503 of the scale for shape 3 and ratio 5
    assert (
        found.sentence.endswith("(40 worn, 0 taken off before that, 0 running.)") or "law, as likely" in found.sentence
    )
    assert found.curve.method == "Kaplan-Meier"
    assert "By the Weibull law, as likely: " in plan(cycles(12)).sentence


def test_minutes_scale_with_faces():
    faces, minutes = plan(cycles(200)), plan(cycles(200), clock="minutes")
    assert minutes.age.age == pytest.approx(3 * faces.age.age, rel=0.15)
    assert "minutes" in minutes.sentence


def test_it_is_said_where_no_cycle_was_seen_worn_so_early():
    past = cycles(40)
    first = int(past["faces"].min())
    said = f"No cycle was found worn before {first} faces: what an earlier age costs is the word of the law of life"
    dear = plan(past, worn_cost=1000)
    assert dear.age.age < first and said in dear.sentence
    assert "the word of the law" not in plan(past, worn_cost=2).sentence


def test_the_shortest_age_is_one_face_by_either_clock():
    for clock, least in (("faces", 1), ("minutes", 3)):
        found = plan(cycles(40), worn_cost=1e9, clock=clock)
        assert found.age.status == "after every face" and found.age.age == pytest.approx(least)


def test_few_cycles_are_counted_and_none_is_borne():
    few = plan(cycles(3))
    assert few.age.status == few.curve.status == "counts only"
    assert few.sentence.startswith("No age can be told: 3 of 3 cycles ended worn")
    assert plan(cycles(3).iloc[:0]).age.status == "counts only"
