"""A part number that the limits do not know: is it put down to the lap, and is a lap that moves with it still seen?"""

from dataclasses import replace

import numpy as np

from spc.board.false_calls import widths_for
from spc.chart.norm import Norm, part_factors_of, part_sd_of, scored
from spc.chart.pair_chart import pair_chart
from spc.chart.stream import Stream
from tests.honesty.table import honesty_size, record

READING_SD, EACH, AFTER, BETWEEN = 0.15, 20, 60, 500.0  # logs; readings of a part; faces charted; points, as asked
SHIFT_AT, SHIFT_SD = 30, 1.0


def readings(rng, part, size_of):
    values = np.exp([size_of[name] for name in part] + READING_SD * rng.normal(size=len(part)))
    n = len(part)
    none, whole = np.full(n, np.nan), np.arange(n)
    return Stream(
        "L1", "minutes", whole, whole, values, values, np.array(part, dtype=object), np.zeros(n), np.ones(n, np.int64),
        np.full(n, "", object), whole == 0, np.full(n, "", object), none, none, (), 1,
    )  # fmt: skip


def run(size, rng):
    runs = 3000 if size == "full" else 120
    widths = widths_for(BETWEEN)
    rows = []
    for parts, part_sd in ((2, 0.15), (2, 0.4), (5, 0.15), (5, 0.4)):
        calls, caught = np.zeros((runs, 3)), np.zeros((runs, 2))
        for at in range(runs):
            names = [f"P{i}" for i in range(parts)]
            size_of = {name: part_sd * rng.normal() for name in [*names, "new"]}
            known = readings(rng, names * EACH, size_of)
            factors = part_factors_of(known)
            middle = float(np.mean(np.log(known.low / [factors.get(p, 1.0) for p in known.part])))
            own = Norm("lognormal", middle, float(np.log(READING_SD)), 0.0, factors, 0.0, part_sd=part_sd_of(known))
            average = replace(own, part_factors=factors | {"new": 1.0})
            usual = readings(rng, [names[k % parts] for k in range(AFTER)], size_of)
            now = readings(rng, [("new", names[0])[int(rng.random() < 0.5)] for _ in range(AFTER)], size_of)
            calls[at] = [called(ran, by, widths) for ran, by in ((usual, own), (now, average), (now, own))]
            late = np.where(np.arange(AFTER) >= SHIFT_AT, np.exp(SHIFT_SD * READING_SD), 1.0)
            moved = [replace(ran, low=ran.low * late, high=ran.high * late) for ran in (usual, now)]
            caught[at] = [called(ran, own, widths, since=SHIFT_AT) > 0 for ran in moved]
        more = (calls[:, 2] - calls[:, 0]) / AFTER
        rows.append([parts, part_sd, runs, *(calls.mean(axis=0) / AFTER), more.std() / runs**0.5, *caught.mean(axis=0)])
    return [[float(value) if isinstance(value, np.floating) else value for value in row] for row in rows]


def called(stream, norm, widths, since=0):
    found = scored(stream, norm)
    chart = pair_chart(
        found.step_z, found.tail_p, alpha=widths.alpha, weight=widths.weight, average_limit_z=widths.average_limit_z
    )
    return int(np.count_nonzero((chart.beyond | chart.drifting)[since:]))


def test_a_new_part_is_not_put_down_to_the_lap():
    rows = run(honesty_size(), np.random.default_rng(20261129))
    record(
        "new_part",
        title="A part number that the limits do not know",
        statement="Limits from 20 readings of each part; then 60 faces on a lap that wears as ever. False calls a "
        "face: of known parts; with half of the faces of a new part, judged as the average part; and put against its "
        "own readings so far, which calls no oftener than known parts do. Seen: a lasting shift of 1 sd after 30 "
        "faces, called within the next 30; with a new part in at most 15 of 100 cells fewer.",
        columns=["parts known", "sd between parts (log)", "cells", "known parts", "new, as the average part",
                 "new, against its own", "standard error of the difference", "seen, known parts", "seen, new part"],
        rows=[[*row[:3], *(round(value, 5) for value in row[3:])] for row in rows],
    )  # fmt: skip
    for _, _, cells, known, average, own, error, usual, new in rows:
        assert own <= known + 4 * error
        assert average > 4 * known
        assert new >= usual - 0.15 - 4 * (0.5 / cells) ** 0.5
