import pandas as pd
import pytest

from spc.board.cause_table import CAUSES, GROUPS, SCOPES, SIGNS, UNKNOWN
from spc.board.causes import count_reactions, diagnose, read_pattern
from spc.board.safety import CAUTIONS, urges_speed
from spc.wear.sign_moves import SignMove
from tests.spc.commands.planted_cell import PlantedCell, told


def moved(**states):
    names = {"rate": "removal rate", "relaps": "re-lap share"}
    quiet = dict.fromkeys(["flatness", "minutes", "removal rate", "finish", "re-lap share"], "steady")
    quiet |= {names.get(k, k): v for k, v in states.items()}
    return [SignMove(sign, state, 0.001) for sign, state in quiet.items()]


def top(diagnosis):
    return diagnosis.causes[0].name


@pytest.mark.parametrize(
    ("states", "more", "cause"),
    [
        ({"rate": "down", "minutes": "up"}, {"bow_turned": False, "scope": "one lap"}, "charge used up"),
        ({"rate": "down", "minutes": "up", "finish": "down"}, {"scope": "one lap"}, "glazed lap"),
        ({"flatness": "up", "relaps": "up"}, {"bow_turned": False, "scope": "one lap"}, "lap worn out of shape"),
        ({}, {"bow_turned": True, "scope": "one lap"}, "stroke pattern or ring position"),
        ({"flatness": "down"}, {"bow_turned": True, "scope": "one lap"}, "stroke pattern or ring position"),
        ({"finish": "up"}, {"scratch": True, "scope": "one lap"}, "coarse grain or contamination"),
        ({"flatness": "up"}, {"scope": "many laps"}, "the room: temperature, lamp, flat, slurry batch"),
        ({"minutes": "up"}, {"scope": "one part number"}, "part mix or more stock to remove"),
        ({}, {"identical": True}, "reading step too coarse, or readings copied"),
    ],
)
def test_the_pattern_of_the_reaction_table_leads_to_its_cause(states, more, cause):
    diagnosis = diagnose(read_pattern(moved(**states), **({"scratch": False} | more)))
    assert top(diagnosis) == cause
    assert sum(c.likelihood for c in diagnosis.causes) == pytest.approx(1)
    assert sum(diagnosis.groups.values()) == pytest.approx(1)
    assert UNKNOWN in {c.name for c in diagnosis.causes}


def test_logged_reactions_move_the_ranking_and_are_told():
    pattern = read_pattern(moved(rate="down", minutes="up"), scratch=False, scope="one lap")
    log = pd.DataFrame(
        {"sign": ["minutes"] * 9 + ["scratch"], "cause": ["glazed lap"] * 8 + ["not found", "spilt paste"]}
    )
    counts = count_reactions(log, pattern.moved)
    assert counts == {"glazed lap": 8, UNKNOWN: 1}
    before, after = diagnose(pattern), diagnose(pattern, counts=counts)
    assert top(before) == "charge used up"
    assert top(after) == "glazed lap"
    assert after.causes[0].counted == "found 8 of 9 times"
    assert before.causes[0].counted == ""


def test_a_bad_wipe_counts_as_a_reading_that_was_wrong():
    log = pd.DataFrame({"sign": ["flatness"] * 3, "cause": ["bad wipe", "Bad reading", "not found"]})
    assert count_reactions(log, ("flatness",)) == {"read warm, in poor light or by another eye": 2, UNKNOWN: 1}


def test_a_cause_found_outside_the_table_raises_unknown():
    pattern = read_pattern(moved(finish="up"), scratch=False)
    share = {c.name: c.likelihood for c in diagnose(pattern).causes}[UNKNOWN]
    taught = {c.name: c.likelihood for c in diagnose(pattern, counts={"spilt paste": 6}).causes}[UNKNOWN]
    assert taught > share


def test_the_cheap_check_comes_before_the_dear_one():
    pattern = read_pattern(moved(flatness="up"), scratch=False)
    checks = diagnose(pattern).checks
    cheap = next(c.check for c in CAUSES if c.name.startswith("read warm"))
    dear = next(c.check for c in CAUSES if c.name == "lap worn out of shape")
    assert checks.index(cheap) < checks.index(dear)


def test_nothing_moved_and_too_few_say_so():
    few = [SignMove("flatness", "too few", float("nan"))]
    pattern = read_pattern(few, scratch=False)
    assert "flatness" not in pattern.states
    assert diagnose(pattern).sentence == "No sign has moved, so there is no cause to look for."


