import dataclasses
import re

import numpy as np
import pytest

from spc.chart.baseline import RulesInUse, analyse
from spc.chart.cycle_spread import cycle_spread
from spc.chart.need import need_of_revision
from spc.chart.stream import stream_of
from spc.wear.cycle import number_cycles
from tests.honesty.worn_cycles import lap
from tests.spc.board.invented_cell import events_of, faces_of

RULES = RulesInUse(0.0005, 0.2, 1.1, 1000.0, 13.0, 4.0)


def two(n_new=60, sign="minutes", **options):
    n = 72 + n_new
    faces = faces_of("K1", n, np.random.default_rng(80), **options)
    s = stream_of(number_cycles(faces, events_of("K1", n)), lap="K1", sign=sign)
    old = s.where(np.arange(n) < 72)
    return old, s.where(np.arange(n) >= 72), analyse(old, RULES).model


def test_same_law_needs_nothing_and_a_moved_one_does():
    assert need_of_revision(*two(), signalling=0).status == "not needed"
    found = need_of_revision(*two(jump_at=72, jump=1.5), signalling=9)
    assert found.status == "needed"
    low, high = found.new_typical * np.exp(-0.2), found.new_typical * np.exp(0.2)  # 1.645 log sd of 0.12
    nine = re.search(
        r"nine in ten from [\d.]+ to [\d.]+ min then, .*nine in ten from ([\d.]+) to ([\d.]+) min now,", found.sentence
    )
    assert [float(end) for end in nine.groups()] == pytest.approx([low, high], rel=0.05)
    assert "(with parts evened out, middle " in found.sentence
    assert found.new_typical / found.old_typical == pytest.approx(1.5, rel=0.08)
    assert "look for it first: a new limit would hide it" in found.sentence


def test_signals_among_readings_of_the_same_law_are_not_cleared_by_it():
    quiet, three = (need_of_revision(*two(), signalling=count).sentence for count in (0, 3))
    assert quiet.endswith("): no new revision is needed.")
    assert three == f"{quiet} That does not clear the 3 of them that signal on the chart: look for the cause."


def test_lognormal_ratio_by_hand():  # second way: closed form of two normal samples, and the whole matrix of cycles
    old, new, model = two(jump_at=72, jump=1.05)
    model = dataclasses.replace(model, norm=dataclasses.replace(model.norm, family="lognormal"))
    y = [np.log(s.low / model.norm.factor(s.part, s.age_faces)) for s in (old, new)]
    both = np.concatenate(y)
    ratio = both.size * np.log(both.var()) - sum(x.size * np.log(x.var()) for x in y)
    from scipy.stats import chi2

    spread = cycle_spread((y[0] - y[0].mean()) / y[0].std(), old.age_faces, old.cycle)
    cycle, age = (np.concatenate([getattr(s, name) for s in (old, new)]) for name in ("cycle", "age_faces"))
    same = cycle[:, None] == cycle
    in_both = np.isin(cycle, np.intersect1d(old.cycle, new.cycle))  # their slope is what changes along them
    slopes = np.where(same & ~in_both, spread.slope_sd**2 * np.outer(age, age), 0.0)
    hang_together = spread.within_sd**2 * np.eye(both.size) + spread.start_sd**2 * same + slopes
    apart = np.diag(spread.within_sd**2 + spread.start_sd**2 + (spread.slope_sd * age) ** 2)
    weight = np.repeat([-1 / len(old), 1 / len(new)], [len(old), len(new)])
    widened = (weight @ hang_together @ weight) / (weight @ apart @ weight)
    phi = model.norm.phi
    assert widened > 3 > (1 + phi) / (1 - phi)
    assert need_of_revision(old, new, model, signalling=0).p_value == pytest.approx(
        chi2.sf(ratio / widened, 2), rel=1e-4
    )


def test_cycles_that_differ_are_no_reason_to_freeze_anew():
    """Twelve cycles whose levels differ by half an sd of a reading, nothing else: in four of ten it was advised."""
    advised = 0
    for seed in range(30):
        made = dataclasses.replace(lap(np.random.default_rng(seed), 12, growth=0.0, levels=0.5), sign="minutes")
        first = made.cycle < 6
        model = analyse(made.where(first), RULES).model
        advised += need_of_revision(made.where(first), made.where(~first), model, signalling=0).status == "needed"
    assert advised <= 2  # of 30 at 1 % each: more than 2 in 1 of 300


def test_too_few_is_said():
    found = need_of_revision(*two(n_new=8), signalling=0)
    assert found.status == "too few"
    assert "8 readings since the baseline are too few" in found.sentence


def test_readings_without_a_law_are_said():
    old, new, model = two(sign="flatness")
    new.low[:], new.high[:] = 0.0, 0.147
    assert need_of_revision(old, new, model, signalling=0).status in ("too few", "needed")


def test_refuses_bad_arguments():
    with pytest.raises(ValueError, match="`false_advice` must be between 0 and 1"):
        need_of_revision(*two(), signalling=0, false_advice=2)
