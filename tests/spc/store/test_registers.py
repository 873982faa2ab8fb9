import pytest

from spc.store.database import StoreError
from spc.store.registers import LimitSet
from spc.store.store import Store


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as opened:
        yield opened


def test_lap_revisions_keep_what_is_not_said_again(store):
    store.set_lap("CI-1", material="cast iron", home_grit="15 um", who="QE")
    store.set_lap("CI-1", note="tall stand")
    store.append_event({"lap": "CU-2", "event": "charged"}, who="Ann")
    laps = store.laps().set_index("lap")
    assert laps.loc["CI-1", "material"] == "cast iron" and laps.loc["CI-1", "note"] == "tall stand"
    assert laps.loc["CI-1", "group"] == "cast iron 15 um"  # nobody said another
    assert laps.loc["CU-2", "group"] == ""
    revision = store.revision()
    store.set_lap("CI-1", note="tall stand")
    assert store.revision() == revision
    store.set_lap("CI-1", state="stand-by")
    written = store.laps().set_index("lap")["state_us"]
    store.set_lap("CI-1", state="stand-by")
    assert store.laps().set_index("lap")["state_us"].equals(written)
    store.set_lap("CI-1", state="stand-by", again=True)  # it holds from now on
    assert store.laps().set_index("lap")["state_us"]["CI-1"] > written["CI-1"] > written["CU-2"] == 0
    with pytest.raises(StoreError, match="`state` must be one of 'in use'"):
        store.set_lap("CI-1", state="lost")
    with pytest.raises(StoreError, match="`lap` must be a name"):
        store.set_lap(" ")


def test_a_name_that_no_current_row_carries_is_no_lap(store):
    face_id = store.append_face({"lap": "CI-l"}, who="Ann")
    taken_back = store.append_face({"lap": "CI-2"}, who="Ann")
    event_id = store.append_event({"lap": "CI-3", "event": "charged"}, who="Ann")
    store.set_lap("CI-4", who="QE")
    assert store.laps()["lap"].tolist() == ["CI-2", "CI-3", "CI-4", "CI-l"]
    store.correct_face(face_id, {"lap": "CI-1"}, who="QE", reason="mistyped")
    store.withdraw_face(taken_back, who="QE", reason="not lapped")
    store.withdraw_event(event_id, who="QE", reason="not done")
    assert store.laps()["lap"].tolist() == ["CI-1", "CI-4"]


def test_limits_are_revisions_with_a_day_from_which_they_hold(store):
    store.set_limit("SP-1", "flatness", upper_um=0.6, who="QE", valid_from="2026-01-01")
    store.set_limit("SP-1", "flatness", upper_um=0.3, who="QE", valid_from="2026-02-01")
    store.set_limit("SP-1", "flatness", upper_um=0.1, who="QE", valid_from="2999-01-01")  # not yet
    store.set_limit("SP-1", "thickness", upper_um=12_010, lower_um=12_000, who="QE")
    valid = store.limits().set_index("characteristic")
    assert valid.loc["flatness", "upper_um"] == 0.3 and valid.loc["thickness", "lower_um"] == 12_000
    assert store.limits(all_revisions=True)["upper_um"].tolist() == [0.6, 0.3, 0.1, 12_010]
    store.set_limit("SP-1", "flatness", upper_um=None, who="QE", why="no longer asked")
    assert store.limits()["characteristic"].tolist() == ["thickness"]


def test_a_limit_that_changes_nothing_is_no_revision(store):
    same = {"upper_um": 0.6, "upper_text": "0.6 um", "who": "QE"}
    first = store.set_limit("SP-1", "flatness", **same, valid_from="2026-01-01")
    assert store.set_limit("SP-1", "flatness", **same) == LimitSet(first.revision, new=False)
    later = store.set_limit("SP-1", "flatness", upper_um=0.3, upper_text="0.3 um", who="QE", valid_from="2026-03-01")
    assert not store.set_limit("SP-1", "flatness", **same, valid_from="2026-02-01").new
    assert store.set_limit("SP-1", "flatness", **same, valid_from="2026-04-01").new
    assert later.new and len(store.limits(all_revisions=True)) == 3
    before = {"upper_um": None, "who": "QE", "valid_from": "2025-12-31"}
    with pytest.raises(StoreError, match="must have a limit of flatness to take back, 'SP-1' has none at that time"):
        store.set_limit("SP-1", "flatness", **before)
    assert store.set_limit("SP-1", "flatness", upper_um=None, who="QE").new
    with pytest.raises(StoreError, match="has none at that time"):
        store.set_limit("SP-1", "flatness", upper_um=None, who="QE")


