import re

import numpy as np
import pandas as pd
import pytest

from spc.wear.cycle import number_cycles
from spc.wear.missing_event import suggest_missing_events
from spc.wear.signs import face_signs
from tests.spc.wear.made_up_log import events_frame, faces_frame, hours


def suggest(flatness, minutes=None, events=(), *, part=(), grit=()):
    minutes = np.full(len(flatness), 3.0) if minutes is None else minutes
    rows = [
        {"flatness_um": float(f), "minutes": float(m), "sort_us": hours(i)}
        for i, (f, m) in enumerate(zip(flatness, minutes, strict=True))
    ]
    for name, told in (("part", part), ("grit", grit)):
        for row, value in zip(rows, told, strict=False):
            row[name] = value
    numbered = number_cycles(faces_frame(rows), events_frame(list(events)))
    return suggest_missing_events(face_signs(numbered), numbered)


def sawtooth(rng, n=40, cut=22, rise=0.05, noise=0.15):
    age = np.arange(n)
    return 0.2 * np.exp(rise * np.where(age < cut, age, age - cut) + rng.normal(0, noise, n))


def test_a_reconditioning_left_out_is_found_where_it_was():
    found = suggest(sawtooth(np.random.default_rng(1)))
    assert len(found) == 1
    assert (found[0].after_face_id, found[0].before_face_id) == (22, 23)
    assert found[0].signs == ("flatness",)
    assert found[0].sentence.endswith("Was it? Say yes or no.")


def test_two_and_six_in_a_row_are_asked_one_by_one():
    for count in (2, 6):
        age = np.tile(np.arange(24), count + 1)
        found = suggest(0.2 * np.exp(0.05 * age + np.random.default_rng(count).normal(0, 0.15, age.size)))
        assert [one.before_face_id for one in found] == [24 * k + 1 for k in range(1, count + 1)]
        assert [one.age_faces for one in found] == [24 * k for k in range(1, count + 1)]
        assert len({one.sentence for one in found}) == count


def test_once_logged_nothing_is_suggested():
    flatness = sawtooth(np.random.default_rng(1))
    assert suggest(flatness, events=[{"event": "reconditioned", "sort_us": hours(21.5)}]) == ()


def steady(rng, cycles, n=36, noise=0.12):
    """Cycles that wear evenly, every reconditioning in the log but for none: the flatness and the events."""
    age = np.tile(np.arange(n), cycles)
    events = [{"event": "reconditioned", "sort_us": hours(n * k - 0.5)} for k in range(1, cycles)]
    return (0.15 + 0.012 * age) * np.exp(rng.normal(0, noise, age.size)), events


@pytest.mark.parametrize("batch", [9, 12, 18])
@pytest.mark.parametrize("parts", [6, 1000])
def test_part_numbers_in_batches_hide_no_reconditioning(batch, parts):
    """A part number lapped only late in a cycle reads high for the age of the lap, not for the part."""
    for seed in range(4):
        flatness, events = steady(np.random.default_rng(seed), 5)
        part = [f"P{k // batch % parts}" for k in range(flatness.size)]
        assert suggest(flatness, events=events, part=part) == ()


def test_a_new_part_number_half_way_hides_none_and_a_large_one_neither():
    for seed, times in [(seed, times) for seed in range(4) for times in (0.6, 1.0, 1.5)]:
        flatness, _ = steady(np.random.default_rng(seed), 1, n=30)
        part = np.where(np.arange(30) < 15, "P1", "P9")
        assert suggest(flatness * np.where(part == "P9", times, 1.0), part=part.tolist()) == ()


def test_one_left_out_is_found_among_part_numbers_that_differ():
    rng = np.random.default_rng(7)
    part = rng.choice(["P1", "P2", "P3"], size=40)
    size = np.select([part == "P1", part == "P2"], [0.6, 1.0], 1.7)
    (found,) = suggest(sawtooth(rng) * size, part=part.tolist())
    assert abs(found.before_face_id - 23) <= 1


def test_a_change_of_grit_is_no_reconditioning_whether_logged_or_seen_on_the_faces():
    for seed in range(4):
        flatness, events = steady(np.random.default_rng(seed), 4)
        at = np.arange(flatness.size) % 36
        grit = np.where(at < 18, "15 um", "9 um")
        flatness = flatness * np.where(at < 18, 1.0, 0.55)
        changes = [{"event": "grit changed", "sort_us": hours(36 * k + 17.5)} for k in range(4)]
        assert suggest(flatness, events=events, grit=grit.tolist()) == ()
        assert suggest(flatness, events=events + changes, grit=grit.tolist()) == ()


def test_minutes_that_fall_at_a_charge_miss_nothing():
    rng = np.random.default_rng(2)
    flatness, minutes = np.full(40, 0.3), 10 * sawtooth(rng)
    assert suggest(flatness, minutes)[0].signs == ("minutes",)
    assert suggest(flatness, minutes, [{"event": "recharged", "sort_us": hours(21.5)}]) == ()


def test_falls_are_found_and_sound_cycles_left_alone_as_stated():
    # Honesty by simulation: half-band readings, cycles that wear and cycles that do not; bound = 4 standard errors.
    rng = np.random.default_rng(3)
    runs = 400
    step = 0.147

    def read(true):
        return np.maximum(np.round(true / step), 0.5) * step

    def suggested(paths):
        n = len(paths[0])
        flatness = np.concatenate([read(path) for path in paths])
        signs = pd.DataFrame(
            {
                "face_id": np.arange(flatness.size), "lap": np.repeat(np.arange(len(paths)).astype(str), n),
                "cycle": 1, "stream": 1, "age_faces": np.tile(np.arange(n), len(paths)), "first_low_um": flatness,
                "first_high_um": flatness, "minutes_ratio": rng.lognormal(0, 0.3, flatness.size), "time_text": "",
                "part": "P1", "faces_since_charge": 9,
            }
        )  # fmt: skip
        return len(suggest_missing_events(signs, signs))

    wear = np.arange(30) * np.repeat([0.0, 0.03], runs)[:, None]
    false = suggested(list(0.3 * np.exp(wear + rng.normal(0, 0.4, wear.shape)))) / (2 * runs)
    assert false <= 0.02 + 4 * (0.02 / (2 * runs)) ** 0.5
    assert suggested([1.5 * sawtooth(rng, rise=0.06, noise=0.3) for _ in range(60)]) / 60 >= 0.8


@pytest.mark.parametrize("n", [1, 5, 11])
def test_short_cycles_say_nothing(n):
    assert suggest(np.full(n, 0.3)) == ()


def test_only_the_sign_that_fell_there_is_named():
    """Flatness starts again at face 20, minutes at face 40: minutes alone may be a charge, where flatness tells."""
    rng = np.random.default_rng(5)
    flatness, minutes = sawtooth(rng, n=60, cut=20, rise=0.06, noise=0.1), 10 * sawtooth(rng, n=60, cut=40, noise=0.1)
    (found,) = suggest(flatness, minutes)
    assert found.signs == ("flatness",) and "minutes" not in found.sentence
    assert found.before_face_id == 21
    (both,) = suggest(sawtooth(rng, n=60, cut=40), 10 * sawtooth(rng, n=60, cut=40, rise=0.03))
    assert both.signs == ("flatness", "minutes")
    falls = [int(share) for share in re.findall(r"fell by (\d+)%", both.sentence)]
    assert falls[0] == pytest.approx(100 * (1 - np.exp(-2.0)), abs=6)
    assert falls[1] == pytest.approx(100 * (1 - np.exp(-1.2)), abs=8)
