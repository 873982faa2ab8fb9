"""Faces left per lap: which cycles are borrowed, which limit leads, what is kept, and what bad logs are told."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from spc.board import lap_forecast
from spc.board.cell_view import look_at_cell
from spc.board.lap_forecast import PoolCache, forecast_cycle, forecast_lap, forecast_laps
from spc.board.lap_paths import LEAST_FACES, CyclePaths, PartLimit, RunningCycle, past_paths, past_until, running_cycle
from spc.board.room_history import NO_ROOM
from spc.log.intake import ingest
from spc.settings import KnownLap, Settings
from spc.store.store import Store
from spc.wear.signed_path import signed_path
from spc.wear.wear_path import wear_path
from tests.spc.board.invented_cell import BAND_UM, events_of, faces_of, fill
from tests.spc.commands.planted_cell import PlantedCell, told

SITE = Settings(time_zone="UTC")
N = 150  # three cycles of 40 and a running one of 30


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    """Two sisters of one group that wear alike, and one lap of its own without a past cycle."""
    where = tmp_path_factory.mktemp("forecast") / "cell.db"
    with Store.open(where) as store:
        rng = np.random.default_rng(4)
        sisters = [faces_of(f"K{k}", N, rng, growth=0.02, first_id=1 + k * N) for k in (1, 2)]
        alone = faces_of("Z1", 12, rng, growth=0.02, per_cycle=400, first_id=1 + 3 * N)
        fill(
            store, pd.concat([*sisters, alone], ignore_index=True), pd.concat([events_of("K1", N), events_of("K2", N)])
        )
        for lap in ("K1", "K2"):
            store.set_lap(lap, material="cast iron", home_grit="9 um", who="QE")
        store.set_limit("ring seal", "flatness", upper_um=8 * BAND_UM, upper_text="8 bands", who="QE")
        store.set_limit("gauge pin", "flatness", upper_um=5 * BAND_UM, upper_text="5 bands", who="QE")
    return where


@pytest.fixture
def view(path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    with Store.open(path) as store:
        return look_at_cell(store, SITE)


def test_a_lap_borrows_from_its_sisters_and_says_so(view):
    found = forecast_lap(view, "K1", cache=PoolCache())
    assert found.faces_left.status == "range"
    assert (found.faces_left.own_faces, found.faces_left.past_cycles) == (30, 6)
    assert found.borrowed == "30 faces of its own, the rest from 6 past cycles"
    assert found.fan is not None and found.band is not None
    assert found.next_face.crossing == "next face" and found.next_face.median <= found.faces_left.median


def test_the_tightest_limit_of_the_parts_it_laps_leads(view):
    found = forecast_lap(view, "K1", cache=PoolCache())
    assert (found.part, found.limit_text) == ("gauge pin", "5 bands (gauge pin)")
    assert found.limit_um == pytest.approx(5 * BAND_UM)


def test_a_lap_without_past_cycles_speaks_for_itself_or_refuses(view):
    alone = forecast_lap(view, "Z1", cache=PoolCache())
    assert alone.faces_left.status == "range" and alone.faces_left.past_cycles == 0
    assert "no past cycle to borrow from" in alone.borrowed and alone.band is None
    few = view.signs[(view.signs["lap"] != "Z1") | (view.signs["age_faces"] < LEAST_FACES)]
    young = replaced(view, few)
    assert forecast_lap(young, "Z1", cache=PoolCache()).faces_left.status == "refused"


@pytest.mark.parametrize(("lap", "own"), [("Z1", 11), ("K1", 29)])
def test_one_mistyped_reading_forecasts_as_if_it_had_not_been_read(view, lap, own):
    first, told = ["first_low_um", "first_high_um"], []
    for factor in (np.nan, 1000.0):
        signs = view.signs.copy()
        signs.loc[signs.index[signs["lap"] == lap][-6], first] *= factor
        told.append(forecast_lap(replaced(view, signs), lap, cache=PoolCache()))
    unread, mistyped = told
    assert mistyped.faces_left == unread.faces_left and unread.faces_left.own_faces == own
    lies = "; 1 more of its own lies far beyond those on either side: left out"
    assert mistyped.borrowed == unread.borrowed + lies


def test_without_a_limit_it_says_what_to_do(view):
    found = forecast_lap(replace(view, limits=view.limits.iloc[:0]), "K1", cache=PoolCache())
    assert found.faces_left.status == "refused" and np.isnan(found.limit_um)
    assert "no limit is set for this part" in found.faces_left.sentence


def test_a_new_face_changes_the_forecast_of_its_own_lap_only(view, monkeypatch):
    cache, made = PoolCache(), []
    real = lap_forecast.times_of_parts
    monkeypatch.setattr(lap_forecast, "times_of_parts", lambda *a, **k: made.append(a[1].label) or real(*a, **k))
    first = forecast_laps(view, cache=cache)
    assert len(made) == 3
    last = view.signs.index[view.signs["lap"] == "K2"][-1]
    forecast_laps(replaced(view, view.signs.drop(index=last)), cache=cache)
    assert made[3:] == ["K2, this cycle"]
    assert forecast_laps(view, cache=cache)["K1"] is first["K1"]


def test_a_newest_face_lapped_again_counts_although_its_reading_does_not(view):
    now = running_cycle(view, "K1", NO_ROOM)
    past = past_paths(view, "K1", now.grit, now.widest_um)
    older = now.rows.copy()
    older.loc[older.index[-1], "age_faces"] += 5
    cache = PoolCache()
    left, later = (
        forecast_cycle("K1", replace(now, rows=rows), past, cache=cache).faces_left for rows in (now.rows, older)
    )
    assert later.median < left.median
    assert later == forecast_cycle("K1", replace(now, rows=older), past, cache=PoolCache()).faces_left


def test_what_is_kept_between_runs_is_what_is_computed(view, tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", str(tmp_path / "kept"))
    first = forecast_lap(view, "K1", cache=PoolCache())
    assert {p.name.split("-")[0] for p in (tmp_path / "kept").iterdir()} == {"pool", "forecast"}

    def never(*_args, **_options):
        raise AssertionError("fitted again")

    monkeypatch.setattr(lap_forecast, "fit_pooled", never)
    monkeypatch.setattr(lap_forecast, "times_of_parts", never)
    assert repr(forecast_lap(view, "K1", cache=PoolCache())) == repr(first)


def replaced(view, signs):
    own = {lap: signs[signs["lap"] == lap].reset_index(drop=True) for lap in view.by_lap}
    return replace(
        view, by_lap={lap: frames._replace(signs=own[lap], finished=own[lap]) for lap, frames in view.by_lap.items()}
    )


def _with_a_coarse_end(lap, rng, first_id):
    """Each cycle's last ten faces are lapped with a coarse grit, which reads flatness four bands higher."""
    faces = faces_of(lap, N, rng, growth=0.02, first_id=first_id)
    coarse = np.arange(N) % 40 >= 30
    faces.loc[coarse, "grit"], faces.loc[coarse, "grit_um"] = "30 um", 30.0
    for end in ("low", "high"):
        faces.loc[coarse, f"flatness_{end}_um"] += 4 * BAND_UM
    return faces


