"""Do refusals fire on planted faults and stay quiet on clean studies? Rates of both.

Full size (about 2 minutes): LAPCELL_HONESTY=full pytest tests/honesty/test_capability_refusals.py
"""

import numpy as np

from spc.capability.refusal import StudyFacts, check_trend, refusals
from spc.model.fit_test import check_fit
from spc.model.interval_fit import choose_family
from spc.model.truncation import check_cut_off
from tests.honesty.laws import read_on_step
from tests.honesty.table import honesty_size, record

LIMIT_UM, STEP_UM, FACES = 2.0, 0.1, 90
# fault planted -> the refusal that must answer it
ANSWER = {"trend": "trend not modelled", "cut off": "cut off at the limit", "mixture": "fit rejected"}


def study(fault: str, rng: np.random.Generator) -> tuple[str, ...]:
    """Names of the refusals of one simulated study: three cycles of 30 faces, everything else in order."""
    age = np.tile(np.arange(30.0), 3)
    if fault == "cut off":
        x = rng.lognormal(np.log(1.3), 0.5, 6 * FACES)
        x = x[x <= LIMIT_UM + STEP_UM / 2][:FACES]
    elif fault == "mixture":
        x = np.where(rng.random(FACES) < 0.5, rng.normal(0.4, 0.05, FACES), rng.normal(1.0, 0.05, FACES))
    else:
        slope = 0.025 if fault == "trend" else 0.0  # log units per face, against a spread of 0.35
        x = np.exp(np.log(0.6) + slope * (age - 14.5) + 0.35 * rng.normal(size=FACES))
    low, high = read_on_step(x, STEP_UM)
    cut = check_cut_off(low, high, LIMIT_UM, repetitions=100, rng=rng)
    choice = choose_family(low, high)
    facts = StudyFacts(
        faces=FACES,
        cycles=3,
        limit_um=LIMIT_UM,
        step_um=STEP_UM,
        open_signals=0,
        trend_p_value=check_trend(age, low, high).p_value,
        trend_modelled=False,
        cut_off=cut.status,
        units_inferred=False,
        gauge_study=True,
        fit=check_fit(choice.best, repetitions=100, rng=rng).status if choice.best else "cannot say",
        operator_confounded=False,
    )
    return tuple(refusal.name for refusal in refusals(facts))


def run(size: str, rng: np.random.Generator) -> list[list[object]]:
    """Rows: fault planted, refusal, studies, share of studies in which it fired, Monte Carlo error."""
    studies = 400 if size == "full" else 16
    names = [*ANSWER.values(), "cut-off not known"]
    rows: list[list[object]] = []
    for fault in ("none", *ANSWER):
        fired = [study(fault, rng) for _ in range(studies)]
        for name in names:
            share = float(np.mean([name in each for each in fired]))
            error = (max(share * (1 - share), 0.01) / studies) ** 0.5
            rows.append([fault, name, studies, round(share, 3), round(error, 3)])
    return rows


def test_refusals_fire_on_planted_faults_and_stay_quiet_on_clean_studies():
    rows = run(honesty_size(), np.random.default_rng(331))
    record(
        "capability_refusals",
        title="Refusals on planted faults and on clean studies",
        statement="90 faces in three cycles; on clean studies each refusal fires in at most 5 %, on the fault it is "
        "meant for in at least 80 %.",
        columns=["fault planted", "refusal", "studies", "share fired", "Monte Carlo error"],
        rows=rows,
    )
    share = {(fault, name): value for fault, name, _, value, _ in rows}
    error = {(fault, name): value for fault, name, _, _, value in rows}
    for fault, name in ANSWER.items():
        assert share[fault, name] >= 0.8 - 4 * error[fault, name], (fault, name)
    for name in (*ANSWER.values(), "cut-off not known"):
        assert share["none", name] <= 0.05 + 4 * error["none", name], name
