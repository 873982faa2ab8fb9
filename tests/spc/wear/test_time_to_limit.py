from dataclasses import replace

import numpy as np
import pytest

from spc.wear.path_shape import SHAPES
from spc.wear.pooled import fit_alone, fit_pooled
from spc.wear.time_to_limit import CROSSINGS, _counted, time_to_limit, times_to_limit, usual_band
from spc.wear.wear_path import wear_path

SEED = 7


def rng():
    return np.random.default_rng(SEED)


def cycle(label, draw, *, faces=22, slope=0.06, slope_sd=0.01, noise=0.1, start=0.7):
    age = np.arange(1.0, faces + 1)
    line = start + 0.1 * draw.normal() + (slope + slope_sd * draw.normal()) * age
    return wear_path(label, age, line + noise * draw.normal(size=faces))


@pytest.fixture(scope="module")
def pooled():
    draw = np.random.default_rng(1)
    return fit_pooled([cycle(f"cycle {i}", draw) for i in range(11)], limit=2.0, rng=rng())


NEW = wear_path("this cycle", [], [])


def test_three_own_faces_and_what_is_borrowed(pooled):
    answer = time_to_limit(pooled, wear_path("now", [1, 2, 3], [0.8, 0.8, 0.9]), limit=2.0, rng=rng())
    assert answer.status == "range" and answer.borrowed == "3 faces of its own, the rest from 11 past cycles"
    assert 0 < answer.low < answer.median < answer.high
    assert answer.low < (2.0 - 0.7) / 0.06 - 3 < answer.high
    assert answer.sentence == f"{answer.low:.0f} to {answer.high:.0f} faces left"


def test_a_new_lap_borrows_everything(pooled):
    answer = time_to_limit(pooled, NEW, limit=2.0, rng=rng())
    assert answer.status == "range" and answer.own_readings == 0
    assert answer.borrowed.startswith("no face of its own yet, the rest from 11 past cycles")
    assert answer.low < 21.7 < answer.high  # (2.0 - 0.7) / 0.06


def test_own_faces_narrow_the_range(pooled):
    draw = np.random.default_rng(4)
    long = cycle("now", draw, faces=14, slope_sd=0)
    few = time_to_limit(pooled, replace(long, age=long.age[:3], low=long.low[:3], high=long.high[:3],
                                        sign_known=long.sign_known[:3]), limit=2.0, rng=rng())  # fmt: skip
    many = time_to_limit(pooled, long, limit=2.0, rng=rng())
    assert many.high - many.low < few.high - few.low


def test_a_fast_cycle_has_fewer_left_than_a_slow_one(pooled):
    age = np.arange(1.0, 9)
    fast = time_to_limit(pooled, wear_path("fast", age, 0.7 + 0.10 * age), limit=2.0, rng=rng())
    slow = time_to_limit(pooled, wear_path("slow", age, 0.7 + 0.03 * age), limit=2.0, rng=rng())
    assert fast.high < slow.median


def test_next_face_comes_before_the_path(pooled):
    own = wear_path("now", [1, 2, 3], [0.8, 0.8, 0.9])
    path = time_to_limit(pooled, own, limit=2.0, crossing="path", rng=rng())
    face = time_to_limit(pooled, own, limit=2.0, crossing="next face", rng=rng())
    assert face.median < path.median


def test_range_of_the_known_law_is_met():
    # Second route: with many past cycles a new cycle's crossing follows the law they were drawn from.
    draw = np.random.default_rng(2)
    past = [cycle(f"c{i}", draw, faces=30, noise=0.05) for i in range(80)]
    answer = time_to_limit(fit_pooled(past, rng=rng()), NEW, limit=2.0, rng=rng())
    line = np.random.default_rng(3).normal(size=(200_000, 2))
    truth = (2.0 - 0.7 - 0.1 * line[:, 0]) / (0.06 + 0.01 * line[:, 1])
    assert [answer.low, answer.median, answer.high] == pytest.approx(np.quantile(truth, [0.05, 0.5, 0.95]), rel=0.08)


