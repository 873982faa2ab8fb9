"""Forecasts held against a shop's own past cycles: who borrows from whom, what is said, refused and kept."""

from dataclasses import replace

import numpy as np
import pytest

from spc.board import lap_forecast
from spc.board import past_held as module
from spc.board.board import Board
from spc.board.kept import kept
from spc.board.lap_lead import lead_of
from spc.board.lap_paths import CyclePaths, past_until
from spc.board.past_held import NO_DOUBT, _doubt_of, _told, held_of_past, past_held
from spc.board.remembered import Remembered
from spc.settings import load_settings
from spc.wear.backtest import cut_path
from spc.wear.past_forecasts import SHARES, forecasts_held, not_counted
from spc.wear.path_shape import SHAPES
from spc.wear.signed_path import signed_path
from spc.wear.wear_path import wear_path
from tests.spc.commands.planted_cell import PlantedCell, run, told

AGE = np.arange(24.0)


def look(path):
    view, _, room = Board(path, load_settings(path.parent / "lapcell.toml")).look()
    return view, room


def held(seen):
    return past_held(seen[0], "L1", seen[1])


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("held")
    return PlantedCell(1, cycles=4).store(folder)


@pytest.fixture(scope="module")
def seen(store):
    return look(store)


@pytest.fixture(autouse=True)
def nothing_remembered(monkeypatch):
    """Begin without what was made before, and with one shape alone: what pools do with more is tested elsewhere."""
    monkeypatch.setattr(module, "SHAPES", [shape for shape in SHAPES if shape.name == "linear"])
    monkeypatch.setattr(module, "_HELD", Remembered(most=64))
    monkeypatch.setattr(module, "kept", lambda kind, digest, compute: compute())


@pytest.fixture
def fits(monkeypatch):
    """Labels of the cycles of every pool that is fitted."""
    found, fit = [], module.fit_pooled

    def counted(past, **more):
        found.append([path.label for path in past])
        return fit(past, **more)

    monkeypatch.setattr(module, "fit_pooled", counted)
    return found


def test_each_cycle_is_foreseen_from_all_others_by_one_pool(seen, fits):
    found = held(seen)
    names = [f"L1, cycle {k}" for k in (1, 2, 3)]
    assert [cycle.cycle for cycle in found.shares[0].cycles] == names
    assert fits == [[other for other in names if other != name] for name in names]
    assert [cycle.own_readings for cycle in found.shares[0].cycles] == [12, 12, 12]
    assert [cycle.own_readings for cycle in found.shares[1].cycles] == [18, 18, 18]
    assert found.status == "counts only" and "too few to judge the ranges by: 5 past cycles" in found.sentence


def test_a_face_on_the_running_cycle_makes_nothing_anew(seen, store, tmp_path, fits, monkeypatch):
    monkeypatch.setattr(module, "kept", kept)
    monkeypatch.setenv("LAPCELL_CACHE", str(tmp_path / "kept"))
    before = held(seen)
    assert len(fits) == 3
    grown = tmp_path / "lapcell.db"
    for name in ("lapcell.db", "lapcell.toml"):
        (tmp_path / name).write_bytes((store.parent / name).read_bytes())
    last = PlantedCell(1, cycles=4).rows[-1]
    more = last | {"time": last["time"][:-2] + "50", "serial": "S999", "flatness um": "0.70"}
    (tmp_path / "more.csv").write_text(f"{','.join(more)}\n{','.join(more.values())}\n")
    assert told(grown, "ingest", str(tmp_path / "more.csv"))["accepted"] == 1
    after = look(grown)
    assert len(after[0].finished_of("L1")) == len(seen[0].finished_of("L1")) + 1
    assert held(after) == before and len(fits) == 3
    monkeypatch.setattr(module, "_HELD", Remembered(most=64))  # another program: from the folder
    assert held(after).sentence == before.sentence and len(fits) == 3
    held((replace(after[0], limits=after[0].limits.assign(upper_um=2.0)), after[1]))
    assert len(fits) == 6  # another limit, though it cuts no path elsewhere