def test_the_table_is_sound():
    assert len({c.name for c in CAUSES}) == len(CAUSES)
    for cause in CAUSES:
        assert cause.group in GROUPS
        assert set(cause.scopes) <= set(SCOPES)
        assert sum(cause.scopes.values()) <= 1 + 1e-9
        assert set(cause.cautions) <= set(CAUTIONS)
        assert not urges_speed(cause.check + cause.action)
        for sign, states in cause.signs.items():
            assert set(states) <= set(SIGNS[sign])
            assert sum(states.values()) < 1


def test_cautions_follow_the_likely_actions():
    diagnosis = diagnose(read_pattern(moved(), scratch=True, scope="one lap"))
    assert any("solvents" in line.lower() for line in diagnosis.safety)
    assert diagnosis.safety[-1].startswith("Reminders only")


def test_scopes_that_are_not_told_apart_are_weighed_together():
    """Given either, the odds are a mixture of those given each: with the same weight for every cause."""
    both, lap, room = (
        {c.name: c.likelihood for c in diagnose(read_pattern(moved(flatness="up"), scratch=False, scope=scope)).causes}
        for scope in ("one lap or many laps", "one lap", "many laps")
    )
    weights = [(both[name] - room[name]) / (lap[name] - room[name]) for name in both]
    assert weights == pytest.approx([weights[0]] * len(weights)) and 0 < weights[0] < 1


@pytest.mark.parametrize("scope", ["", *SCOPES, "one lap or many laps"])
@pytest.mark.parametrize("sign", sorted(set(SIGNS) - {"scratch", "other laps"}))
def test_other_laps_hit_make_contamination_likelier_whatever_else_shows(sign, scope):
    """What a scratched lap shares with others takes the place of its scope, as in the diagnosis of a lap."""

    def likelihood(pattern):
        return {c.name: c.likelihood for c in diagnose(pattern).causes}["coarse grain or contamination"]

    for state in SIGNS[sign]:
        quiet = {"flatness": "steady", "minutes": "steady", "finish": "steady", sign: state}
        alone = read_pattern((), scratch=True, scope=scope, also=quiet)
        together = read_pattern((), scratch=True, also=quiet | {"other laps": "hit"})
        assert likelihood(together) > likelihood(alone)


def test_refuses_unknown_words():
    with pytest.raises(ValueError, match=r"`scope` must be '' or one of .*; got 'the moon'"):
        read_pattern([], scratch=False, scope="the moon")
    with pytest.raises(ValueError, match=r"`also` must map a sign to one of its states, got 'bow': 'up'"):
        read_pattern([], scratch=False, also={"bow": "up"})


def test_a_coarser_grit_speaks_for_coarse_grain_and_is_called_no_scratch():
    grit = read_pattern(moved(), scratch=False, coarser_grit=True, scope="one lap")
    found = diagnose(grit)
    assert top(found) == "coarse grain or contamination" and grit.moved == ("grit",)
    assert found.causes[0].why == "a coarser grit on the lap, it follows one lap"
    assert "a scratch" not in found.sentence + "".join(c.why for c in found.causes)
    scratched = diagnose(read_pattern(moved(), scratch=True, scope="one lap"))
    assert found.causes[0].likelihood == pytest.approx(scratched.causes[0].likelihood)
    both = diagnose(read_pattern(moved(), scratch=True, coarser_grit=True, scope="one lap"))
    assert {"a scratch", "a coarser grit on the lap"} <= set(both.causes[0].why.split(", "))


def test_a_lap_held_for_its_grit_is_not_said_to_have_scratched(tmp_path):
    def coarse(lap, cycle, age, row):
        row |= {"grit": "60 um"} if (cycle, age) == (1, 9) else {}

    report = told(PlantedCell(4, cycles=2, last=10, fault=coarse).store(tmp_path), "due", "--lap", "L1")
    (why,) = (c["why"] for c in report["causes"] if c["name"].startswith("coarse grain"))
    assert "a coarser grit on the lap" in why and "scratch" not in why


def test_the_check_of_unknown_is_no_check_of_another_cause():
    note = next(c.check for c in CAUSES if c.name == UNKNOWN)
    slow = diagnose(read_pattern(moved(minutes="up"), scratch=False))
    assert {c.name: c.likelihood for c in slow.causes}[UNKNOWN] > 0.05 and top(slow) != UNKNOWN
    assert note not in slow.checks
    odd = diagnose(read_pattern(moved(finish="down", flatness="down"), scratch=False, scope="one operator"))
    assert top(odd) == UNKNOWN and note in odd.checks