def test_a_change_of_grit_is_no_wear(tmp_path, monkeypatch):
    """Only readings under the grit that runs now count, of this cycle and of the past ones."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    rng = np.random.default_rng(4)
    mixed = [_with_a_coarse_end(f"K{k}", rng, 1 + k * N) for k in (1, 2)]
    fine = [lap[lap["grit"] == "9 um"].reset_index(drop=True) for lap in mixed]
    found = {}
    for name, laps in (("mixed", mixed), ("fine", fine)):
        with Store.open(tmp_path / f"{name}.db") as store:
            fill(store, pd.concat(laps, ignore_index=True), pd.concat([events_of("K1", N), events_of("K2", N)]))
            for lap in ("K1", "K2"):
                store.set_lap(lap, material="cast iron", home_grit="9 um", who="QE")
            store.set_limit("*", "flatness", upper_um=5 * BAND_UM, upper_text="5 bands", who="QE")
            found[name] = forecast_lap(look_at_cell(store, SITE), "K1", cache=PoolCache()).faces_left
    one, other = found["mixed"], found["fine"]  # numbered otherwise in their stores, so drawn with another seed
    assert (one.own_faces, one.past_cycles) == (other.own_faces, other.past_cycles) == (30, 6)
    assert [one.low, one.median] == pytest.approx([other.low, other.median], rel=0.1)


def test_a_face_without_a_grit_counts_with_any(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    faces = faces_of("K1", N, np.random.default_rng(4), growth=0.02)
    faces["grit"], faces["grit_um"] = np.where(np.arange(N) < 80, "", "9 um"), np.where(np.arange(N) < 80, np.nan, 9.0)
    with Store.open(tmp_path / "cell.db") as store:
        fill(store, faces, events_of("K1", N))
        store.set_limit("*", "flatness", upper_um=8 * BAND_UM, upper_text="8 bands", who="QE")
        left = forecast_lap(look_at_cell(store, SITE), "K1", cache=PoolCache()).faces_left
    assert (left.own_faces, left.past_cycles) == (30, 3)


def test_a_lap_without_a_face_is_forecast_under_the_limit_of_all_parts(tmp_path, monkeypatch):
    """K2 is a fresh sister of K1, whose cycles tell how long it lasts; a limit of one part number alone does not."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    rng, at = np.random.default_rng(4), pd.Timestamp("2026-03-02 06:00")
    rows = ["time,lap,part,minutes,flatness um,event\n"]
    for _ in range(4):
        rows.append(f"{at:%Y-%m-%d %H:%M},K1,,,,reconditioned\n")
        for age in range(20):
            at += pd.Timedelta(minutes=20)
            rows.append(f"{at:%Y-%m-%d %H:%M},K1,P1,5,{0.2 + 0.03 * age + 0.02 * rng.normal():.3f},\n")
        at += pd.Timedelta(minutes=20)
    rows.append(f"{at:%Y-%m-%d %H:%M},K2,,,,reconditioned\n")
    site = Settings(
        time_zone="UTC", date_order="ymd", decimal=".",
        laps=tuple(KnownLap(lap, material="cast iron", home_grit="9 um") for lap in ("K1", "K2")),
    )  # fmt: skip
    found = {}
    for part in ("*", "P1"):
        with Store.open(tmp_path / ("all.db" if part == "*" else "one.db")) as store:
            store.set_limit(part, "flatness", upper_um=0.8, upper_text="0.8 um", who="QE")
            assert not ingest(store, "".join(rows).encode(), name="log.csv", settings=site, who="QE").quarantined
            found[part] = forecast_lap(look_at_cell(store, site), "K2", cache=PoolCache()).faces_left
    assert found["*"].status == "range" and found["*"].past_cycles == 3  # the fourth runs on
    assert found["*"].low <= 20 <= found["*"].high  # 0.2 um and 0.03 um a face reach 0.8 um with the 20th
    assert found["P1"].sentence.startswith("cannot say: no part number is known on it")


