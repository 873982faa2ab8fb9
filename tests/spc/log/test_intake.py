import hashlib

import pytest

from spc.log.columns import ColumnMap, FieldSource
from spc.log.intake import ingest
from spc.log.rereading import add_lap, approve_alias, fix_quarantined
from spc.settings import KnownLap, Settings
from spc.store.database import StoreError
from spc.store.store import Store

HEAD = "time,operator,lap,grit,part,serial,face,minutes,flatness (um),finish (um)\n"
ROWS = [
    "2026-03-04 10:00,Ann,CI-1,15 um,SP-1,1,A,5,0.3,0.08\n",
    "2026-03-04 10:10,Ann,CI-1,15 um,SP-1,2,A,5,0.5,0.08\n",
    "2026-03-04 10:20,Ann,CI-1,15 um,SP-1,3,A,5,?,0.08\n",
    "2026-03-04 10:30,Ann,CI-2,15 um,SP-1,4,A,6,0.4,0.08\n",
]
SITE = Settings(time_zone="Europe/Vienna")
# No serial number, no time: the least a log can be.
LEAST = "operator,lap,grit,minutes,flatness (um),finish (um)\n"
PLAIN = ["Ann,CI-1,15 um,5,0.3,0.08\n"] * 3 + ["Bob,CI-2,15 um,6,0.4,0.07\n"]


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "lapcell.db") as opened:
        yield opened


def take(store, rows, *, head=HEAD, name="log.csv", settings=SITE, **options):
    data = rows if isinstance(rows, bytes) else (head + "".join(rows)).encode()
    result = ingest(store, data, name=name, settings=settings, **options)
    told = (result.faces, result.repeats, result.events, result.quarantined, result.doubles)
    assert result.rows == sum(told) or result.refused
    return result, told


def test_each_row_ends_somewhere(store):
    result, told = take(store, ROWS, who="Ann", keep_rows=True)
    assert told == (3, 0, 0, 1, 0) and result.rows == 4 and result.accepted == 3
    assert result.accepted_rows["serial"].tolist() == ["1", "2", "4"]
    assert result.quarantined_rows["raw"].tolist() == [ROWS[2].strip()]
    assert "row 3" in result.quarantined_rows["reasons"][0]
    intake = store.intakes().iloc[0]
    assert intake["sha256"] == hashlib.sha256((HEAD + "".join(ROWS)).encode()).hexdigest()
    assert (intake["rows"], intake["faces"], intake["quarantined"], intake["who"]) == (4, 3, 1, "Ann")
    assert store.faces(lap="CI-2")["time_utc"].astype(str).tolist() == ["2026-03-04 09:30:00+00:00"]


@pytest.mark.parametrize("name", ["log.csv", "copy of log.csv"])
@pytest.mark.parametrize(
    "written",
    [
        lambda text: text.encode(),
        lambda text: text.replace("\n", "\r\n").encode(),
        lambda text: text.encode("utf-16"),
        lambda text: b"\xef\xbb\xbf" + text.encode(),
        lambda text: text.rstrip("\n").encode(),
    ],
)
@pytest.mark.parametrize(("head", "rows"), [(HEAD, ROWS), (LEAST, PLAIN)])
def test_the_same_file_twice_changes_nothing(store, name, written, head, rows):
    take(store, rows, head=head)
    revision, faces = store.revision(), store.faces()
    result, told = take(store, written(head + "".join(rows)), name=name)
    assert told == (0, 0, 0, 0, 4)
    assert store.revision() == revision and store.faces().equals(faces)
    assert "held already" in result.remarks[0]


@pytest.mark.parametrize("name", ["log.csv", "log of friday.csv"])
@pytest.mark.parametrize(("head", "rows"), [(HEAD, ROWS), (LEAST, PLAIN)])
def test_a_grown_file_adds_its_new_rows(store, name, head, rows):
    take(store, rows, head=head)
    more = [row.replace("10:", "11:").replace(",1,A", ",9,A") for row in rows[:1]]
    _, told = take(store, rows + more, head=head, name=name)
    assert told == (1, 0, 0, 0, 4)


def test_identical_rows_of_a_least_log_all_count(store):
    take(store, PLAIN, head=LEAST)
    assert len(store.faces()) == 4
    _, told = take(store, PLAIN + PLAIN, head=LEAST)
    assert told == (4, 0, 0, 0, 4) and len(store.faces()) == 8