def test_flat_wear_is_open_ended():
    draw = np.random.default_rng(5)
    flat = [cycle(f"c{i}", draw, slope=0.0, slope_sd=0.001) for i in range(8)]
    answer = time_to_limit(fit_pooled(flat, rng=rng()), cycle("now", draw, slope=0.0, slope_sd=0), limit=5.0, rng=rng())
    assert answer.high is None and answer.sentence.startswith("more than") and answer.sentence.endswith("faces left")


def test_falling_wear_is_answered_in_words():
    draw = np.random.default_rng(5)
    falling = [cycle(f"c{i}", draw, slope=-0.02, slope_sd=0.002, start=2) for i in range(8)]
    answer = time_to_limit(fit_pooled(falling, rng=rng()), falling[0], limit=4.0, rng=rng())
    assert answer.status == "range" and answer.high is None and "more than" in answer.sentence


def test_already_over(pooled):
    own = wear_path("now", [14, 15, 16, 17, 18, 19], [2.2, 2.3, 2.3, 2.4, 2.4, 2.5])
    answer = time_to_limit(pooled, own, limit=2.0, rng=rng())
    assert answer.status == "over" and answer.low == answer.median == answer.high == 0
    assert answer.sentence == "no faces left: the wear path is at the limit" and answer.fan is not None


def test_one_reading_at_the_limit_does_not_put_the_path_there(pooled):
    age = np.arange(1.0, 11)
    own = wear_path("now", age, np.append(0.7 + 0.06 * age[:-1], 2.1))  # 1.3 is what the others foretell
    both = times_to_limit(pooled, own, limit=2.0, rng=rng())
    assert both["path"].status == both["next face"].status == "range" and both["path"].median > 3
    by_reading = time_to_limit(pooled, own, limit=2.0, crossing="reading", rng=rng())
    assert by_reading.status == "over" and by_reading.sentence == "the last reading is at or over the limit"


def test_path_near_the_limit_says_how_sure_it_is(pooled):
    age = np.arange(1.0, 22)
    answer = time_to_limit(pooled, wear_path("now", age, 0.7 + 0.063 * age), limit=2.0, rng=rng())
    assert answer.status == "over" and answer.low == answer.median == 0 < answer.high
    most = "1 face" if f"{answer.high:.0f}" == "1" else f"{answer.high:.0f} faces"
    assert answer.sentence == f"the wear path is more likely than not at the limit already; at most {most} left"


@pytest.mark.parametrize(
    ("unit", "said"),
    [("faces", "1 face"), ("passes", "1 pass"), ("ms", "1 ms"), ("s", "1 s"), ("min", "1 min"), ("cycles", "1 cycle")],
)
def test_one_of_a_unit_is_told_in_the_singular_and_a_symbol_as_it_stands(unit, said):
    assert _counted("1", unit) == said


def test_a_figure_that_rounds_to_none_is_told_as_none_left(pooled):
    """Ages in hundredths of a face: whatever is left of the same paths is less than half a face."""
    fine = fit_pooled([replace(p, age=p.age / 100) for p in pooled.past], rng=rng())
    age = np.arange(1.0, 22)
    words = {"over": "the wear path is more likely than not at the limit already", "range": CROSSINGS["path"]}
    for status, slope in (("over", 0.063), ("range", 0.06)):
        own = wear_path("now", age / 100, 0.7 + slope * age)
        told = time_to_limit(fine, own, limit=2.0, horizon=30.0, rng=rng())
        assert 0 < told.high < 0.5 and told.status == status
        assert told.sentence == f"no faces left: {words[status]}"


@pytest.mark.parametrize(("unit", "whole"), [("faces", True), ("passes", True), ("min", False)])
def test_faces_are_told_whole_also_where_cycles_are_short(pooled, unit, whole):
    short = fit_pooled([replace(p, age=p.age / 20) for p in pooled.past], rng=rng())
    for slope in (0.03, 0.06, 0.063):
        own = wear_path("now", np.arange(1.0, 22) / 20, 0.7 + slope * np.arange(1.0, 22))
        told = time_to_limit(short, own, limit=2.0, horizon=5.0, unit=unit, rng=rng())
        assert ("." in told.sentence) is not whole and 0 < told.high < 5