def test_only_the_newest_are_held_each_against_all_others(seen, fits, monkeypatch):
    monkeypatch.setattr(module, "MOST_HELD_OUT", 1)
    found = held(seen)
    assert [one.counted for one in found.shares] == [1, 1] and [len(names) for names in fits] == [2]
    assert found.sentence.startswith("From the middle of the only past cycle counted, what came after lay within")


def test_no_past_cycle_is_refused_in_words(seen, monkeypatch):
    monkeypatch.setattr(module, "past_paths", lambda *_, **__: past_until((), 1.0))
    found = held(seen)
    assert (found.status, found.shares) == ("refused", ())
    assert found.sentence == (
        "No forecast of L1 can be held against past cycles: no past cycle of its group has ended."
    )


def test_without_a_limit_no_faces_left_are_said_that_could_be_held(seen):
    found = held((replace(seen[0], limits=seen[0].limits.iloc[:0]), seen[1]))
    assert found.status == "refused" and "no limit is set for the part numbers it laps" in found.sentence


def test_flatness_that_hides_the_wear_is_held_against_nothing(seen, monkeypatch):
    monkeypatch.setattr(module, "lead_of", lambda view, lap: replace(lead_of(view, lap), hides=True))
    found = held(seen)
    assert found.status == "refused" and "flatness is logged only when a face is good" in found.sentence


def test_one_past_cycle_has_its_own_readings_alone(fits):
    found = _told("L1", held_of_past(past_until((of_bow("c", 0.35, 0.005, 1),), 1.0), {"": 1.0}))
    assert fits == [[]] and [one.counted for one in found.shares] == [1, 1] and found.status == "counts only"


def test_cycles_that_are_all_too_short_are_refused_in_words(fits):
    whole = [of_bow(f"c{k}", 0.35, 0.005, k) for k in range(3)]
    short = tuple(CyclePaths(cut_path(each.sizes, 3.0), cut_path(each.signed, 3.0)) for each in whole)
    found = _told("L1", held_of_past(past_until(short, 1.0), {"": 1.0}))
    assert found.status == "refused" and found.sentence.endswith(": none can be counted.")
    assert "From the middle, 3 past cycles are not counted: fewer than 4 readings by then." in found.further
    assert not fits


def of_bow(label, start, drift, seed, *, signed=range(24)):
    bow = start + drift * AGE + 0.04 * np.random.default_rng(seed).standard_normal(24)
    low, high, shape = np.maximum(np.abs(bow) - 0.02, 0), np.abs(bow) + 0.02, np.where(bow > 0, "convex", "concave")
    shape = np.where(np.isin(AGE, signed), shape, "")
    return CyclePaths(wear_path(label, AGE, low, high), signed_path(label, AGE, low, high, shape))


def test_cycles_that_turn_are_held_with_their_signs(fits):
    """From concave through flat: by size the reading falls and then grows, with its sign it is one line."""
    past = past_until(tuple(of_bow(f"c{k}", -0.35, 0.03, k) for k in range(4)), 1.0)
    half = held_of_past(past, {"": 1.0})[0]
    assert past.turning and half.held == half.counted == 4
    assert all(-0.3 < c.said_low < 0.34 < c.said_high < 0.7 for c in half.cycles if c.said_high < np.inf)


def test_cycles_that_turn_to_concave_reach_the_limit_on_that_side():
    past = past_until(tuple(of_bow(f"c{k}", 0.2, -0.03, k) for k in range(4)), 0.4)
    half = held_of_past(past, {"": 0.4})[0]
    assert past.turning and half.held == half.counted == 4
    assert all(c.reached and c.said_low <= c.came_low <= c.said_high for c in half.cycles)