def test_two_least_logs_do_not_swallow_each_other(store):
    take(store, PLAIN, head=LEAST, name="bench 1.csv")
    _, told = take(store, PLAIN[:2], head=LEAST, name="bench 2.csv")
    assert told == (2, 0, 0, 0, 0)
    other = ["Eve,CI-1,15 um,5,0.3,0.08\n", *PLAIN[:1], "Eve,CI-2,15 um,7,0.3,0.08\n"]
    result, told = take(store, other, head=LEAST, name="bench 1.csv")  # today's sheet under yesterday's name
    assert told == (3, 0, 0, 0, 0) and result.source == "bench 1.csv (2)"
    assert "another log" in " ".join(result.remarks)
    _, told = take(store, [*other, "Eve,CI-2,15 um,8,0.3,0.08\n"], head=LEAST, name="bench 1.csv")
    assert told == (1, 0, 0, 0, 3)


@pytest.mark.parametrize(
    ("written", "form"),
    [
        ("2026-03-04 6h1{}", ""), ("04.03.2026 06.1{}", ""), ("20260304 061{}", ""), ("46085.25{}", "excel serial"),
        ("177260460{}", "unix seconds"), ("040326 061{}", "%d%m%y %H%M"),
    ],
)  # fmt: skip
def test_rows_are_known_by_their_time_in_another_log_however_it_is_written(store, written, form):
    rows = [f"{written.format(i)},Ann,CI-1,15 um,5,0.3,0.08\n" for i in range(6)]
    plan = ColumnMap(columns={"time": FieldSource(headers=("time",), format=form)})
    stated = {"head": f"time,{LEAST}", "column_map": plan}
    assert take(store, rows[:4], name="week 1.csv", **stated)[1] == (4, 0, 0, 0, 0)
    assert take(store, rows[2:], name="week 1 and 2.csv", **stated)[1] == (2, 0, 0, 0, 2)
    assert all(store.faces()["time_utc"].notna())


def test_a_stated_log_is_its_own(store):
    take(store, PLAIN, head=LEAST, name="log.csv", log="bench 1")
    result, told = take(store, PLAIN, head=LEAST, name="log.csv", log="bench 2")
    assert told == (4, 0, 0, 0, 0) and result.source == "bench 2"


@pytest.mark.parametrize(("head", "rows", "at"), [(HEAD, ROWS, 1), (LEAST, PLAIN, 1)])
def test_a_changed_row_becomes_a_new_version(store, head, rows, at):
    take(store, rows, head=head)
    before = store.faces()
    changed = [*rows]
    changed[at] = changed[at].replace("0.5,0.08", "0.9,0.08").replace("0.3,0.08", "0.9,0.08")
    result, told = take(store, changed, head=head, who="Bob")
    assert told == (1, 0, 0, 0, 3) and result.new_versions == 1
    after = store.faces()
    assert len(after) == len(before) and after["version"].tolist().count(2) == 1
    assert after["face_id"].tolist() == before["face_id"].tolist()  # it keeps its place
    old, new = store.face_versions(int(after.loc[after["version"] == 2, "face_id"].iloc[0])).to_dict("records")
    assert old["flatness_text"] != new["flatness_text"] == "0.9"
    assert (old["replaced_by"], old["reason"]) == ("Bob", "changed in log.csv")


def test_a_row_changed_below_an_inserted_one_is_still_found(store):
    take(store, [*PLAIN, "Bob,CI-2,15 um,7,0.4,0.07\n"], head=LEAST)
    rows = ["Eve,CI-3,15 um,4,0.2,0.05\n", *PLAIN, "Bob,CI-2,15 um,7,0.6,0.07\n"]
    result, told = take(store, rows, head=LEAST)
    assert told == (2, 0, 0, 0, 4) and result.new_versions == 1


def test_an_edit_after_the_limit_was_passed_is_told(store):
    store.set_limit("SP-1", "flatness", upper_um=0.45, who="QE")
    take(store, ROWS)
    result, _ = take(store, [ROWS[0], ROWS[1].replace("0.5,", "0.4,"), *ROWS[2:]])
    assert "row 2: edited after flatness 0.5 was over its limit of 0.45 um" in result.remarks


def test_a_row_that_goes_over_to_another_name_of_its_lap_was_edited_by_nobody(store):
    store.set_limit("SP-1", "flatness", upper_um=0.45, who="QE")
    take(store, ROWS)
    approve_alias(store, "CI-1", "CI-2", settings=SITE, who="QE")
    result, _ = take(store, ROWS)
    assert result.new_versions > 0 and not [remark for remark in result.remarks if "edited after" in remark]
    assert not len(store.edits(after_signal=True))


