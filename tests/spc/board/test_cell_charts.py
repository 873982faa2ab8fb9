"""What the board says of a sign that has no limits yet."""

import numpy as np

from spc.board.cell_charts import _trial_chart
from spc.board.false_calls import plan_budget
from spc.chart.stream import stream_of
from spc.wear.cycle import number_cycles
from tests.spc.board.invented_cell import events_of, faces_of


def test_a_grit_that_ran_but_cannot_be_told_by_cycle_is_not_called_absent():
    faces = number_cycles(faces_of("K1", 60, np.random.default_rng(50)), events_of("K1", 60))
    faces["grit"] = np.where(np.arange(60) < 20, "9 um", "3 um")  # changed in the first cycle, the second has 3 um
    faces["stream"] = np.where(np.arange(60) < 20, 0, 1)
    stream = stream_of(faces, lap="K1", sign="flatness")
    plan = plan_budget([50.0], false_calls_per_week=1.0, room_tests_per_week=21.0)
    earlier = int(stream.cycle[0])
    words = {
        age: _trial_chart(stream, plan, ((earlier, age),), np.zeros(60, dtype=bool)).sentence for age in (15.0, 24.0)
    }
    assert words[15.0].startswith("no limits yet; 20 readings after a fall back to how a cycle begins are left out")
    assert words[24.0].startswith("no limits yet from earlier cycles: ")  # four readings of 3 um are sure: too few
    other = faces.assign(grit=np.where(np.arange(60) < 40, "9 um", "3 um"), stream=np.where(np.arange(60) < 40, 0, 1))
    alone = _trial_chart(stream_of(other, lap="K1", sign="flatness"), plan, (), np.zeros(60, dtype=bool))
    assert alone.sentence == "no limits yet: no earlier cycle of this lap ran with 3 um"