def test_one_that_turns_among_steady_ones_is_foreseen_by_itself(monkeypatch):
    asked = []
    apart = module.fit_apart
    monkeypatch.setattr(
        module, "fit_apart", lambda fit, own, **more: asked.append(own.label) or apart(fit, own, **more)
    )
    steady = [of_bow(f"c{k}", -0.35, -0.005, k) for k in range(4)]
    past = past_until((*steady, of_bow("turns", -0.35, 0.03, 9)), 1.0)
    monkeypatch.setattr(module, "MOST_HELD_OUT", 1)
    held_of_past(past, {"": 1.0})
    assert not past.turning and set(asked) == {"turns"}


def test_a_reading_without_its_sign_where_others_turn_is_not_counted(monkeypatch):
    monkeypatch.setattr(module, "MOST_HELD_OUT", 1)
    unsigned = replace(of_bow("no sign", -0.35, 0.03, 9), signed=wear_path("no sign", (), ()))
    past = past_until((*(of_bow(f"c{k}", -0.35, 0.03, k) for k in range(4)), unsigned), 1.0)
    found = held_of_past(past, {"": 1.0})
    assert [one.cycles[0].why for one in found] == [module._NO_SIGN] * len(SHARES)


def summed(share, held, faster=0, slower=0, **left_out):
    one = not_counted(wear_path("c", AGE, AGE), wear_path("c", AGE[:12], AGE[:12]), share=share, why="")
    outcomes = ["held"] * held + ["faster"] * faster + ["slower"] * slower
    aside = [replace(one, why=why) for why, n in left_out.items() for _ in range(n)]
    return forecasts_held([*(replace(one, outcome=name) for name in outcomes), *aside], share=share)


def test_ranges_that_held_are_said_plainly():
    found = _told("L1", (summed(0.5, 11, 1), summed(0.75, 12)))
    assert (found.status, found.too_narrow) == ("judged", False)
    assert found.sentence == (
        "From the middle of each of 12 past cycles, what came after lay within the range said for it in 11 (90% "
        "asked): 1 wore faster than foreseen."
    )
    assert found.further[0].endswith("lay within the range said for it in all 12 (90% asked).")


def test_ranges_that_did_not_hold_ask_for_caution():
    """6 of 12: the binomial chance is 0.00054, over two looks 1 in 924."""
    found = _told("L1", (summed(0.5, 11, 1), summed(0.75, 6, 5, 1)))
    assert (found.status, found.too_narrow) == ("judged", True)
    assert found.sentence == (
        "From three quarters of each of 12 past cycles, what came after lay within the range said for it in only 6 "
        "(90% asked): 5 wore faster and 1 wore slower than foreseen. Where ranges are right, so few hold by chance in "
        "1 of 924 such counts: the faces left take in how long past cycles lasted where enough of them reached the "
        "limit, and are less sure than they say where not."
    )
    assert found.further[0].startswith("From the middle of each of 12 past cycles")


def test_the_share_that_held_worst_is_told_beside_the_range():
    doubt = _doubt_of(_told("L1", (summed(0.5, 7, 5), summed(0.75, 6, 6))))
    assert doubt.words(by_lives=False) == (
        "less sure than that: foreseen from three quarters, only 6 of 12 past cycles came out within such a range"
    )
    assert doubt.words(by_lives=True) == (
        "it takes in how long past cycles lasted, for foreseen by readings alone from three quarters, only 6 of 12 "
        "past cycles came out within such a range"
    )
    none_held = _doubt_of(_told("L1", (summed(0.5, 0, 12), summed(0.75, 1, 11))))
    assert "foreseen from the middle, none of 12" in none_held.words(by_lives=False)
    held = _doubt_of(_told("L1", (summed(0.5, 11, 1), summed(0.75, 12))))
    assert held is NO_DOUBT and not held.missed and held.words(by_lives=False) == held.words(by_lives=True) == ""


