import dataclasses
import json

import numpy as np
import pytest

from spc.chart.baseline import RulesInUse, analyse, fingerprint_of, model_from_json, model_to_json
from spc.chart.on_steps import attained_on_steps
from spc.chart.stream import stream_of
from spc.model.interval_fit import fit_intervals
from spc.wear.cycle import number_cycles
from tests.spc.board.invented_cell import events_of, faces_of

RULES = RulesInUse(0.0005, 0.2, 1.1, 1000.0, 13.0, 4.0)


def stream(n=80, sign="flatness", seed=60, **options):
    faces = faces_of("K1", n, np.random.default_rng(seed), **options)
    return stream_of(number_cycles(faces, events_of("K1", n)), lap="K1", sign=sign)


def test_freezes_law_limit_and_attained_rate():
    s = stream()
    found = analyse(s, RULES)
    assert found.status == "ready"
    m = found.model
    law = m.norm.law()
    assert m.rules.alpha < RULES.alpha and m.rules.points_between == RULES.points_between  # widened for luck
    assert m.limit == pytest.approx(float(law.isf(m.rules.alpha)))
    assert m.attained_alpha <= m.rules.alpha * (1 + 1e-9)  # a stepped reading signals only when wholly beyond
    by_part = []  # of each part the first edge of a step at or beyond its limit
    for part in s.part.tolist():
        factor = m.norm.part_factors[part]
        edge = float(s.low[s.low > 0].min())
        while edge < m.limit * factor:
            edge += m.step
        by_part.append(float(law.sf(edge / factor)))
    usual = attained_on_steps(s, dataclasses.replace(m.norm, cycles=None), alpha=m.rules.alpha, step=m.step)
    assert m.norm.growth_per_face == 0 and usual == pytest.approx(np.mean(by_part))
    assert m.face_ids == tuple(s.face_id.tolist())


def test_minutes_have_no_steps_and_know_their_parts():
    m = analyse(stream(sign="minutes"), RULES).model
    assert m.step == 0
    assert m.attained_alpha == m.rules.alpha
    assert set(m.norm.part_factors) == {"ring seal", "gauge pin"}


def test_of_laws_that_fit_alike_the_most_careful_sets_the_limit():
    found = analyse(stream(sign="minutes"), RULES)
    m = found.model
    assert m.near_families and m.norm.family not in m.near_families
    s = stream(sign="minutes")
    factor = m.norm.factor(s.part, s.age_faces)
    for family in m.near_families:
        other = fit_intervals(s.low / factor, s.high / factor, family=family)
        assert float(other.isf(m.rules.alpha)) < m.limit * (1 + 1e-6)


def test_removal_rate_has_its_limit_below():
    m = analyse(stream(sign="removal rate"), RULES).model
    assert m.limit < m.typical


def test_an_outlier_is_called_out_but_stays_until_a_cause_is_given():
    s = stream(sign="minutes")
    s.low[30], s.high[30] = 60.0, 60.0
    found = analyse(s, RULES)
    assert found.status == "doubtful"
    assert [o.face_id for o in found.outliers] == [31]
    assert len(found.doubts) == 1 and found.doubts[0].startswith("1 reading does not belong with the others")
    assert 31 in found.model.face_ids
    without = analyse(s, RULES, excluded={31: "stopwatch left running"})
    assert without.status == "ready"
    assert 31 not in without.model.face_ids
    assert without.model.excluded == ((31, "stopwatch left running"),)
    assert without.model.limit < found.model.limit


def test_a_change_inside_the_list_is_said():
    found = analyse(stream(sign="minutes", jump_at=50, jump=1.8), RULES)
    assert found.status == "doubtful"
    assert any("not of one state, likely since 2026-01-09" in r for r in found.remarks)


def test_exclusion_without_cause_or_of_a_stranger_is_refused():
    with pytest.raises(ValueError, match="`excluded` must give a cause in words for face 3, got none"):
        analyse(stream(), RULES, excluded={3: " "})
    with pytest.raises(ValueError, match="`excluded` must name faces of the list, got 999"):
        analyse(stream(), RULES, excluded={999: "why"})


@pytest.mark.parametrize("n", [1, 2, 11])
def test_too_few_is_a_result_in_words(n):
    found = analyse(stream(n), RULES)
    assert (found.status, found.model) == ("refused", None)
    assert f"{n} readings of flatness at first pass are too few" in found.sentence


