"""How often is a cycle that wears as usual said not to, at one look, with many or few past cycles or beyond their ages?

Full size: LAPCELL_HONESTY=full python -m pytest tests/honesty/test_unusual_cycle.py
"""

import numpy as np

from spc.chart.unusual_wear import unusual_cycle
from spc.chart.usual_bend import usual_bend
from spc.chart.wear_chart import usual_wear, wear_chart
from tests.honesty.table import honesty_size, record

RUNS = {"reduced": 60, "full": 1000}
CYCLE, AS_LONG, LONGER = 24, 0.02, 0.04
CASES = (  # past cycles, faces of this one, slopes differ by, step um
    (0, 36, 0.2, 0.0),
    (2, 24, 0.2, 0.0),
    (4, 24, 0.2, 0.0),
    (6, 24, 0.2, 0.0),
    (12, 24, 0.2, 0.0),
    (8, 24, 0.2, 0.147),
    (4, 48, 0.2, 0.0),
    (8, 36, 0.35, 0.0),
    (8, 48, 0.2, 0.0),
    (12, 48, 0.2, 0.0),
)


def cycle(rng, faces, slopes, step):
    """Logs of 0.4 um that grows by 2 % a face and scatters by 15 %; levels differ by 10 %."""
    age = np.arange(float(faces))
    y = np.log(0.4) + 0.1 * rng.normal() + 0.02 * np.exp(slopes * rng.normal()) * age + 0.15 * rng.normal(size=faces)
    return age, np.log(np.maximum(np.round(np.exp(y) / step), 0.5) * step) if step else y


def named(rng, past, faces, slopes, step):
    before = [cycle(rng, CYCLE, slopes, step) for _ in range(past)]
    usual = bend = None
    if before:
        known = *(np.concatenate(each) for each in zip(*before, strict=True)), np.repeat(np.arange(past), CYCLE)
        usual, bend = usual_wear(*known), usual_bend(*known)
    return unusual_cycle(wear_chart(*cycle(rng, faces, slopes, step), usual=usual, bend=bend)).status == "change"


def run(size, rng):
    rows = []
    for case in CASES:
        share = sum(named(rng, *case) for _ in range(RUNS[size])) / RUNS[size]
        rows.append([*case, RUNS[size], share, float(np.sqrt(share * (1 - share) / RUNS[size]))])
    return rows


def test_a_cycle_that_wears_as_usual_is_seldom_said_not_to():
    rows = run(honesty_size(), np.random.default_rng(20_261_130))
    record(
        "unusual_cycle",
        title="Not wearing as usual: said of a cycle that does",
        statement="Past cycles of 24 faces, one look at a cycle whose slope is one of theirs. Said of at most 2 in 100 "
        "cycles no longer than the past ones, and of at most 4 in 100 that outlive them: there the usual line and how "
        "far slopes differ are drawn on beyond what was read.",
        columns=["past cycles", "faces of this one", "slopes differ", "step um", "cycles", "said of", "+-"],
        rows=rows,
    )
    for past, faces, *_, cycles, share, _ in rows:
        most = LONGER if past and faces > CYCLE else AS_LONG
        assert share <= most + 4 * (most * (1 - most) / cycles) ** 0.5, (past, faces, share)
