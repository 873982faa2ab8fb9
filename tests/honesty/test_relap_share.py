"""How often is a re-lap share called risen that is not, where it grows with the age of the lap too, and what is seen?

Full size (about 12 minutes of one core): LAPCELL_HONESTY=full python -m pytest tests/honesty/test_relap_share.py
"""

from types import SimpleNamespace

import numpy as np

from spc.board.lap_memo import LapMemo
from spc.board.relap_signals import find_rise, plan_of_relaps
from tests.honesty.table import honesty_size, record

SHARES = {
    "5 % at every age": lambda age: 0.05 + 0.0 * age,
    "20 % at every age": lambda age: 0.2 + 0.0 * age,
    "grows from 0.4 % to 87 % over 60 faces": lambda age: 1.0 / (1.0 + np.exp((45.0 - age) / 8.0)),
}
PAST = ((1, 25), (4, 60), (10, 40))  # earlier cycles, faces of each cycle


def first_call(share, cycles, faces, between, rng, *, risen=None):
    """Face of the running cycle at which a rise is first told; None = none. Asked after every face."""
    age = np.arange(faces, dtype=float)
    before, age_before = (rng.random((cycles, faces)) < share(age)).ravel(), np.tile(age, cycles)
    now = rng.random(faces) < (share(age) if risen is None else np.where(age < risen[0], share(age), risen[1]))
    cell = SimpleNamespace(plan=SimpleNamespace(widths=SimpleNamespace(points_between=between)))
    plan = plan_of_relaps(SimpleNamespace(memo=LapMemo()), cell, "L", before).plan
    for i in np.flatnonzero(now).tolist():  # only a face lapped again can speak
        if find_rise(now[: i + 1], age[: i + 1], plan, bad_before=before, age_before=age_before) is not None:
            return i
    return None


def run_false(size, rng):
    runs, rows = (3000 if size == "full" else 60), []
    for between in (200.0, 500.0, 3000.0):
        for name, share in SHARES.items():
            for cycles, faces in PAST:
                calls = sum(first_call(share, cycles, faces, between, rng) is not None for _ in range(runs))
                a_call = runs * faces / between  # as many as were asked for
                rows.append([between, name, cycles, faces, runs, calls / a_call, 4.0 / a_call**0.5])
    return rows


def run_seen(size, rng):
    runs, rows = (300 if size == "full" else 60), []
    for between in (500.0, 3000.0):
        for name, share in {"2 % at every age": lambda age: 0.02 + 0.0 * age, **SHARES}.items():
            for risen in (1.0, 0.5, 0.25):
                at = [first_call(share, 4, 40, between, rng, risen=(10, risen)) for _ in range(runs)]
                late = [i - 9 for i in at if i is not None and i >= 10]
                faces = float(np.median(late)) if late else float("nan")
                rows.append([between, name, risen, runs, len(late) / runs, faces])
    return rows


def test_a_share_that_has_not_risen_is_called_no_more_often_than_asked():
    rows = run_false(honesty_size(), np.random.default_rng(20281))
    record(
        "relap_share_false",
        title="Re-lap shares called risen that are not, as a share of the false calls asked",
        statement="At most one false call in as many faces as asked, the usual share known only from the earlier "
        "cycles; where it grows with the age of the lap in every cycle too; band = 4 Monte Carlo errors.",
        columns=["faces between, asked", "share", "earlier cycles", "faces a cycle", "cycles", "realised", "band"],
        rows=rows,
    )
    for between, name, cycles, faces, _, realised, band in rows:
        assert realised <= 1.0 + band, (between, name, cycles, faces)


def test_a_collapse_of_the_first_pass_yield_is_seen():
    rows = run_seen(honesty_size(), np.random.default_rng(20282))
    record(
        "relap_share_seen",
        title="Rises of the re-lap share seen before the cycle ends",
        statement="4 earlier cycles of 40 faces; from face 10 of the running one the share is that of the third "
        "column, the age of the lap apart; the last column counts the faces from the rise to its call, in the middle.",
        columns=["faces between, asked", "usual share", "risen to", "cycles", "seen in", "faces"],
        rows=rows,
    )
    for between, name, risen, runs, seen, faces in rows:
        if risen == 1.0 and "20 %" not in name:
            assert seen >= 0.99 - 4 * (0.01 / runs) ** 0.5 and faces <= 8, (between, name)