def _two_parts(tmp_path, name, limits, last):
    """J1 laps A and B, B reads 0.16 um higher and wear adds 0.012 um a face; the last face is of the part `last`."""
    rng, at, rows = np.random.default_rng(31), pd.Timestamp("2026-03-02 06:00"), ["time,lap,part,flatness um,event\n"]
    for cycle in range(6):
        rows.append(f"{at:%Y-%m-%d %H:%M},J1,,,reconditioned\n")
        running = cycle == 5
        for age in range(16 if running else 20):
            at += pd.Timedelta(minutes=20)
            part = last if running and age == 15 else rng.choice(["A", "B"])
            read = {"A": 0.2, "B": 0.36}[part] + 0.012 * age + 0.015 * rng.normal()
            rows.append(f"{at:%Y-%m-%d %H:%M},J1,{part},{read:.3f},\n")
        at += pd.Timedelta(minutes=20)
    site = Settings(time_zone="UTC", date_order="ymd", decimal=".")
    with Store.open(tmp_path / f"{name}.db") as store:
        for part, upper_um in limits.items():
            store.set_limit(part, "flatness", upper_um=upper_um, upper_text=f"{upper_um} um", who="QE")
        assert not ingest(store, "".join(rows).encode(), name="log.csv", settings=site, who="QE").quarantined
        return forecast_lap(look_at_cell(store, site), "J1", cache=PoolCache())