def test_crossings_asked_together_share_their_paths(pooled):
    own = wear_path("now", [1, 2, 3], [0.8, 0.8, 0.9])
    both = times_to_limit(pooled, own, limit=2.0, rng=rng())
    alone = time_to_limit(pooled, own, limit=2.0, rng=rng())
    assert np.array_equal(both["path"].draws, alone.draws) and both["next face"].fan is both["path"].fan
    assert np.mean(both["next face"].draws <= both["path"].draws) > 0.99
    with pytest.raises(ValueError, match="`crossings` must be 'reading' alone"):
        times_to_limit(pooled, own, limit=2.0, crossings=("path", "reading"), rng=rng())


def test_usual_band_is_the_law_of_a_new_cycle(pooled):
    band = usual_band(pooled, horizon=20.0, rng=rng())
    at = np.searchsorted(band.age, 10.0)
    assert band.median[at] == pytest.approx(0.7 + 0.06 * band.age[at], abs=0.1) and band.age[-1] == 20
    assert (band.low < band.median).all() and (band.median < band.high).all()


def test_usual_band_of_a_group_with_covariates_is_over_the_cycles_it_had():
    """Half the cycles wear twice as fast: a new one of either kind is usual, and the band holds both."""
    draw, age = rng(), np.arange(1.0, 21)
    past = [
        wear_path(f"c{i}", age, 0.5 + 0.05 * load * age + 0.05 * draw.normal(size=20), covariates=[load])
        for i, load in enumerate([1.0, 2.0] * 4)
    ]
    fit = fit_pooled(past, shapes=SHAPES[:1], rng=draw)
    assert fit.shapes[0].with_covariates
    band = usual_band(fit, horizon=20.0, rng=draw)
    assert band.low[-1] == pytest.approx(1.5, abs=0.15) and band.high[-1] == pytest.approx(2.5, abs=0.15)
    alone = fit_alone(past[0], rng=draw)
    assert usual_band(alone, horizon=20.0, rng=draw).age[-1] == 20


def test_missing_limit_is_refused_with_its_cure(pooled):
    answer = time_to_limit(pooled, NEW, limit=float("nan"), rng=rng())
    assert answer.status == "refused" and "enter its limit" in answer.sentence and answer.median is None


def test_no_past_cycles_at_all():
    answer = time_to_limit(fit_pooled([], rng=rng()), NEW, limit=2.0, rng=rng())
    assert answer.status == "refused" and "no past cycle with readings at two ages" in answer.sentence
    assert answer.sentence.endswith("; log one cycle from its beginning to its end")


@pytest.mark.parametrize(
    ("ages", "enough"),
    [((), "log 6 more"), ((3,), "log 5 more"), ((1, 2, 3), "log 3 more"), ((5, 5), "log one at another")],
)
def test_too_few_readings_of_its_own_are_refused_with_how_many_more_are_enough(ages, enough):
    own = wear_path("L1", ages, [1.0] * len(ages))
    answer = time_to_limit(fit_alone(own, rng=rng()), own, limit=2.0, rng=rng())
    assert answer.status == "refused" and answer.sentence.endswith(f"; {enough}")


def test_one_past_cycle_is_enough_for_a_wide_answer():
    draw = np.random.default_rng(1)
    answer = time_to_limit(fit_pooled([cycle("only", draw)], rng=rng()), NEW, limit=2.0, rng=rng())
    assert answer.status == "range" and answer.borrowed.endswith("the rest from 1 past cycle")
    assert answer.low < 21.7 and (answer.high is None or answer.high > 21.7)


def test_first_cycle_of_all_answers_from_itself():
    own = cycle("first", np.random.default_rng(9), faces=12, slope_sd=0)
    answer = time_to_limit(fit_alone(own, rng=rng()), own, limit=2.0, rng=rng())
    assert answer.status == "range" and answer.past_cycles == 0 and answer.low < 9.7
    assert answer.borrowed == "12 faces of its own, no past cycle to borrow from"


def test_signed_bow_turning_concave_is_seen():
    draw = np.random.default_rng(6)
    past = [cycle(f"c{i}", draw, start=-1.0, slope=0.08, faces=30) for i in range(8)]
    age = np.arange(1.0, 9)
    own = wear_path("now", age, -1 - 0.1 * age)  # goes the other way: the concave limit comes first
    answer = time_to_limit(fit_pooled(past, rng=rng()), own, limit=2.0, lower_limit=-2.0, rng=rng())
    assert answer.status == "range" and answer.low < 4