@pytest.mark.parametrize("day", ["2026-01-01", "20260101", "2026-W01-4", "20260101T060000"])
def test_a_limit_holds_from_a_day_however_its_iso_date_is_written(store, day):
    """Moments are compared as texts: '20260101' would sort behind every day with hyphens and never come."""
    store.set_limit("SP-1", "flatness", upper_um=0.6, who="QE", valid_from=day)
    limits = store.limits()
    assert limits["upper_um"].tolist() == [0.6]
    assert limits["valid_from"].iloc[0] in ("2026-01-01", "2026-01-01T06:00:00")


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ({"upper_um": float("nan")}, "`upper_um` must be a length greater than 0"),
        ({"upper_um": -1.0}, "`upper_um` must be a length greater than 0"),
        ({"upper_um": 1.0, "lower_um": 0.5}, "only thickness has a lower limit"),
        ({"upper_um": 1.0, "valid_from": "soon"}, "`valid_from` must be an ISO date"),
    ],
)
def test_impossible_limits_are_refused(store, arguments, sentence):
    with pytest.raises(StoreError, match=sentence):
        store.set_limit("SP-1", "flatness", **arguments)
    with pytest.raises(StoreError, match="`characteristic` must be one of flatness"):
        store.set_limit("SP-1", "colour", upper_um=1.0)
    with pytest.raises(StoreError, match="`part` must be a part number"):
        store.set_limit(" ", "flatness", upper_um=1.0)


def test_baselines_count_up_within_lap_and_sign(store):
    for why in ("first", "new slurry"):
        store.freeze_baseline(lap="CI-1", sign="minutes", model={"upper": 9.5}, fingerprint="ab", who="QE", why=why)
    store.freeze_baseline(
        lap="CI-2", sign="minutes", model={"upper": 3}, fingerprint="cd", who="QE", why="", valid_from="2026-03-04"
    )
    frozen = store.baselines()
    assert [(one.lap, one.revision, one.why) for one in frozen] == [
        ("CI-1", 1, "first"),
        ("CI-1", 2, "new slurry"),
        ("CI-2", 1, ""),
    ]
    assert store.baselines(lap="CI-2")[0].valid_from == "2026-03-04"
    assert store.baselines(lap="CI-1", sign="flatness") == ()
    with pytest.raises(StoreError, match="must not hold NaN"):
        store.freeze_baseline(lap="CI-1", sign="x", model={"a": float("nan")}, fingerprint="", who="QE", why="")


def test_studies_are_versions_of_a_name(store):
    assert store.save_study("gauge", {"n": 1}) == 1
    assert store.save_study("gauge", {"n": 2}) == 2
    assert store.studies(name="gauge") == (("gauge", 1, {"n": 1}), ("gauge", 2, {"n": 2}))


@pytest.mark.parametrize("order", [(("A", "B"), ("B", "C")), (("B", "C"), ("A", "B"))])
def test_a_lap_renamed_twice_is_read_under_its_last_name(store, order):
    for typed, lap in order:
        store.record_alias(typed, lap, approved_by="QE")
    assert store.aliases() == {"A": "C", "B": "C"}
    store.record_alias("C", "A", approved_by="QE", why="it has its first name again")
    assert store.aliases() == {"B": "A", "C": "A"}
    store.record_alias("C", "", approved_by="QE", why="another lap")
    assert store.aliases() == {"B": "C"}


def test_aliases_are_approved_by_a_person_and_can_be_taken_back(store):
    store.record_alias("CI 1", "CI-1", approved_by="QE")
    assert store.aliases() == {"CI 1": "CI-1"}
    store.record_alias("CI 1", "", approved_by="QE", why="another lap")
    assert store.aliases() == {} and store.alias_history()["why"].tolist() == ["", "another lap"]
    with pytest.raises(StoreError, match="`approved_by` must name the person"):
        store.record_alias("CI 1", "CI-1", approved_by="")
    with pytest.raises(StoreError, match="`typed` must be another way"):
        store.record_alias("CI-1", "CI-1", approved_by="QE")
