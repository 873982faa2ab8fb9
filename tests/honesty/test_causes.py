"""Ranked causes against planted ones in simulated cells, causes outside the table among them; scored by log score."""

import math

import numpy as np
import pandas as pd

from spc.board.cause_table import CAUSES, UNKNOWN
from spc.board.causes import diagnose, read_pattern
from spc.board.charge import Charge
from spc.wear.sign_moves import sign_moves
from tests.honesty.table import honesty_size, record

FACES = {"before": 60, "late": 8}
# What each planted cause does: multipliers of the last 8 faces, added re-lap share, scratches, bow, scope.
PLANTED = {
    "lap worn out of shape": {"flatness": 1.9, "relap": 0.35, "bow": 0.4, "scope": "one lap"},
    "stroke pattern or ring position": {"flatness": 1.2, "bow": 0.9, "scope": "one lap"},
    "glazed lap": {"rate": 0.5, "minutes": 1.8, "finish": 0.7, "scope": "one lap"},
    "charge used up": {"rate": 0.5, "minutes": 1.8, "scope": "one lap"},
    "coarse grain or contamination": {"scratch": 0.9, "finish": 1.5, "relap": 0.3, "scope": "one lap"},
    "part mix or more stock to remove": {"minutes": 1.7, "scope": "one part number"},
    "the room: temperature, lamp, flat, slurry batch": {"flatness": 1.7, "relap": 0.3, "scope": "many laps"},
    "pressure or hold of the part": {"flatness": 1.7, "bow": 0.4, "relap": 0.3, "scope": "one operator"},
    # outside the table:
    "vehicle too thin": {"rate": 1.6, "flatness": 1.7, "minutes": 0.6, "scope": "one lap"},
    "coolant left on the fixture": {"finish": 0.6, "flatness": 0.5, "scope": "one operator"},
}


def simulate(name, rng):
    effect = PLANTED[name]
    n, late = FACES["before"] + FACES["late"], FACES["late"]
    size = {k: v ** rng.uniform(0.7, 1.3) for k, v in effect.items() if k in ("flatness", "rate", "minutes", "finish")}

    def stream(key, spread):
        values = rng.lognormal(0, spread, n)
        values[-late:] *= size.get(key, 1.0)
        return values

    relapped = rng.random(n) < 0.08
    relapped[-late:] |= rng.random(late) < effect.get("relap", 0.0)
    flatness = np.round(stream("flatness", 0.35) * 4) / 4
    signs = pd.DataFrame(
        {
            "first_low_um": flatness, "first_high_um": flatness, "passes": 1.0 + relapped, "relapped": relapped,
            "minutes_ratio": stream("minutes", 0.25), "rate_ratio": stream("rate", 0.25),
            "finish_ratio": stream("finish", 0.2), "cycle": 1, "stream": 1, "part": "P1", "age_faces": np.arange(n),
        }
    )  # fmt: skip
    scope = effect["scope"] if rng.random() < 0.8 else ""
    old, young = (0.5, 0.02) if name == "charge used up" else (0.07, 0.1)
    state = str(rng.choice(["old", "young", "usual"], p=[old, young, 1.0 - old - young]))
    charge = Charge(9, "recharged", 9.0, state) if rng.random() < 0.5 else None  # half the logs know of recharges
    return read_pattern(
        sign_moves(signs),
        scratch=bool(rng.random() < effect.get("scratch", 0.01)),
        bow_turned=bool(rng.random() < effect.get("bow", 0.03)),
        scope=scope,
        charge=charge,
    )


def run(size, rng):
    cells = 400 if size == "full" else 25
    in_table = {c.name for c in CAUSES}
    prior = {c.name: c.prior / sum(e.prior for e in CAUSES) for c in CAUSES}
    rows = []
    for name in PLANTED:
        truth = name if name in in_table else UNKNOWN
        score, first, three, sure = [], [], [], []
        for _ in range(cells):
            causes = diagnose(simulate(name, rng)).causes
            names = [c.name for c in causes]
            score.append(math.log(next(c.likelihood for c in causes if c.name == truth)))
            first.append(names[0] == truth)
            three.append(truth in names[:3])
            sure.append(causes[0].likelihood)
        rows.append(
            [name, truth, cells, float(np.mean(score)), float(np.std(score) / cells**0.5), math.log(prior[truth]),
             float(np.mean(first)), float(np.mean(three)), float(np.mean(sure))]
        )  # fmt: skip
    return rows


def test_likelihoods_beat_the_prior_and_are_not_surer_than_they_are_right():
    rows = run(honesty_size(), np.random.default_rng(20))
    record(
        "causes",
        title="Likely causes, scored on simulated cells",
        statement="Ten planted causes, two of them outside the table, whose right answer is 'unknown'. Log score of "
        "the true cause (nearer 0 is better) against the table's prior; how often it came first and among the first "
        "three; and how sure the first was on average. Half of the logs know how old the charge is.",
        columns=["planted", "right answer", "cells", "log score", "standard error", "log score of the prior",
                 "came first", "among three", "likelihood of the first"],
        rows=[[*r[:3], *(round(v, 3) for v in r[3:])] for r in rows],
    )  # fmt: skip
    score, error, prior = (np.array([r[i] for r in rows]) for i in (3, 4, 5))
    assert np.all(score[:-2] > prior[:-2])  # every cause of the table gains
    assert score.mean() - prior.mean() > 4 * np.sqrt(np.sum(error**2)) / len(rows)
    assert np.mean([r[7] for r in rows]) > 0.75
    right, sure = np.mean([r[6] for r in rows]), np.mean([r[8] for r in rows])
    tried = sum(r[2] for r in rows)
    assert sure <= right + 0.05 + 4 * (0.25 / tried) ** 0.5  # the first cause is about as often right as it says
