"""How many sound cycles are ever suspected of a reconditioning that nobody logged, asked after with every face?

Full size (about 2 minutes): LAPCELL_HONESTY=full pytest tests/honesty/test_missing_event.py
"""

import numpy as np

pass
from tests.honesty.table import honesty_size, record

SOUND = (  # faces, rise of the logarithm a face, how slopes differ (share), step in um, correlation of neighbours
    (30, 0.0, 0.0, 0.0, 0.0),
    (30, 0.03, 0.1, 0.0, 0.0),
    (30, 0.03, 0.3, 0.147, 0.0),
    (80, 0.0, 0.0, 0.0, 0.0),
    (80, 0.01, 0.3, 0.0, 0.0),
    (30, 0.03, 0.1, 0.0, 0.3),
)
LEFT_OUT, RISE, NOISE = 22, 0.05, 0.25


def flatness(rng, faces, rise, slopes, step, tied, restart=0):
    age = np.arange(float(faces))
    error = rng.normal(size=faces)
    for i in range(1, faces):
        error[i] = tied * error[i - 1] + (1 - tied**2) ** 0.5 * error[i]
    line = rise * (1 + slopes * rng.normal()) * (age - np.where(age >= restart, restart, 0))
    true = 0.4 * np.exp(line + NOISE * error)
    return age, np.log(np.maximum(np.round(true / step), 0.5) * step if step else true)


def ever(age, values):
    """The first face at which a restart is suspected; 0 = never."""
    return next((k for k in range(12, age.size + 1) if _restart(age[:k], values[:k]) is not None), 0)


def run(size, rng):
    rows = []
    for scene in SOUND if size == "full" else SOUND[:3]:
        cycles = (3000 if scene[0] < 80 else 1200) if size == "full" else 300
        signs = [[flatness(rng, *scene), flatness(rng, scene[0], 0.0, 0.0, 0.0, scene[4])] for _ in range(cycles)]
        share = float(np.mean([any(ever(*sign) for sign in both) for both in signs]))
        once = float(np.mean([any(_restart(*sign) is not None for sign in both) for both in signs]))
        rows.append([*scene, cycles, once, share, (max(share, 0.02) / cycles) ** 0.5])
    return rows


def run_left_out(size, rng):
    cycles = 400 if size == "full" else 60
    rows = []
    for noise_times in (1.0, 1.5):
        found = []
        for _ in range(cycles):
            age, values = flatness(rng, 60, RISE / noise_times, 0.1, 0.0, 0.0, restart=LEFT_OUT)
            found.append(ever(age, values))
        told = np.array(found)
        right = told >= LEFT_OUT
        late = float(np.median(told[right]) - LEFT_OUT) if right.any() else float("nan")
        rows.append([RISE / noise_times, cycles, float(np.mean(right)), late, (0.8 * 0.2 / cycles) ** 0.5])
    return rows


def test_few_sound_cycles_are_ever_suspected():
    rows = run(honesty_size(), np.random.default_rng(20303))
    record(
        "missing_event",
        title="Sound cycles suspected of a reconditioning that nobody logged",
        statement="Flatness and minutes of a cycle, asked after at its end and with every face from the twelfth on; sd "
        "of a reading 25 %. At most 2 % of the cycles are ever suspected, of those whose neighbouring readings "
        "correlate by 0.3 at most 5 %. Error: one Monte Carlo error.",
        columns=["faces", "rise", "slopes differ", "step um", "correlation", "cycles", "suspected at the end",
                 "ever suspected", "error"],
        rows=rows,
    )  # fmt: skip
    for *scene, _, _, share, error in rows:
        assert share <= (0.05 if scene[4] else 0.02) + 4 * error, scene


def test_a_reconditioning_left_out_is_found():
    rows = run_left_out(honesty_size(), np.random.default_rng(20304))
    record(
        "missing_event_left_out",
        title="Reconditionings left out of the log: found, and when",
        statement="A reconditioning after 22 faces, 60 faces in all, sd of a reading 25 %; asked after with every face."
        " At least 80 % are found where flatness had doubled or more.",
        columns=["rise", "cycles", "found", "faces after it, middle", "error"],
        rows=rows,
    )
    for _, _, found, _, error in rows:
        assert found >= 0.8 - 4 * error
