from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from spc.capability.refusal import StudyFacts, check_trend, refusals

CLEAN = StudyFacts(
    faces=60,
    cycles=4,
    limit_um=2.0,
    step_um=0.1,
    open_signals=0,
    trend_p_value=0.4,
    trend_modelled=False,
    cut_off="not cut off",
    units_inferred=False,
    gauge_study=True,
    fit="agrees",
    operator_confounded=False,
)

FAULTS = {
    "open signals": {"open_signals": 2},
    "signals not looked for": {"open_signals": None},
    "trend not modelled": {"trend_p_value": 0.001},
    "trend not looked for": {"trend_p_value": None},
    "too few faces": {"faces": 29},
    "too few cycles": {"cycles": 2},
    "step too coarse": {"step_um": 0.25},
    "step unknown": {"step_um": None},
    "cut off at the limit": {"cut_off": "cut off"},
    "cut-off not known": {"cut_off": "cannot say"},
    "units inferred": {"units_inferred": True},
    "no gauge study": {"gauge_study": False},
    "fit rejected": {"fit": "rejected"},
    "fit not checked": {"fit": ""},
    "operator confounded with lap": {"operator_confounded": True},
    "operators not known": {"operator_confounded": None},
}


def test_a_clean_study_is_refused_nothing():
    assert refusals(CLEAN) == ()


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_alone_gives_its_own_refusal_with_a_cure(name):
    (found,) = refusals(replace(CLEAN, **FAULTS[name]))
    assert found.name == name and len(found.sentence) > 20 and len(found.cure) > 10
    grave = name in ("units inferred", "fit rejected")
    assert found.bars == ("any index" if grave else "capability")


def test_sentences_carry_their_numbers():
    coarse = refusals(replace(CLEAN, step_um=0.5))[0]
    assert "25% of the limit 2 um" in coarse.sentence and "0.2 um" in coarse.cure
    few = refusals(replace(CLEAN, faces=20))[0]
    assert "20 independent faces" in few.sentence and "10 more" in few.cure


def test_bounds_themselves_are_allowed():
    assert refusals(replace(CLEAN, faces=30, cycles=3, step_um=0.2, open_signals=0)) == ()


def test_a_modelled_trend_is_no_reason():
    assert refusals(replace(CLEAN, trend_p_value=1e-9, trend_modelled=True)) == ()


def test_gravest_come_first_and_all_are_listed():
    everything = replace(
        CLEAN,
        faces=5,
        cycles=1,
        step_um=0.5,
        open_signals=1,
        trend_p_value=0.0,
        cut_off="cut off",
        units_inferred=True,
        gauge_study=False,
        fit="rejected",
        operator_confounded=True,
    )
    found = refusals(everything)
    assert len(found) == 10 and found[0].name == "units inferred" and found[1].name == "fit rejected"


@pytest.mark.parametrize("limit", [0.0, -2.0, float("nan")])
def test_refuses_a_limit_of_zero_or_less(limit):
    with pytest.raises(ValueError, match="`limit_um` must be a finite number greater than 0"):
        refusals(replace(CLEAN, limit_um=limit))


def test_trend_check_agrees_with_counting_pairs():
    rng = np.random.default_rng(1)
    age = np.tile(np.arange(20.0), 3)
    x = np.round(rng.lognormal(0, 0.3, 60) * (1 + 0.02 * age) / 0.25) * 0.25
    check = check_trend(age, x - 0.125, x + 0.125)
    da, dx = np.sign(age[:, None] - age), np.sign(x[:, None] - x)
    tau_b = (da * dx).sum() / np.sqrt((da**2).sum() * (dx**2).sum())
    assert check.tau == pytest.approx(tau_b)
    permuted = [stats.kendalltau(rng.permutation(age), x).statistic for _ in range(400)]
    assert check.p_value == pytest.approx(np.mean(np.abs(permuted) >= abs(tau_b)), abs=0.05)


def test_trend_check_of_too_little_says_so():
    for age, x in [([1.0, 2.0], [1.0, 2.0]), (np.ones(20), np.arange(20.0)), (np.arange(20.0), np.ones(20))]:
        check = check_trend(age, x, x)
        assert np.isnan(check.p_value) and "too few, or too alike" in check.sentence
    missing = check_trend(np.full(30, np.nan), np.ones(30), np.ones(30))
    assert missing.n == 0


def test_or_more_readings_rank_highest():
    age = np.arange(20.0)
    low, high = age / 10, age / 10 + 0.1
    high[-3:], low[-3:] = np.inf, 1.6
    assert check_trend(age, low, high).tau > 0.95


def test_no_figure_of_a_reason_says_otherwise_than_the_reason():
    """A step of 10.1 % is beyond 10 %, and 89.6 % judged are not 90 %."""
    coarse = refusals(replace(CLEAN, step_um=0.101 * CLEAN.limit_um))[0]
    assert "10.1% of the limit" in coarse.sentence and "at most" in coarse.sentence
    watched = refusals(replace(CLEAN, watched_share=0.896))[0]
    assert "the charts judged 89% of these readings" in watched.sentence
    last = refusals(replace(CLEAN, faces=29))[0]
    assert last.cure == "read 1 more face" and "29 independent faces" in last.sentence
    assert "1 independent face, " in refusals(replace(CLEAN, faces=1))[0].sentence


def test_what_bars_any_index_is_said_before_what_bars_the_word_alone():
    few = replace(CLEAN, first_not_logged=1, fit="rejected")  # of these first passes, under a twentieth is not logged
    assert [one.bars for one in refusals(few)] == ["any index", "capability"]
    assert refusals(few)[0].name == "fit rejected"