@pytest.mark.parametrize(("low", "high"), [(0.0, 0.147), (0.3, 0.3), (1.0, np.inf)])
def test_readings_that_carry_no_law_are_refused_in_words(low, high):
    s = stream()
    s.low[:], s.high[:] = low, high
    found = analyse(s, RULES)
    assert found.status == "refused"
    assert "No limits can be frozen from these 80 readings" in found.sentence


@pytest.mark.parametrize("scale", [1e-12, 1e9])
def test_scale_changes_nothing_but_the_unit(scale):
    s, t = stream(sign="minutes"), stream(sign="minutes")
    t.low[:], t.high[:] = s.low * scale, s.high * scale
    a, b = analyse(s, RULES).model, analyse(t, RULES).model
    assert b.limit == pytest.approx(a.limit * scale, rel=1e-6)


def test_what_is_frozen_survives_being_written_down_to_the_last_bit():
    m = analyse(stream(sign="minutes"), RULES, redrawn=20).model
    assert m.true_alpha[0] < RULES.alpha < m.true_alpha[1]
    assert model_from_json(json.loads(json.dumps(model_to_json(m)))) == m
    with pytest.raises(ValueError, match="layout 1, got 9"):
        model_from_json({"layout": 9})


def test_fingerprint_sees_the_last_bit():
    s, t = stream(), stream()
    assert fingerprint_of(s) == fingerprint_of(t)
    t.high[5] = np.nextafter(t.high[5], 2)
    assert fingerprint_of(s) != fingerprint_of(t)


def test_cycles_that_differ_are_frozen_with_the_list_and_read_back():
    s = stream(n=200)
    lean = np.array([0.8, 1.3, 0.9, 1.2, 0.75])[np.unique(s.cycle, return_inverse=True)[1]]
    leaning = dataclasses.replace(s, low=s.low * lean, high=s.high * lean)
    found = analyse(leaning, RULES)
    assert found.model.norm.cycles.p_value <= 0.01
    assert any(words.startswith("cycles differ by about") for words in found.remarks)
    assert model_from_json(json.loads(json.dumps(model_to_json(found.model)))) == found.model


def test_frozen_before_cycles_were_told_apart_is_read_back():
    model = analyse(stream(), RULES).model
    data = model_to_json(model)
    data["norm"].pop("cycles")
    assert model_from_json(data) == dataclasses.replace(model, norm=dataclasses.replace(model.norm, cycles=None))


def test_that_cycles_may_differ_is_allowed_for_even_where_they_are_not_seen_to():
    found = analyse(stream(), RULES)
    assert found.model.norm.cycles.p_value > 0.01
    assert any(words.startswith("cycles may differ by about") for words in found.remarks)
    assert analyse(stream(n=40), RULES).model.norm.cycles.known == "assumed"


def test_cycles_that_differ_are_no_change_of_state_and_a_step_within_one_is():
    s = stream(n=480, seed=3)
    lean = np.array([0.8, 0.75, 0.85, 0.8, 0.85, 0.75, 1.1, 0.9, 1.15, 1.0, 1.1, 0.95])[s.cycle - s.cycle.min()]
    leaning = dataclasses.replace(s, low=s.low * lean, high=s.high * lean)
    shifted = np.where(np.arange(480) >= 260, 1.4, 1.0)
    stepped = dataclasses.replace(s, low=s.low * shifted, high=s.high * shifted)
    few = (s.cycle - s.cycle.min() >= 4) & (s.cycle - s.cycle.min() < 8)
    by_chance = analyse(leaning.where(few), RULES)
    assert by_chance.status == "ready"
    assert any("may be no more than cycles that differ" in words for words in by_chance.remarks)
    found = analyse(stepped, RULES)
    assert found.status == "doubtful"
    said = next(words for words in found.remarks if "not of one state" in words)
    assert "cycles that differ as these do look as good in" in said


def test_doubts_that_nobody_asks_for_move_no_limit():
    s = stream(sign="minutes")
    s.low[30], s.high[30] = 60.0, 60.0
    asked, unasked = analyse(s, RULES), analyse(s, RULES, doubts=False)
    assert (asked.status, unasked.status, unasked.outliers) == ("doubtful", "ready", ())
    assert unasked.model == asked.model
