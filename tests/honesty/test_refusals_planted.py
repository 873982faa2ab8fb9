"""From the log on: does a study refuse what is planted in a made-up cell, and stay quiet on a clean one?

Full size (about 20 minutes): LAPCELL_HONESTY=full pytest tests/honesty/test_refusals_planted.py
"""

import numpy as np

from tests.honesty.refusal_cell import ANSWER, study_of_cell
from tests.honesty.table import honesty_size, record

# Signals are called at the rate that the site allows, with limits from 30 faces too: one study in ten at most.
ALLOWED = {"open signals": 0.1}
AT_REDUCED_SIZE = ("trend", "cut off", "coarse step", "operators on laps of their own", "unit guessed")


def run(size: str, rng: np.random.Generator, folder) -> list[list[object]]:
    """Rows: fault planted, faces per lap behind the limits, refusal, studies, share in which it fired, error."""
    full = size == "full"
    faults = ANSWER if full else AT_REDUCED_SIZE
    cells = [("none", 2, 80 if full else 1), *((fault, 2, 20 if full else 1) for fault in faults)]
    if full:
        cells.insert(1, ("none", 8, 40))
    rows: list[list[object]] = []
    for fault, base, studies in cells:
        found = []
        for k in range(studies):
            path = folder / f"{fault}{base}-{k}.db"
            found.append({r.name for r in study_of_cell(fault, rng, path, base_cycles=base).refusals})
            path.unlink()
        fired = {name for names in found for name in names}
        names = sorted(fired | set(ALLOWED)) if fault == "none" else [ANSWER[fault]]
        for name in names:
            share = float(np.mean([name in each for each in found]))
            error = (max(share * (1 - share), 0.02) / studies) ** 0.5
            rows.append([fault, 15 * base, name, studies, round(share, 3), round(error, 3)])
    return rows


def test_refusals_answer_what_was_planted_and_only_that(tmp_path):
    rows = run(honesty_size(), np.random.default_rng(335), tmp_path)
    record(
        "refusals_planted",
        title="Refusals of a study, from the log on",
        statement="Two laps, four cycles of 15 faces each, limits frozen before: the planted fault is refused in at "
        "least 80 % of studies; on a clean cell every refusal fires in at most 5 %, open signals in at most 10 %: the "
        "charts may call falsely as often as the site allows. So few studies tell a share only to the error beside it.",
        columns=["fault planted", "faces behind each limit", "refusal", "studies", "share fired", "Monte Carlo error"],
        rows=rows,
    )
    for fault, _, name, _, share, error in rows:
        if fault != "none":
            assert share >= 0.8 - 4 * error, (fault, name)
        else:
            assert share <= ALLOWED.get(name, 0.05) + 4 * error, name