def test_how_past_cycles_came_out_is_told_of_the_shares_that_held_too_few():
    """Of 12 right ranges 3 or more come out on one side in 2 of 100; of 10, two on either side in 9 of 100 each."""
    for shares, missed in (
        ((summed(0.5, 7, 5), summed(0.75, 12)), ("faster",)),
        ((summed(0.5, 7, 4, 1), summed(0.75, 12)), ("faster",)),
        ((summed(0.5, 6, 1, 5), summed(0.75, 9, 3)), ("slower",)),
        ((summed(0.5, 6, 1, 5), summed(0.75, 7, 4, 1)), ("faster", "slower")),
        ((summed(0.5, 6, 2, 2), summed(0.75, 10)), ("faster", "slower")),
    ):
        assert _doubt_of(_told("L1", shares)).missed == missed


def test_after_how_many_faces_the_past_cycles_were_at_the_limit_is_told_with_it():
    """Their lives say more than a range that does not hold; the reading of age 33 is that of the 34th face."""
    short = summed(0.75, 6, 6)
    for ages, said in (
        ((33.0, 35.0), "; 2 of them reached the limit, after 34 to 36 faces"),
        ((33.0,), "; 1 of them reached the limit, after 34 faces"),
        (range(33, 45), "; all of them reached the limit, after 34 to 45 faces"),
    ):
        reached = [
            replace(one, reached=True, came_low=float(age)) for one, age in zip(short.cycles, ages, strict=False)
        ]
        held_short = replace(short, cycles=(*reached, *short.cycles[len(reached) :]))
        doubt = _doubt_of(_told("L1", (summed(0.5, 12), held_short)))
        assert doubt.words(by_lives=False).endswith(f"within such a range{said}")


def steep_at_no_age(lap, cycle, age, row):
    """Flat and then steep, each cycle from an age of its own."""
    row["flatness um"] = f"{0.35 + 0.01 * (age * 7 % 5) + 0.1 * max(age - 8 - cycle * 11 % 24, 0):.2f}"


def test_where_readings_foretell_nothing_faces_left_take_in_how_long_past_cycles_lasted(tmp_path, store):
    """After 14 faces, all flat, by readings alone "10 to 52 faces left"; every past cycle was over by its 38th face."""
    steep = PlantedCell(2, cycles=14, faces=40, last=14, fault=steep_at_no_age).store(tmp_path)
    shift = told(steep, "due")
    (lap,) = shift["laps"]
    left = lap["faces_left"]
    assert left["status"] == "range" and left["by_lives"] and not lap["less_sure"]
    assert left["low"] < 5 and 38 - 14 - 5 < left["high"] < 38 - 14 + 10, left
    assert left["sentence"] == f"{left['low']:.0f} to {left['high']:.0f} faces left"
    assert lap["sentence"].endswith(" faces left under 1 um (P1), by how long past cycles lasted.")
    told_so = "it takes in how long past cycles lasted, for foreseen by readings alone from three quarters, only "
    assert told_so in lap["confidence"]
    assert lap["confidence"].endswith("all of them reached the limit, after 17 to 38 faces")
    assert shift["doubt_of_ranges"] == (
        "The faces left of L1 take in how long past cycles lasted: ranges by readings alone held too few of them here."
    )
    said = f"{shift['doubt_of_ranges']} `lapcell due --lap NAME --against-past` tells how many."
    assert said in run(steep, "due").output
    assert run(steep, "handover", "--out", str(page := tmp_path / "page.html")).exit_code < 2
    assert shift["doubt_of_ranges"] in page.read_text()
    even = told(store, "due")
    assert even["doubt_of_ranges"] == "" and not even["laps"][0]["less_sure"]
    assert not even["laps"][0]["faces_left"]["by_lives"]


