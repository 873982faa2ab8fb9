"""Do trial limits keep their false calls where no two cycles of a lap are alike, and what do they still notice?

Full size (about 15 minutes): LAPCELL_HONESTY=full pytest tests/honesty/test_worn_cycles.py
"""

from dataclasses import replace

import numpy as np

from spc.board.open_signals import RECENT_POINTS
from tests.honesty.table import honesty_size, record
from tests.honesty.worn_cycles import GROWTH, NOISE, judged, lap, rules, spells

BETWEEN, RUNNING = 500.0, 30
SCENES = (  # how slopes differ (share), levels (sd of a reading), step of the readings in um
    (0.0, 0.0, 0.0),
    (0.1, 0.0, 0.0),
    (0.2, 0.0, 0.0),
    (0.3, 0.0, 0.0),
    (0.1, 0.5, 0.0),
    (0.3, 0.5, 0.0),
    (0.1, 0.0, 0.147),
    (0.3, 0.5, 0.147),
)
BETWEEN_FADES, FADE_BEGINS, LITTLE, CALM = 1800.0, 10, 0.01, 100  # points; faces; share left; faces
FAULTS = {"jump of 1.5 sd": 1.5, "jump of 2 sd": 2.0, "jump of 3 sd": 3.0, "slope twice the usual": None}


def run(size, rng):
    full = size == "full"
    cells, asked = (200 if full else 25), rules(BETWEEN)
    rows = []
    for slopes, levels, step in SCENES if full else (SCENES[1], SCENES[3]):
        for earlier in (1, 2, 3, 5, 8, 12) if full else (3, 8):
            faces, calls, thirds = [], [], np.zeros(3)
            for _ in range(cells):
                seen = judged(lap(rng, earlier, slopes=slopes, levels=levels, step=step, running=RUNNING), asked)
                if seen is None:
                    continue
                spoke = (seen.beyond | seen.drifting)[-RUNNING:]
                faces.append(spoke.sum())
                calls.append(spells(spoke, seen.average[-RUNNING:]))
                thirds += spoke.reshape(3, -1).sum(axis=1)
            times = BETWEEN / RUNNING
            error = max(float(np.std(calls)), RUNNING / BETWEEN) * times / len(calls) ** 0.5
            last = float(thirds[2]) / len(calls) * 3 * times
            rows.append(
                [slopes, levels, step, earlier, len(calls), times * float(np.mean(calls)), error,
                 times * float(np.mean(faces)), last]
            )  # fmt: skip
    return rows


def run_faults(size, rng):
    full = size == "full"
    cells, asked, faces = (120 if full else 15), rules(1000.0), np.arange(40)
    rows = []
    for slopes in (0.1, 0.2) if full else (0.1,):
        for earlier in (1, 3, 8) if full else (8,):
            for name, jump in FAULTS.items():
                added = GROWTH * faces if jump is None else NOISE * jump * (faces >= 10)
                begin, after, open_still = (0 if jump is None else 10), [], []
                for _ in range(cells):
                    seen = judged(lap(rng, earlier, slopes=slopes, running=40, added=added), asked)
                    if seen is not None:
                        spoke = (seen.beyond | seen.drifting)[-40:][begin:]
                        after.append(int(spoke.argmax()) + 1 if spoke.any() else 999)
                        open_still.append(bool(spoke[-RECENT_POINTS:].any()))
                told = np.array(after)
                middle = float(np.median(told)) if np.mean(told < 999) > 0.5 else float("nan")
                rows.append(
                    [
                        name,
                        slopes,
                        earlier,
                        told.size,
                        float(np.mean(told <= 10)),
                        float(np.mean(told < 999)),
                        middle,
                        float(np.mean(open_still)),
                    ]
                )
    return rows


def run_fades(size, rng):
    """A sign that grows worse slowly, in cycles that outlive the past ones; beside it, as long ones that do not."""
    full = size == "full"
    cells, asked = (200 if full else 12), rules(BETWEEN_FADES)
    rows = []
    for earlier in (2, 3, 8) if full else (2,):
        for rate in (0.01, 0.02, 0.05) if full else (0.02,):
            ages = np.arange(FADE_BEGINS + round(-np.log(LITTLE) / rate))
            added = rate * np.maximum(0.0, ages - FADE_BEGINS)
            left = []
            for _ in range(cells):
                fades = lap(rng, earlier, growth=0.0, levels=0.5, running=ages.size, added=added)
                seen = judged(replace(fades, sign="minutes"), asked)
                spoke = (seen.beyond | seen.drifting)[-ages.size :][FADE_BEGINS:]
                left.append(np.exp(-added[FADE_BEGINS + int(spoke.argmax())]) if spoke.any() else LITTLE)
            calls = []
            for _ in range(cells):
                calm = lap(rng, earlier, growth=0.0, levels=0.5, running=CALM)
                seen = judged(replace(calm, sign="minutes"), asked)
                calls.append(spells((seen.beyond | seen.drifting)[-CALM:], seen.average[-CALM:]))
            times = BETWEEN_FADES / CALM
            error = max(float(np.std(calls)), times**-0.5) * times / cells**0.5
            told = [float(np.quantile(left, share)) for share in (0.1, 0.5)]
            rows.append(
                [
                    earlier,
                    rate,
                    cells,
                    *told,
                    float(np.mean(np.array(left) >= 0.1)),
                    times * float(np.mean(calls)),
                    error,
                ]
            )
    return rows


