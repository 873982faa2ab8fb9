"""Invented whole cycles of one lap, no two alike: a sign that grows with age, earlier cycles and the running one."""

import numpy as np

from spc.board.false_calls import widths_for
from spc.chart.baseline import RulesInUse, analyse
from spc.chart.pair_chart import Array
from spc.chart.replay import Replayed, Revision, replay
from spc.chart.stream import Stream

GROWTH, NOISE = 0.03, 0.25  # of the logarithm: a face, and a reading about its cycle's line


def rules(between: float) -> RulesInUse:
    w = widths_for(between)
    return RulesInUse(w.alpha, w.weight, w.average_limit_z, w.points_between, w.sees_one_sd, w.sees_two_sd)


def lap(rng, earlier, *, growth=GROWTH, slopes=0.0, levels=0.0, step=0.0, running=30, added=None) -> Stream:
    """Cycles of 15 to 40 faces and the running one; `slopes` as a share of the usual, `levels` in sd of a reading."""
    lengths = [*rng.permutation(_lengths(earlier)).tolist(), running]
    cycle = np.repeat(np.arange(earlier + 1), lengths)
    age = np.concatenate([np.arange(float(k)) for k in lengths])
    slope = growth * (1 + slopes * rng.normal(size=earlier + 1))
    level = np.log(0.4) + NOISE * levels * rng.normal(size=earlier + 1)
    log = level[cycle] + slope[cycle] * age + NOISE * rng.normal(size=age.size)
    log[-running:] += 0.0 if added is None else added
    low = high = np.exp(log)
    if step:
        low = np.maximum(0.0, np.round(high / step) * step - step / 2)
        high = np.round(high / step) * step + step / 2
    n, nan = np.arange(age.size), np.full(age.size, np.nan)
    text = np.array([f"face {k}" for k in n], dtype=object)
    part, grit = np.full(age.size, "P", dtype=object), np.full(age.size, "9 um", dtype=object)
    return Stream(
        "K", "flatness", n + 1, n * 1000, low, high, part, age, cycle, grit, age == 0, text, nan, nan, (), earlier
    )  # fmt: skip


def _lengths(earlier: int) -> list[int]:
    """Spread evenly, so that lists of as many cycles are of one length and share their simulated critical values."""
    return np.linspace(15, 40, earlier).round().astype(int).tolist() if earlier > 1 else [28]


def judged(stream: Stream, asked: RulesInUse) -> Replayed | None:
    """Judge the running cycle by the earlier ones as the board does; None where they give no limits."""
    before = stream.cycle < stream.cycle[-1]
    found = analyse(stream.where(before), asked)
    if found.model is None:
        return None
    return replay(stream, (Revision(0, int(stream.sort_us[~before][0]), found.model),))


def spells(spoke: np.ndarray, average: Array) -> int:
    """Unbroken spells among signals: one that follows before the average has been back at its centre is the same."""
    count, calm = 0, True
    for called, level in zip(spoke.tolist(), average.tolist(), strict=True):
        count += called and calm
        calm = not called and (calm or level <= 0.0)
    return count