def test_ranges_that_held_too_few_are_less_sure_where_too_few_cycles_came_to_the_limit(tmp_path, monkeypatch):
    monkeypatch.setattr(lap_forecast, "past_lives", lambda *_, **__: None)
    steep = PlantedCell(2, cycles=14, faces=40, last=13, fault=steep_at_no_age).store(tmp_path)
    shift = told(steep, "due")
    (lap,) = shift["laps"]
    assert lap["less_sure"] and not lap["faces_left"]["by_lives"]
    assert "less sure than that: foreseen from three quarters, only " in lap["confidence"]
    assert shift["doubt_of_ranges"] == (
        "The faces left of L1 are less sure than they say: such ranges held too few past cycles here."
    )


def test_none_held_is_said_so_and_no_chance_is_told_too_finely():
    found = _told("L1", (summed(0.5, 0, 12), summed(0.75, 12)))
    assert found.too_narrow and "in none (90% asked): 12 wore faster" in found.sentence
    assert "by chance in fewer than 1 of 1,000 such counts" in found.sentence


def test_a_share_from_which_nothing_is_counted_leads_nothing():
    """Cycles of six readings have too few by the middle."""
    found = _told("L1", (summed(0.5, 0, **{"fewer than 4 readings by then": 6}), summed(0.75, 6)))
    assert found.status == "judged" and found.sentence.startswith("From three quarters of each of 6 past cycles")
    assert not any("did not lie" in told for told in (found.sentence, *found.further))


def test_signed_readings_are_told_from_readings(monkeypatch):
    """Twelve readings by the middle, three of them with a sign: by sign it has too few, and only those are counted."""
    monkeypatch.setattr(module, "MOST_HELD_OUT", 1)
    few = of_bow("few", -0.35, 0.03, 9, signed=[0, 4, 8, 12, 16, 20, 23])
    past = past_until((*(of_bow(f"c{k}", -0.35, 0.03, k) for k in range(4)), few), 1.0)
    from_middle, later = (one.cycles[0] for one in held_of_past(past, {"": 1.0}))
    assert (from_middle.why, from_middle.own_readings) == ("fewer than 4 signed readings by then", 3)
    assert later.own_readings == 5


def test_a_cycle_lapped_in_passes_is_told_in_them(seen, monkeypatch):
    monkeypatch.setattr(module, "told_in", lambda rows: "pass")
    assert held(seen).counted == "pass"


def test_a_few_cycles_are_counted_only():
    found = _told("L1", (summed(0.5, 0, 4), summed(0.75, 1, 0, 3)))
    assert (found.status, found.too_narrow) == ("counts only", False) and "by chance" not in found.sentence
    assert "in none (90% asked): 4 wore faster than foreseen. That is too few" in found.sentence


def test_what_is_left_out_is_counted_by_its_reason():
    found = _told("L1", (summed(0.5, 5, **{"no reading after that": 1}), summed(0.75, 5, **{"a": 2, "b": 1})))
    assert "From the middle, 1 past cycle is not counted: no reading after that." in found.further
    assert "From three quarters, 3 past cycles are not counted: 2 with a, 1 with b." in found.further


def test_the_command_tells_it_when_asked(store, seen):
    plain, asked = told(store, "due", "--lap", "L1"), told(store, "due", "--lap", "L1", "--against-past")
    past = asked.pop("against_past")
    assert asked == plain and past["sentence"] == held(seen).sentence
    assert [(one["share"], one["counted"]) for one in past["shares"]] == [(0.5, 3), (0.75, 3)]
    assert past["shares"][0]["cycles"][0]["read_to"] == 11.0
    said = run(store, "due", "--lap", "L1", "--against-past").output
    assert f"\nAgainst past cycles: {past['sentence']}\n  {past['further'][0]}\n" in said
    assert "Against past cycles" not in run(store, "due", "--lap", "L1").output


def test_the_command_asks_for_the_lap(store):
    refused = run(store, "due", "--against-past")
    assert refused.exit_code == 2 and "`--against-past` is of one lap: name it with `--lap`" in refused.output