def test_a_later_log_of_the_same_name_and_serials_is_no_change(store):
    take(store, ROWS[:2])
    tomorrow = [row.replace("2026-03-04", "2026-03-05") for row in ROWS[:2]]
    result, told = take(store, tomorrow)
    assert told == (2, 0, 0, 0, 0) and result.new_versions == 0
    assert any("no longer in the file; kept" in remark for remark in result.remarks)
    assert len(store.faces()) == 4


def test_doubles_and_repeats_within_one_file(store):
    rows = [
        ROWS[0],
        ROWS[0],  # the same row typed twice
        ROWS[0].replace("10:00", "10:04"),  # paper and tablet
        ROWS[0].replace("10:00", "10:05").replace("0.3,", "0.4,"),  # another value: gauge data
        ROWS[0].replace("10:00", "10:07").replace("Ann", "Bob"),  # another reader
    ]
    _, told = take(store, rows)
    assert told == (1, 2, 0, 0, 2)
    assert store.faces()["kind"].tolist() == ["face", "repeat", "repeat"]


def test_the_same_rows_on_paper_and_tablet_are_doubles(store):
    take(store, ROWS[:2], name="tablet.csv")
    paper = "serial;lap;part;face;time;operator;minutes;flatness um;Ra um;grit\n" + "".join(
        f"{serial};CI-1;SP-1;A;2026-03-04 10:{minute};Ann;5;{flat};0,08;15 um\n"
        for serial, minute, flat in (("1", "03", "0,3"), ("2", "12", "0,5"))
    )
    _, told = take(store, paper.encode(), name="paper.csv")
    assert told == (0, 0, 0, 0, 2)


def test_events_are_taken_in_once_and_unknown_ones_wait(store):
    head = "time,lap,event,grit,operator\n"
    rows = [
        "2026-03-04 09:00,CI-1,recharged,15 um,Ann\n",
        "2026-03-04 09:00,CI-1,recharged,15 um,Ann\n",
        "2026-03-04 12:00,CI-1,reconditioned,,Ann\n",
        "2026-03-04 12:30,CI-1,sung to,,Ann\n",
    ]
    _, told = take(store, rows, head=head, name="events.csv")
    assert told == (0, 0, 2, 1, 1)
    result, told = take(store, [rows[0], rows[2].replace("Ann", "Bob")], head=head, name="events.csv")
    assert told == (0, 0, 1, 0, 1) and result.new_versions == 1
    assert store.events()["operator"].tolist() == ["Ann", "Bob"]


def test_rows_that_could_not_be_read_are_taken_in_once_the_settings_say_more(store):
    head, rows = LEAST.replace(" (um)", ""), [row.replace("0.3,", "0.30,") for row in PLAIN]
    result, told = take(store, rows, head=head, settings=Settings())
    assert told == (0, 0, 0, 4, 0)
    _, told = take(store, rows, head=head, settings=Settings())
    assert told == (0, 0, 0, 0, 4)
    result, told = take(store, rows, head=head, settings=Settings(flatness_unit="um", finish_unit="um"))
    assert told == (4, 0, 0, 0, 0) and result.settled == 4
    assert store.quarantine().empty and set(store.quarantine(open_only=False)["how"]) == {"fixed"}
    result, told = take(store, rows, head=head, settings=Settings(flatness_unit="nm", finish_unit="um"))
    assert told == (4, 0, 0, 0, 0) and result.new_versions == 4
    assert store.faces()["flatness_high_um"].max() < 0.001


def test_a_correction_by_a_person_outlives_the_same_file_read_anew(store):
    take(store, ROWS[:2])
    store.correct_face(1, {"minutes": 8.0}, who="QE", reason="typo")
    _, told = take(store, ROWS[:2], settings=Settings(time_zone="Europe/London"))
    assert told == (1, 0, 0, 0, 1)  # the other row's time is read anew
    assert store.faces()["minutes"].tolist() == [8.0, 5.0]


def test_an_attempt_that_was_counted_says_so_when_its_row_is_read_anew(store):
    rows = [ROWS[0], ROWS[0].replace("10:00", "12:00").replace("A,5", "A,6")]
    take(store, rows)
    counted = "counted as another attempt: other minutes, which fit between the two times"
    for zone in ("Europe/London", "Asia/Tokyo"):
        result, _ = take(store, rows, settings=Settings(time_zone=zone))
        assert result.new_versions == 2 and store.faces()["attempt"].tolist() == [1, 2]
        assert [counted in said for said in store.faces()["remarks"]] == [False, True]