def test_reading_of_unknown_sign_weighs_both():
    draw = np.random.default_rng(6)
    past = [cycle(f"c{i}", draw, start=-1.0, slope=0.08, faces=30) for i in range(8)]
    age = np.arange(1.0, 7)
    true = -1 + 0.08 * age
    known = wear_path("now", age, true - 0.05, true + 0.05)
    bare = wear_path("now", age, np.abs(true) - 0.05, np.abs(true) + 0.05, sign_known=np.zeros(6, bool))
    fit = fit_pooled(past, rng=rng())
    one, two = (time_to_limit(fit, p, limit=2.0, lower_limit=-2.0, rng=rng()) for p in (known, bare))
    assert two.median == pytest.approx(one.median, rel=0.35)  # taken as typed, all convex, it would be a quarter


def test_half_band_and_open_readings_are_taken():
    low = [0, 0.25, 0.25, 0.75, 0.75, 1.25]
    high = [0.25, 0.75, 0.75, 1.25, 1.25, np.inf]
    draw = np.random.default_rng(3)
    steps = []
    for i in range(6):
        fine = cycle(f"c{i}", draw).low
        coarse = np.round(fine / 0.5) * 0.5
        steps.append(wear_path(f"c{i}", np.arange(1.0, 23), np.maximum(coarse - 0.25, 0), coarse + 0.25))
    answer = time_to_limit(
        fit_pooled(steps, rng=rng()), wear_path("now", np.arange(6.0), low, high), limit=2.0, rng=rng()
    )
    assert answer.status == "range" and answer.low is not None


def test_part_with_more_wear_has_less_left():
    draw = np.random.default_rng(8)
    past = []
    for i in range(8):
        age = np.arange(1.0, 25)
        parts = draw.choice(["pin", "seal"], 24)
        y = 0.6 + 0.05 * age + 0.4 * (parts == "seal") + 0.05 * draw.normal(size=24)
        past.append(wear_path(f"c{i}", age, y, parts=parts.tolist()))
    fit = fit_pooled(past, rng=rng())
    own = wear_path("now", [1, 2, 3], [0.7, 0.7, 0.8], parts=["pin"] * 3)
    pin, seal = (time_to_limit(fit, own, limit=2.0, part=p, rng=rng()).median for p in ("pin", "seal"))
    assert pin - seal == pytest.approx(8, abs=2)  # 0.4 at 0.05 per face


def test_fan_starts_now_and_widens(pooled):
    fan = time_to_limit(pooled, wear_path("now", [1, 2, 3], [0.8, 0.8, 0.9]), limit=2.0, rng=rng()).fan
    width = fan.high - fan.low
    assert fan.age[0] == 3 and (np.diff(fan.age) > 0).all() and width[-1] > width[0]
    assert (fan.low <= fan.median).all() and (fan.median <= fan.high).all()


@pytest.mark.parametrize("horizon", [380.0, 601.0, 1234.0, 2000.0])  # from 400 ages on, readings fall together
def test_the_last_readings_of_the_horizon_are_drawn_too(pooled, horizon):
    own = cycle("own", rng(), faces=12)
    answer = time_to_limit(pooled, own, limit=30.0, horizon=horizon, crossing="reading", rng=rng())
    assert answer.fan is not None and answer.fan.age[-1] >= answer.now + horizon


def test_same_seed_same_answer(pooled):
    own = wear_path("now", [1, 2, 3], [0.8, 0.8, 0.9])
    one, two = (time_to_limit(pooled, own, limit=2.0, rng=rng()) for _ in range(2))
    assert (one.low, one.median, one.high) == (two.low, two.median, two.high)


def test_readings_all_open_above_still_answer():
    past = [wear_path(f"c{i}", [1, 2, 3], [2, 2, 2], [np.inf] * 3) for i in range(3)]
    answer = time_to_limit(fit_pooled(past, rng=rng()), NEW, limit=3.0, rng=rng())
    assert answer.status == "range" and answer.sentence.endswith("faces left")


