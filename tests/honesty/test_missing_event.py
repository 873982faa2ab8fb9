"""How many sound cycles are ever suspected of a reconditioning that nobody logged, and are those left out found?

Asked after with every face. Full size (about 10 minutes): LAPCELL_HONESTY=full pytest
tests/honesty/test_missing_event.py
"""

import numpy as np

from spc.wear.restarts import find_restarts
from tests.honesty.table import honesty_size, record

# Faces, rise of the logarithm a face, share of the faces before which there is none, how slopes differ (share), step in
# um, correlation of neighbours.
SOUND = (
    (30, 0.0, 0.0, 0.0, 0.0, 0.0),
    (30, 0.03, 0.0, 0.1, 0.0, 0.0),
    (30, 0.03, 0.0, 0.3, 0.147, 0.0),
    (80, 0.05, 0.7, 0.1, 0.147, 0.0),
    (80, 0.05, 0.7, 0.1, 0.0, 0.0),
    (80, 0.0, 0.0, 0.0, 0.0, 0.0),
    (80, 0.01, 0.0, 0.3, 0.0, 0.0),
    (30, 0.03, 0.0, 0.1, 0.0, 0.3),
)
LEFT_OUT = (  # reconditionings left out in a row, rise a face, sd of a reading, cycles simulated
    (1, 0.05, 0.25, 300),
    (1, 0.033, 0.25, 300),
    (2, 0.05, 0.25, 200),
    (2, 0.033, 0.25, 200),
    (6, 0.05, 0.25, 90),
    (6, 0.033, 0.25, 90),
)
EVERY, AFTER, NEAR = 24, 24, 3  # faces between two reconditionings, give or take a quarter; after the newest; off by


def flatness(rng, faces, rise, flat, slopes, step, tied):
    age = np.arange(float(faces))
    error = rng.normal(size=faces)
    for i in range(1, faces):
        error[i] = tied * error[i - 1] + (1 - tied**2) ** 0.5 * error[i]
    worn = np.maximum(age - flat * faces, 0.0)
    true = 0.4 * np.exp(rise * (1 + slopes * rng.normal()) * worn + 0.25 * error)
    return age, np.log(np.maximum(np.round(true / step), 0.5) * step if step else true)


def left_out(rng, count, rise, noise):
    """Logarithm of the flatness of a cycle in which reconditionings are missing, and their places."""
    faces = [*rng.integers(round(0.75 * EVERY), round(1.25 * EVERY) + 1, size=count), AFTER]
    age = np.concatenate([np.arange(float(n)) for n in faces])
    return np.arange(float(age.size)), rise * age + rng.normal(0, noise, age.size), np.cumsum(faces)[:-1]


def ever(age, values, every=1):
    """The first face at which a restart is suspected, asked after every so many, the last among them; 0 = never."""
    return next((k for k in range(age.size, 11, -every)[::-1] if find_restarts(age[:k], values[:k])), 0)


def run(size, rng):
    rows = []
    for scene in SOUND if size == "full" else SOUND[:4]:
        cycles = (2000 if scene[0] < 80 else 800) if size == "full" else 150 if scene[0] < 80 else 40
        signs = [[flatness(rng, *scene), flatness(rng, scene[0], 0.0, 0.0, 0.0, 0.0, scene[5])] for _ in range(cycles)]
        every = 1 if size == "full" else 3  # neighbouring looks are nearly one
        share = float(np.mean([any(ever(*sign, every) for sign in both) for both in signs]))
        once = float(np.mean([any(find_restarts(*sign) for sign in both) for both in signs]))
        rows.append([*scene, cycles, once, share, (max(share, 0.02) / cycles) ** 0.5])
    return rows


def run_left_out(size, rng):
    rows = []
    for count, rise, noise, full in LEFT_OUT if size == "full" else LEFT_OUT[::2]:
        cycles = full if size == "full" else full // 15
        waited, share, wrong, named = [], [], 0, 0
        for _ in range(cycles):
            age, values, places = left_out(rng, count, rise, noise)
            after = range(4, AFTER + 1)
            waited.append(
                next((k for k in after if near(places[-1], found(age, values, places[-1] + k))), float("inf"))
            )
            told = found(age, values, age.size)
            share.append(np.mean([near(place, told) for place in places]))
            wrong, named = wrong + sum(not near(place, places) for place in told), named + len(told)
        rows.append(
            [count, rise, noise, cycles, float(np.mean(np.isfinite(waited))), float(np.median(waited)),
             float(np.mean(share)), wrong / max(named, 1), (0.2 * 0.8 / cycles) ** 0.5]
        )  # fmt: skip
    return rows


def found(age, values, faces):
    return [one.place for one in find_restarts(age[:faces], values[:faces])]


def near(place, places):
    return any(abs(place - other) <= NEAR for other in places)


def test_few_sound_cycles_are_ever_suspected():
    rows = run(honesty_size(), np.random.default_rng(20303))
    record(
        "missing_event",
        title="Sound cycles suspected of a reconditioning that nobody logged",
        statement="Flatness and minutes of a cycle, asked after at its end and with every face from the twelfth on; sd "
        "of a reading 25 %. At most 2 % of the cycles are ever suspected, of those whose neighbouring readings "
        "correlate by 0.3 at most 5 %. Error: one Monte Carlo error.",
        columns=["faces", "rise", "flat before (share)", "slopes differ", "step um", "correlation", "cycles",
                 "suspected at the end", "ever suspected", "error"],
        rows=rows,
    )  # fmt: skip
    for *scene, _, _, share, error in rows:
        assert share <= (0.05 if scene[5] else 0.02) + 4 * error, scene


def test_reconditionings_left_out_are_found():
    rows = run_left_out(honesty_size(), np.random.default_rng(20304))
    record(
        "missing_event_left_out",
        title="Reconditionings left out of the log: found, and when",
        statement=f"One, two and six left out in a row, about {EVERY} faces apart, {AFTER} faces after the newest; "
        "asked after with every face. At least seven in ten are named within 3 faces of their place, the newest and "
        "all by then, where flatness had doubled; of the places named at most 2 % are no such place.",
        columns=["left out", "rise", "sd", "cycles", "newest found", "faces after it, middle", "all found",
                 "of places named wrong", "error"],
        rows=rows,
    )  # fmt: skip
    for *scene, newest, _, every, wrong, error in rows:
        assert newest >= 0.8 - 4 * error and every >= 0.8 - 4 * error, scene
        assert wrong <= 0.02 + 4 * (0.02 / (scene[0] * scene[-1])) ** 0.5, scene