def test_cycles_that_differ_call_no_oftener_than_asked():
    rows = run(honesty_size(), np.random.default_rng(20301))
    record(
        "worn_cycles",
        title="Trial limits where no two cycles are alike: false calls",
        statement="Cycles of 15 to 40 faces that grow by 3 % a face, sd of a reading 25 %; the running one, of 30 faces"
        " and with nothing planted, is judged by the earlier ones at one false call in 500 points. Spells of signals "
        "against those asked: over the rows with slopes that differ by up to a fifth at most as many as asked on "
        "average, over those with slopes that differ by three tenths at most 1.5 times. Error: one Monte Carlo error; "
        "a single row is known no better.",
        columns=["slopes differ", "levels differ, sd", "step um", "earlier cycles", "cells", "spells against asked",
                 "error", "faces that signal", "last third of the cycle"],
        rows=rows,
    )  # fmt: skip
    for alike, most in ((True, 1.0), (False, 1.5)):
        of = [row for row in rows if (row[0] <= 0.2) == alike]
        mean = np.mean([row[5] for row in of])
        assert mean <= most + 4 * (np.sum([row[6] ** 2 for row in of]) ** 0.5) / len(of), (alike, mean)
    for *scene, _, calls, error, _, _ in rows:
        assert calls <= 1.5 + 4 * error, scene


def test_what_is_planted_is_still_noticed():
    rows = run_faults(honesty_size(), np.random.default_rng(20302))
    record(
        "worn_cycles_faults",
        title="Trial limits where no two cycles are alike: what is noticed, and when",
        statement="As before, one false call in 1,000 points; a jump at face 10 of the running cycle, or its slope "
        "twice the usual from the first face on; 40 faces. Three of four jumps of 3 sd are told within 10 faces from "
        "three earlier cycles on, and slopes of twice the usual within the cycle from eight on where slopes differ by "
        "a tenth; nine in twenty jumps of 3 sd still signal among the last 8 faces, 22 to 30 faces after they came.",
        columns=["planted", "slopes differ", "earlier cycles", "cells", "told within 10 faces", "told in the cycle",
                 "faces until told, middle", "told of the last 8 faces"],
        rows=rows,
    )  # fmt: skip
    for name, slopes, earlier, cells, soon, ever, _, last in rows:
        if name == "jump of 3 sd" and earlier >= 3:
            assert soon >= 0.75 - 4 * (0.75 * 0.25 / cells) ** 0.5, (slopes, earlier)
            assert last >= 0.45 - 4 * (0.45 * 0.55 / cells) ** 0.5, (slopes, earlier)
        if name == "slope twice the usual" and earlier == 8 and slopes == 0.1:
            assert ever >= 0.75 - 4 * (0.75 * 0.25 / cells) ** 0.5, (slopes, earlier)


def test_a_slow_fade_is_told_before_little_is_left():
    rows = run_fades(honesty_size(), np.random.default_rng(20303))
    record(
        "worn_cycles_fades",
        title="Trial limits: a sign that fades slowly, in a cycle that outlives the past ones",
        statement="Past cycles of 15 to 40 faces whose levels differ by half an sd of a reading, 25 %; the running one "
        "fades from face 10 on, as the removal rate of a charge that is used up, until a hundredth is left. One false "
        "call in 1,800 points. Told with a tenth of the usual left or more in nine of ten cells, however few the past "
        "cycles; of cycles of 100 faces that do not fade at most 1.5 times as many spells of signals as asked.",
        columns=["past cycles", "fades a face", "cells", "left when told, a tenth of cells have less",
                 "left when told, middle", "told with a tenth left", "spells against asked where nothing fades",
                 "error"],
        rows=rows,
    )  # fmt: skip
    for earlier, rate, cells, _, _, told, calls, error in rows:
        assert told >= 0.9 - 4 * (0.9 * 0.1 / cells) ** 0.5, (earlier, rate)
        assert calls <= 1.5 + 4 * error, (earlier, rate)