def test_a_fixed_row_leaves_quarantine_and_is_known_when_delivered_again(store):
    take(store, ROWS)
    number = int(store.quarantine()["quarantine_id"].iloc[0])
    with pytest.raises(StoreError, match="still cannot be read: flatness"):
        fix_quarantined(store, number, ROWS[2].strip(), settings=SITE, who="QE", reason="asked Ann")
    with pytest.raises(StoreError, match="exactly one row"):
        fix_quarantined(store, number, "a\nb", settings=SITE, who="QE", reason="asked Ann")
    with pytest.raises(StoreError, match="who and why must be said"):
        fix_quarantined(store, number, ROWS[0].strip(), settings=SITE, who="", reason="")
    fixed = ROWS[2].replace("?", "0.6")
    row = fix_quarantined(store, number, fixed.strip(), settings=SITE, who="QE", reason="asked Ann")
    assert (row["serial"][0], row["flatness_text"][0], row["row_number"][0]) == ("3", "0.6", 3)
    assert row["flatness_high_um"][0] == pytest.approx(0.65)  # the step of its file, not of the one row
    history = store.quarantine(open_only=False).iloc[0]
    assert (history["how"], history["who"], history["new_text"]) == ("fixed", "QE", fixed.strip())
    with pytest.raises(StoreError, match="settled already: fixed by QE"):
        fix_quarantined(store, number, fixed.strip(), settings=SITE, who="QE", reason="again")
    _, told = take(store, [*ROWS[:2], fixed, ROWS[3]])
    assert told == (0, 0, 0, 0, 4)
    _, told = take(store, [*ROWS, ROWS[3].replace(",4,A", ",5,A")])
    assert told == (1, 0, 0, 0, 4)


def test_a_discarded_row_stays_settled(store):
    take(store, ROWS)
    store.discard_quarantined(1, who="QE", reason="no such part")
    _, told = take(store, [*ROWS, ROWS[3].replace(",4,A", ",5,A")])
    assert told == (1, 0, 0, 0, 4) and store.quarantine().empty


def test_an_approved_alias_frees_the_rows_that_waited(store):
    site = Settings(time_zone="Europe/Vienna", laps=(KnownLap("CI-1"), KnownLap("CI-2")))
    rows = [ROWS[0], ROWS[1].replace("CI-1", "Cl 1"), ROWS[2].replace("CI-1", "Cl 1")]
    take(store, rows, settings=site)
    with pytest.raises(StoreError, match="`lap` must be a known lap, got 'CI-9'"):
        approve_alias(store, "Cl 1", "CI-9", settings=site, who="QE")
    done = approve_alias(store, "Cl 1", "CI-1", settings=site, who="QE", why="bad writing")
    assert (done.settled, done.still_waiting) == (1, 1) and "flatness" in done.reasons[0]
    assert store.faces()["lap"].tolist() == ["CI-1", "CI-1"]
    assert store.quarantine(open_only=False)["how"].tolist() == ["alias", ""]
    _, told = take(store, [*rows, ROWS[3].replace("CI-2", "Cl 1")], settings=site)
    assert told == (1, 0, 0, 0, 3)


def test_a_lap_added_frees_the_rows_that_waited_and_is_known_from_then_on(store):
    site = Settings(time_zone="Europe/Vienna", laps=(KnownLap("CI-1"),))
    result, told = take(store, [*ROWS, ROWS[2].replace("CI-1", "CI-2")], settings=site, keep_rows=True)
    assert told == (2, 0, 0, 3, 0) and "add the lap" in result.quarantined_rows["reasons"].iloc[1]
    with pytest.raises(StoreError, match="rows in quarantine wait for CI-2, and settling them is signed"):
        add_lap(store, "CI-2", settings=site)
    done = add_lap(store, "CI-2", settings=site, who="QE", why="new plate", home_grit="9 um")
    assert (done.settled, done.still_waiting) == (1, 1) and "flatness" in done.reasons[0]
    assert store.faces()["lap"].tolist() == ["CI-1", "CI-1", "CI-2"]
    assert store.quarantine(open_only=False)["how"].tolist() == ["", "fixed", ""]
    assert store.quarantine(open_only=False)["reason"].iloc[1] == "CI-2 was added to the register of laps"
    _, told = take(store, [*ROWS, ROWS[3].replace(",4,A", ",5,A").replace("15 um", "60 um")], settings=site)
    assert told == (1, 0, 0, 0, 4)  # and nothing that was settled waits again
    remarks = store.faces(lap="CI-2")["remarks"].iloc[-1]
    assert "coarser than the lap's own" in remarks  # than the grit that the register keeps it to
    assert add_lap(store, "CI-2", settings=site, who="QE", note="by the door").settled == 0


def test_without_a_list_of_laps_any_name_is_one_and_the_register_narrows_nothing(store):
    store.set_lap("CI-7", who="QE")
    _, told = take(store, ROWS)
    assert told == (3, 0, 0, 1, 0)