@pytest.mark.parametrize("limits", [{"*": 0.6}, {"A": 0.59, "B": 0.6}], ids=["one limit", "the tightest is of A"])
def test_the_part_that_is_at_its_limit_first_leads_whichever_was_lapped_last(limits, tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    found = {last: _two_parts(tmp_path, last, limits, last) for last in "AB"}
    left = {last: one.faces_left for last, one in found.items()}
    for last in "AB":
        assert found[last].part == left[last].part == "B" and found[last].limit_text == "0.6 um (B)"
        assert left[last].low <= 5 <= left[last].high  # (0.60 - 0.36) / 0.012 - 15, by hand
        (other,) = left[last].others
        assert other.part == "A" and other.low <= 18 <= other.high + 1  # (0.60 - 0.20) / 0.012 - 15
        assert left[last].sentence.endswith(f" faces left (B); A: {other.sentence.removesuffix(' faces left')}")
    assert left["A"].median == pytest.approx(left["B"].median, abs=2)


def test_a_part_at_its_limit_is_named_beside_those_that_last(tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    found = _two_parts(tmp_path, "over", {"A": 0.6, "B": 0.5}, "A")
    left = found.faces_left
    assert (left.status, left.part, found.limit_text) == ("over", "B", "0.5 um (B)")
    assert left.sentence.startswith("no faces left (B): ") and "; A: " in left.sentence


def test_a_part_lapped_only_before_the_reconditioning_still_counts(view):
    """One face into a cycle, the other part number is as near as it was."""
    signs = view.signs
    young = signs[(signs["lap"] != "K1") | (signs["cycle"] < signs["cycle"].max()) | (signs["age_faces"] < 1)]
    left = forecast_lap(replaced(view, young), "K1", cache=PoolCache()).faces_left
    assert {left.part, *(other.part for other in left.others)} == {"gauge pin", "ring seal"}


def test_a_lap_that_wears_four_times_as_fast_as_all_before_is_forecast_from_its_own_readings(monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", "off")
    draw = np.random.default_rng(11)

    def logged(label, slope, faces):
        age = np.arange(float(faces))
        size = 0.2 + slope * age + 0.03 * draw.standard_normal(faces)
        low, high = np.maximum(size - 0.01, 0.0), size + 0.01
        blank = np.full(faces, "", dtype=object)
        return CyclePaths(wear_path(label, age, low, high), signed_path(label, age, low, high, blank))

    past = past_until(tuple(logged(f"past {c}", 0.02 + 0.001 * (c - 4), 36) for c in range(9)), 1.0)
    rows = pd.DataFrame({"age_faces": np.arange(8.0), "face_id": np.arange(8)})
    for slope, its_own in ((0.08, True), (0.02, False)):
        own = logged("in use", slope, 8)
        now = RunningCycle(rows, own, "9 um", (PartLimit("P1", 1.0, "1 um"),))
        found = forecast_cycle("L1", now, past, turning=False, cache=PoolCache())
        left = found.faces_left
        assert left.low <= 0.8 / slope - 8 <= left.high, left.sentence
        assert ("its readings do not go as theirs" in found.borrowed) == its_own


def test_the_order_in_which_a_log_was_delivered_changes_no_figure(tmp_path, monkeypatch):
    """Faces are numbered as they come in: of the second cell from the newest back."""
    monkeypatch.setenv("LAPCELL_CACHE", "off")

    def turning(lap, cycle, age, row):
        row["shape"] = "convex" if age < 8 else "concave"

    answers = []
    for name, way in (("told", 1), ("back", -1)):
        cell = PlantedCell(5, laps=("L1", "L2"), cycles=4, last=16, fault=turning)
        cell.rows = cell.rows[::way]
        (tmp_path / name).mkdir()
        laps = told(cell.store(tmp_path / name), "due")["laps"]
        answers.append([(one["sentence"], one["faces_left"], one["reasons"], one["confidence"]) for one in laps])
    assert answers[0] == answers[1]
    assert all(left["status"] in ("range", "over") for _, left, _, _ in answers[0])