@pytest.mark.parametrize("scale", [1e-9, 1e6])
def test_units_of_length_and_clock_do_not_matter(scale):
    def range_of(factor):
        draw = np.random.default_rng(1)
        past = [cycle(f"c{i}", draw) for i in range(6)]
        past = [replace(p, age=p.age * factor, low=p.low * factor, high=p.high * factor) for p in past]
        answer = time_to_limit(fit_pooled(past, rng=rng()), NEW, limit=2.0 * factor, rng=rng())
        return np.array([answer.low, answer.median, answer.high]) / factor

    assert range_of(scale) == pytest.approx(range_of(1.0), rel=1e-4)


def test_path_at_the_limit_leaves_none(pooled):
    assert time_to_limit(pooled, NEW, limit=-1.0, rng=rng()).sentence == "no faces left: the wear path is at the limit"


def test_clock_that_jumps_back_is_refused():
    with pytest.raises(ValueError, match="a clock that restarts begins a new cycle"):
        wear_path("now", [1, 2, 1], [1, 1, 1])


def test_unknown_options_are_refused(pooled):
    with pytest.raises(ValueError, match=rf"`crossing` must be one of {', '.join(CROSSINGS)}, got 'soon'"):
        time_to_limit(pooled, NEW, limit=2.0, crossing="soon", rng=rng())
    with pytest.raises(ValueError, match=r"`horizon` must be greater than 0 and finite, got 0"):
        time_to_limit(pooled, NEW, limit=2.0, horizon=0, rng=rng())
    with pytest.raises(ValueError, match=r"`level` must be from 0.5 to below 1, got 0.2"):
        time_to_limit(pooled, NEW, limit=2.0, level=0.2, rng=rng())


def test_a_start_at_zero_by_definition_does_not_rule_out_a_power_of_age():
    rng = np.random.default_rng(10)
    age = np.arange(0.0, 21)
    rates = np.exp(0.3 * rng.normal(size=5))  # four past cycles: too few to tell a course of their own
    scatter = np.exp(0.03 * rng.normal(size=(5, 21)))
    *past, own = (wear_path(f"c{i}", age, rate * age**2.5 * scatter[i]) for i, rate in enumerate(rates))
    begun = wear_path("own", own.age[:9], own.low[:9])
    answer = time_to_limit(fit_pooled(past, limit=3000.0, rng=rng), begun, limit=1200 * rates[-1], rng=rng)
    assert answer.shape == "power" and answer.shape_share > 0.9


def test_a_start_by_definition_that_is_written_twice_is_no_reading_either():
    rng = np.random.default_rng(1)
    rise = [0.1 * (1 + 0.1 * k) * np.arange(1, 7) + 0.02 * rng.normal(size=6) for k in range(4)]
    pooled = fit_pooled([wear_path(f"u{k}", range(7), [0.0, *each]) for k, each in enumerate(rise)], rng=rng)
    asked = [
        time_to_limit(pooled, wear_path("own", age, read), limit=1.0, rng=np.random.default_rng(2))
        for age, read in (([0, 1, 2, 3], [0, 0.1, 0.22, 0.31]), ([0, 0, 0, 1, 2, 3], [0, 0, 0, 0.1, 0.22, 0.31]))
    ]
    assert asked[0].status == "range" and asked[0].sentence == asked[1].sentence


def test_the_fan_of_a_signed_path_is_that_of_its_size():
    past = [wear_path(f"p{c}", np.arange(20), bow, bow) for c, bow in enumerate(through_flat(6))]
    own = wear_path("now", np.arange(8), through_flat(1)[0][:8])
    pooled = fit_pooled(past, shapes=[s for s in SHAPES if not s.needs_positive], rng=rng())
    fan = time_to_limit(pooled, own, limit=1.0, lower_limit=-1.0, rng=rng()).fan
    band = usual_band(pooled, horizon=20.0, signed=True, rng=rng())
    for one in (fan, band):
        assert (one.low >= 0).all() and (one.low <= one.median).all() and (one.median <= one.high).all()
    assert band.median[0] == pytest.approx(0.5, abs=0.15)  # begins 0.5 concave


def through_flat(cycles):
    noise = np.random.default_rng(8)
    return [-0.5 + 0.04 * np.arange(20) + 0.05 * noise.standard_normal(20) for _ in range(cycles)]