def test_a_row_the_store_cannot_hold_waits_and_the_others_go_on(store):
    store.connection.execute(  # stands for any constraint: the third serial number is refused
        "CREATE TEMP TRIGGER refuse BEFORE INSERT ON main.face WHEN new.serial = '2' "
        "BEGIN SELECT RAISE(ABORT, 'no such serial'); END"
    )
    result, told = take(store, ROWS, keep_rows=True)
    assert told == (2, 0, 0, 2, 0)
    assert "row 2: the store cannot hold it: no such serial" in result.quarantined_rows["reasons"].tolist()
    assert store.faces()["serial"].tolist() == ["1", "4"]


def test_a_refused_file_leaves_no_trace(store):
    for data, sentence in ((b"", "empty"), (bytes(range(256)) * 9, "no text"), (b"1,2,3\n4,5,6\n", "header")):
        result, _ = take(store, data, name="bad.csv")
        assert result.refused and result.error.startswith("bad.csv: ") and sentence in result.error
    result = ingest(store, store.path.parent / "none.csv", name="none.csv", settings=SITE)
    assert result.error == "none.csv: the file cannot be read: No such file or directory"
    assert store.revision() == 0 and store.intakes().empty


def test_a_header_without_rows_says_so(store):
    result, told = take(store, [])
    assert told == (0, 0, 0, 0, 0) and "no rows under it" in result.remarks[-1]
    assert store.revision() == 0


def test_a_log_may_name_the_material_of_its_laps(store):
    plan = ColumnMap(constants={"material": "cast iron"})
    take(store, ROWS, column_map=plan)
    assert set(store.laps()["material"]) == {"cast iron"}


EVENTS = "time,lap,event,reason\n"


@pytest.mark.parametrize("without", ["", "serial"])
def test_a_log_taken_in_again_under_a_new_alias_holds_each_row_once(store, without):
    """Half of the log is under the new name of the lap: its rows go over to it and stay as many."""
    rows = [*ROWS[:2], ROWS[3].replace("CI-2", "new 1"), ROWS[3].replace("CI-2", "new 1").replace("0.4", "0.6")]
    rows[3] = rows[3].replace("10:30", "10:31").replace("6,0.6", "6,0.7")
    head, told_of = HEAD, (3, 1, 0, 0, 0)
    if without:
        head, told_of = HEAD.replace(",serial", ""), (4, 0, 0, 0, 0)
        rows = [",".join(cell for at, cell in enumerate(row.split(",")) if at != 5) for row in rows]
    events = ["2026-03-04 09:59,CI-1,reconditioned,worn\n", "2026-03-04 10:29,new 1,recharged,\n"]
    assert take(store, rows, head=head)[1] == told_of
    take(store, events, head=EVENTS, name="events.csv")
    approve_alias(store, "new 1", "CI-1", settings=SITE, who="QE")
    result, told = take(store, rows, head=head)
    assert result.new_versions == 2 and sum(told[:2]) == 2 and told[4] == 2
    result, told = take(store, events, head=EVENTS, name="events.csv")
    assert (result.new_versions, told) == (1, (0, 0, 1, 0, 1))
    faces = store.faces()
    assert faces["lap"].tolist() == ["CI-1"] * 4 and store.events()["lap"].tolist() == ["CI-1"] * 2
    assert faces["kind"].tolist() == ["face"] * 3 + ["face" if without else "repeat"]
    assert store.laps()["lap"].tolist() == ["CI-1"]
    assert take(store, rows, head=head)[1] == (0, 0, 0, 0, 4)
    store.record_alias("new 1", "", approved_by="QE", why="another lap after all")
    take(store, rows, head=head)
    assert store.faces()["lap"].tolist() == ["CI-1", "CI-1", "new 1", "new 1"]
    assert store.laps()["lap"].tolist() == ["CI-1", "new 1"]


def test_another_zone_moves_rows_known_by_their_time_and_doubles_none(store):
    head = HEAD.replace(",serial", "")
    rows = [row.replace(f"SP-1,{n},", "SP-1,") for n, row in enumerate(ROWS[:2], start=1)]
    take(store, rows, head=head)
    store.correct_face(1, {"minutes": 8.0}, who="QE", reason="typo")
    result, told = take(store, rows, head=head, settings=Settings(time_zone="Europe/London"))
    assert told == (1, 0, 0, 0, 1) and result.new_versions == 1
    assert store.faces()["time_utc"].astype(str).tolist() == ["2026-03-04 09:00:00+00:00", "2026-03-04 10:10:00+00:00"]
