import re

import numpy as np
import pandas as pd
import pytest

from spc.measure.preston import basis_named
from spc.wear.lead_sign import choose_lead_sign, cut_off_evidence, cut_off_together, lead_move

CYCLES = {"cycle": 1 + np.arange(240) // 40, "part": "P1"}


def lapped(n, rng, *, median, until_good, log_first=True):
    rows = []
    for _ in range(n):
        first = value = rng.lognormal(np.log(median), 0.5)
        passes = 1
        while until_good and value > 2 and passes < 30:
            value, passes = rng.lognormal(np.log(median), 0.5), passes + 1
        rows.append((first if log_first else np.nan, value, passes))
    first, final, passes = map(np.array, zip(*rows, strict=True))
    return pd.DataFrame(
        {
            "first_low_um": first, "first_high_um": first, "final_low_um": final, "final_high_um": final,
            "age_faces": np.arange(n) % 40.0, "cycle": 1 + np.arange(n) // 40, "part": "P1",
            "passes": passes, "relapped": passes > 1, "minutes": 3.0 * passes, "rate_um_per_min": np.nan,
        }
    )  # fmt: skip


def test_lapping_until_good_is_recognised_from_logged_first_readings():
    lead = choose_lead_sign(lapped(80, np.random.default_rng(1), median=1.6, until_good=True), np.full(80, 2.0))
    assert lead.cut_off
    assert lead.sign == "flatness"
    assert "the first reading of each face leads" in lead.sentence


def test_without_first_readings_passes_then_minutes_lead():
    signs = lapped(150, np.random.default_rng(2), median=1.8, until_good=True, log_first=False)
    lead = choose_lead_sign(signs, np.full(150, 2.0))
    assert (lead.cut_off, lead.sign) == (True, "passes")
    alone = signs.assign(passes=1, relapped=False)
    assert choose_lead_sign(alone, np.full(150, 2.0)).sign == "minutes"
    nothing = choose_lead_sign(alone.assign(minutes=np.nan), np.full(150, 2.0))
    assert "cannot be seen until" in nothing.sentence


def test_a_cell_that_logs_its_misses_is_not_called_cut_off():
    rng = np.random.default_rng(3)
    calls = [
        choose_lead_sign(lapped(60, rng, median=m, until_good=False), np.full(60, 2.0)).cut_off
        for m in (0.5, 1.0, 1.6)
        for _ in range(100)
    ]
    assert np.mean(calls) <= 0.05 + 4 * (0.05 * 0.95 / 300) ** 0.5


def test_a_cell_that_reconditions_in_good_time_is_not_called_cut_off():
    # Flatness grows with age and the lap is reconditioned before the limit: no reading comes near beyond it, yet
    # nothing was lapped until it was good, as the one face read before its second pass shows.
    rng = np.random.default_rng(5)
    signs = lapped(200, rng, median=0.5, until_good=False)
    grown = signs["final_low_um"] * (0.6 + signs["age_faces"] / 40)
    signs = signs.assign(final_low_um=grown, final_high_um=grown, first_low_um=grown, first_high_um=grown)
    signs.loc[3, ["relapped", "passes"]] = [True, 2]
    assert not choose_lead_sign(signs, np.full(200, 2.0)).cut_off


@pytest.mark.parametrize("typed", [5.0, 25.0, 2000.0, 1e-6])
@pytest.mark.parametrize("n", [25, 40])
def test_one_mistyped_reading_does_not_make_a_clean_cycle_look_cut_off(typed, n):
    age = np.arange(n)
    read = 0.2 + 0.29 * age / n + 0.02 * np.sin(2.3 * age)
    read[10] = typed
    both = {name: read for name in ("first_low_um", "first_high_um", "final_low_um", "final_high_um")}
    signs = pd.DataFrame(both | {"age_faces": age, "cycle": 1, "part": "P1", "passes": 1, "relapped": False,
                                 "minutes": 6.0, "rate_um_per_min": np.nan})  # fmt: skip
    lead = choose_lead_sign(signs, np.full(n, 0.6))
    assert not (lead.cut_off or lead.hidden) and lead.over_limit == (typed > 0.6)
    assert lead.expected_over < 1


@pytest.mark.parametrize("scatter", ["of a step", "of the reading"])
def test_a_lap_run_to_its_limit_again_and_again_is_not_called_cut_off(scatter):
    """A sawtooth that ends at the limit has few readings beyond it, and none was lapped again."""
    rng = np.random.default_rng(6)
    calls = []
    for _ in range(60):
        age = np.arange(240) % 40.0
        path = 0.6 + 0.035 * age
        noise = rng.normal(0, 0.2, 240) if scatter == "of a step" else 0.15 * path * rng.normal(size=240)
        low = np.maximum(np.round(2 * (path + noise)) / 2 - 0.25, 0)
        read = {"first_low_um": low, "first_high_um": low + 0.5, "final_low_um": low, "final_high_um": low + 0.5}
        signs = pd.DataFrame(read | CYCLES | {"age_faces": age, "passes": 1, "relapped": False, "minutes": 9.0,
                                              "rate_um_per_min": np.nan})  # fmt: skip
        calls.append(choose_lead_sign(signs, np.full(240, 2.0)).cut_off)
    assert np.mean(calls) <= 0.05


def cycles_that_differ(rng, *, ended, noise=0.02, higher=0.0):
    """Twelve cycles whose path reaches the limit of 0.6 um after 20 to 40 faces, or much sooner or later."""
    rows = []
    for cycle in range(12):
        life, age = 30 * rng.weibull(4 if cycle % 2 else 1.5), 0
        while age < 2 or not rows[-1][-1]:
            part = rng.choice(["P1", "P2"])
            read = round(max(0.03, 0.2 + 0.4 * age / life + higher * (part == "P2") + noise * rng.normal()), 2)
            last = age > life if ended == "at the limit" else read > 0.54 or age > life - 1
            rows.append((cycle, part, age, read, last))
            age += 1
    frame = pd.DataFrame(rows, columns=["cycle", "part", "age_faces", "read", "last"])
    read = {f"{which}_{end}_um": frame["read"] + side * 0.005
            for which in ("first", "final") for end, side in (("low", -1), ("high", 1))}  # fmt: skip
    return frame.assign(**read, passes=1, relapped=False, minutes=5.0, rate_um_per_min=np.nan)


@pytest.mark.parametrize("higher", [0.0, 0.1], ids=["one part", "two parts"])
@pytest.mark.parametrize("ended", ["at the limit", "before it"])
def test_cycles_that_ended_early_are_not_missed_among_the_old_ones(ended, higher):
    """Quick cycles have no readings at high ages, so that a line through all cycles would miss readings over the limit.

    Where a cycle ends at the limit, readings over it are logged and no further pass is: flatness hides nothing.
    """
    calls = []
    for seed in range(40):
        signs = cycles_that_differ(np.random.default_rng(seed), ended=ended, higher=higher)
        lead = choose_lead_sign(signs, np.full(len(signs), 0.6))
        calls.append(lead.cut_off or lead.hidden)
        assert ended == "before it" or higher or lead.over_limit > 0
    assert np.mean(calls) <= 0.05


def test_readings_over_the_limit_that_were_not_lapped_again_deny_lapping_until_good():
    signs = lapped(240, np.random.default_rng(14), median=1.6, until_good=True, log_first=False)
    signs = signs.assign(passes=1, relapped=False)
    limit = np.full(240, 2.0)
    assert choose_lead_sign(signs, limit).hides
    over = np.isin(np.arange(240), (60, 140))
    for end in ("low", "high"):
        signs.loc[over, f"final_{end}_um"] = 2.3
    lead = choose_lead_sign(signs, limit)
    assert lead.over_limit == 2 and not (lead.cut_off or lead.hidden)


def test_few_faces_or_no_limit_say_so():
    lead = choose_lead_sign(lapped(10, np.random.default_rng(4), median=1.0, until_good=True), np.full(10, 2.0))
    assert "too few to tell" in lead.sentence
    lead = choose_lead_sign(lapped(50, np.random.default_rng(4), median=1.0, until_good=True), np.full(50, np.nan))
    assert "0 faces with a limit" in lead.sentence
    with pytest.raises(ValueError, match=r"`limit_um` must have one value per row"):
        choose_lead_sign(lapped(5, np.random.default_rng(4), median=1.0, until_good=True), np.array([2.0]))


def worn_minutes(now, n=40):
    """Three cycles of `n` faces whose minutes grow to `now` times those of a fresh lap."""
    rng = np.random.default_rng(9)
    age = np.tile(np.arange(n, dtype=float), 3)
    part = np.where(age % 2 == 0, "P1", "P2")
    minutes = np.where(part == "P1", 4.0, 9.0) * now ** (age / n) * np.exp(0.1 * rng.normal(size=age.size))
    return pd.DataFrame(
        {"age_faces": age, "cycle": np.repeat([1, 2, 3], n), "part": part, "grit": "9 um", "minutes": minutes}
    )


def test_how_far_the_lead_has_come_since_the_lap_was_fresh():
    move = lead_move(worn_minutes(1.6), "minutes")
    said = move.words
    assert move.worn
    share = int(re.search(r"are (\d+)% more than on a fresh lap, as wear makes them", said)[1])
    expected = 1.6 ** (34 / 40) / 1.6 ** (5.5 / 40) - 1  # last twelve faces against the first twelve, within part
    assert share == pytest.approx(100 * expected, abs=12)
    assert "(the last 12 faces against 24 of a fresh lap)" in said
    for minutes, words in (
        (worn_minutes(0.6), "the other way than wear"),
        (worn_minutes(1.0), "cannot be told from those of a fresh lap yet"),
        (worn_minutes(1.6).iloc[:6], "too few to say"),
    ):
        move = lead_move(minutes, "minutes")
        assert words in move.words and not move.worn
    assert "cannot be seen until" in lead_move(worn_minutes(1.6), "flatness").words


def test_a_few_mistyped_minutes_do_not_turn_what_the_others_say():
    rows = worn_minutes(1.6)
    rows.loc[(rows["cycle"] == 2) & rows["age_faces"].isin((1, 2)), "minutes"] = 200.0
    move = lead_move(rows, "minutes")
    assert move.worn and "minutes per face are more than on a fresh lap, as wear makes them" in move.words


def test_what_the_lead_came_to_says_nothing_of_a_lap_reconditioned_since():
    move = lead_move(worn_minutes(1.6), "minutes", cycle_now=4)
    assert not move.worn and move.words.startswith("minutes per face: 0 faces of this cycle beyond its first 12")


def test_a_face_lapped_again_after_a_pass_that_is_not_logged_was_not_good():
    """Only the last pass is logged, with its number: what was good at once is read, the rest was over the limit."""
    signs = lapped(60, np.random.default_rng(11), median=1.2, until_good=True)
    unread = signs["relapped"]
    only_last = signs.assign(**{f"first_{end}_um": signs[f"first_{end}_um"].mask(unread) for end in ("low", "high")})
    lead = choose_lead_sign(only_last, np.full(60, 2.0))
    assert (lead.cut_off, lead.sign, lead.hides, lead.hidden) == (True, "flatness", False, False)
    assert (lead.first_pass_over, lead.first_pass_unread) == (0, int(unread.sum()))
    assert f"{unread.sum()} were lapped again after a pass that is not logged" in lead.sentence


def test_one_face_is_one_face_in_words():
    signs = lapped(60, np.random.default_rng(11), median=1.2, until_good=True)
    again = np.flatnonzero(signs["relapped"].to_numpy())
    signs.loc[signs.index[again[3:]], "relapped"] = False
    for unread, said in (
        (1, "2 faces read over the limit first, 1 was lapped again after"), (2, "(1 face read over the limit first, 2"),
    ):  # fmt: skip
        hidden = signs.index[again[:unread]]
        only_last = signs.copy()
        only_last.loc[hidden, ["first_low_um", "first_high_um"]] = np.nan
        assert said in choose_lead_sign(only_last, np.full(60, 2.0)).sentence


def test_what_one_lap_cannot_say_the_laps_of_a_cell_may():
    rng = np.random.default_rng(12)
    limit = np.full(120, 2.0)
    quiet = [lapped(120, rng, median=1.2, until_good=True).assign(passes=1, relapped=False) for _ in range(8)]
    alone = [choose_lead_sign(signs, limit) for signs in quiet]
    assert not all(lead.cut_off for lead in alone)
    assert cut_off_together([cut_off_evidence(signs, limit) for signs in quiet])
    together = [choose_lead_sign(signs, limit, cell_cut_off=True) for signs in quiet]
    assert all(lead.cut_off and lead.hides and lead.hidden and lead.sign == "minutes" for lead in together)
    fine = [lapped(120, rng, median=0.5, until_good=False) for _ in range(8)]
    assert not cut_off_together([cut_off_evidence(signs, limit) for signs in fine])
    logged = [signs.assign(relapped=np.arange(120) == 3) for signs in quiet]  # a cell that logs further passes
    assert not cut_off_together([cut_off_evidence(signs, limit) for signs in logged])


def test_laps_run_to_their_limit_do_not_make_a_cell_that_laps_until_good():
    rng = np.random.default_rng(13)
    age = np.arange(240) % 40.0
    evidence = []
    for _ in range(24):
        low = (0.6 + 0.033 * age) * (1 + 0.15 * rng.normal(size=240))
        read = {f"{which}_{end}_um": low for which in ("first", "final") for end in ("low", "high")}
        signs = pd.DataFrame(read | CYCLES | {"age_faces": age, "relapped": False})
        signs = signs[low < 2.2]  # reconditioned in time: the few faces far over are not lapped at all
        evidence.append(cut_off_evidence(signs, np.full(len(signs), 2.0)))
    assert not cut_off_together(evidence)


def test_a_removal_rate_that_leads_is_told_on_the_basis_of_its_lap():
    signs = worn_minutes(1.6)
    under_load = basis_named("pressure")
    signs = signs.assign(rate_um_per_min=1.0, rate_basis=under_load.name, **{under_load.column: 9.0 / signs["minutes"]})
    said = lead_move(signs, "removal rate").words
    assert re.search(r"^micrometres removed per minute per N/mm2 are \d+% less .*, as wear makes them", said)
    assert "cannot be told" in lead_move(signs.assign(rate_basis=""), "removal rate").words
