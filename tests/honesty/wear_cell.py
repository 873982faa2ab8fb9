"""Invented cycles for the wear simulations: past cycles of a group, laps to be forecast, and when they truly cross."""

from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from spc.wear.wear_path import wear_path

LIMIT = 2.0
FARTHEST = 500  # faces to which a true path is followed


@dataclass(frozen=True)
class Scene:
    words: str
    own_faces: int = 8
    past: int = 12
    shape: str = "linear"
    step: float = 0.0  # reading step; 0 = exact
    tails: float = 0.0  # degrees of freedom of the error; 0 = normal
    noise: float = 0.35
    of_reading: bool = False  # the noise is a share of what is read
    wander: float = 0.0  # sd of the path's own wandering over one face
    signed: bool = False
    start: float = 0.0  # what every cycle reads at age 0 by definition; 0 = no such reading
    level_sd: float = 0.2  # of the paths' levels at age 0


SCENES = {
    "usual": Scene("12 past cycles, 8 own faces"),
    "early": Scene("12 past cycles, 4 own faces", own_faces=4),
    "new lap": Scene("12 past cycles, no own face", own_faces=0),
    "sparse": Scene("4 past cycles, 8 own faces", past=4),
    "wandering": Scene("12 past cycles, 8 own faces, paths that wander", wander=0.06),
    "sparse wandering": Scene("4 past cycles, 8 own faces, paths that wander", past=4, wander=0.06),
    "slowing": Scene("wear slows with the logarithm of age", shape="log"),
    "speeding up": Scene("wear speeds up with the square of age", shape="square"),
    "half-band steps": Scene("readings in steps of a quarter of the limit", step=0.5),
    "heavy tails": Scene("error of a t law with 3 degrees of freedom", tails=3.0),
    "signed bow": Scene(
        "bow from concave through zero to convex, both limits, quarter-limit steps", step=0.5, signed=True
    ),
    "late turn": Scene("bow that turns late, with age to the power 4", shape="late turn", noise=0.2, signed=True),
    "shared start": Scene("all cycles start at one value by definition and wear from it", start=0.7, level_sd=0.0),
    "bedding in": Scene("all cycles start at one value by definition and bed in to a level of their own", start=0.3),
    "between shapes": Scene("wear grows with age to the power 0.6, a shape not offered", shape="power", noise=0.15),
    "error of the reading": Scene("a straight line whose error is 13 % of the reading", noise=0.13, of_reading=True),
    "exponential": Scene("wear that grows exponentially, its error alike at every size", shape="e-folds", noise=0.1),
}
# Paths of a form that no shape has, nor comes near with its powers: what the range then holds is counted, not promised.
STRANGE = {
    "steady after run-in": Scene("wear runs in over some ten faces, then grows steadily", shape="run-in", noise=0.15),
    "late exponential": Scene("a constant part, and one that grows exponentially", shape="exponential", noise=0.15),
}
# Paths whose form only the past cycles tell.
_STEEP = Scene("", own_faces=12, shape="steep at one age", noise=0.1, level_sd=0.05)
COURSES = {
    past: replace(_STEEP, words=f"flat, then steep at about the 20th face; {past} past cycles", past=past)
    for past in (5, 8, 12)
}


def true_line(scene, rng):
    level = 0.7 + scene.level_sd * rng.standard_normal()
    if scene.shape == "log":
        slope = 0.55 + 0.06 * rng.standard_normal()
        return lambda t: level - 0.3 + slope * np.log(t)
    if scene.shape == "square":
        slope = 0.0022 + 0.0006 * rng.standard_normal()
        return lambda t: level + slope * t**2
    if scene.shape == "power":
        slope = 0.17 + 0.03 * rng.standard_normal()
        return lambda t: level + slope * t**0.6
    if scene.shape == "late turn":
        slope = 2.7 * np.exp(0.2 * rng.standard_normal())
        return lambda t: level - 1.4 + slope * (t / 25) ** 4
    if scene.shape == "run-in":
        slope, depth = 0.02 * np.exp(0.25 * rng.standard_normal()), 0.6 + 0.1 * rng.standard_normal()
        return lambda t: level + depth * (1 - np.exp(-t / 4)) + slope * t
    if scene.shape == "exponential":
        pace = 0.05 * np.exp(0.15 * rng.standard_normal())
        return lambda t: level + 0.25 * np.exp(pace * t)
    if scene.shape == "e-folds":
        pace = 0.035 * np.exp(0.2 * rng.standard_normal())
        return lambda t: level * np.exp(pace * t)
    if scene.shape == "steep at one age":
        age, pace = 20 + rng.standard_normal(), 0.2 * np.exp(0.15 * rng.standard_normal())
        return lambda t: level + 0.005 * t + pace * np.maximum(t - age, 0.0)
    if scene.shape == "knee":
        knee = rng.uniform(8, 28)
        return lambda t: level + 0.25 * np.maximum(t - knee, 0.0)
    if scene.signed:
        slope = 0.08 + 0.02 * rng.standard_normal()
        return lambda t: level - 1.7 + slope * t
    slope = 0.06 + 0.02 * rng.standard_normal()
    if scene.wander:
        at = np.arange(0, 4 * FARTHEST) / 4
        steps = scene.wander * np.sqrt(np.diff(at, prepend=0)) * rng.standard_normal(at.size)
        walk = np.cumsum(steps)
        return lambda t: level + slope * t + np.interp(t, at, walk)
    return lambda t: level + slope * t


def readings(scene, line, age, rng):
    error = rng.standard_t(scene.tails, age.size) / np.sqrt(3) if scene.tails else rng.standard_normal(age.size)
    y = line(age) + scene.noise * error * (line(age) if scene.of_reading else 1.0)
    if not scene.step:
        return y, y
    middle = np.round(y / scene.step) * scene.step
    return middle - scene.step / 2, middle + scene.step / 2


def past_cycles(scene, rng):
    """Cycles that ended by plan at a random age, or when a reading came over the limit (censored either way)."""
    out = []
    for c in range(scene.past):
        line, age = true_line(scene, rng), np.arange(1.0, int(rng.integers(15, 35)) + 1)
        low, high = readings(scene, line, age, rng)
        over = np.flatnonzero((low + high) / 2 >= LIMIT)
        end = over[0] + 1 if over.size else age.size
        out.append(_logged(scene, f"past {c}", age[:end], low[:end], high[:end]))
    return out


def share_error(inside):
    """Standard error of a share over groups of laps that share their past, (groups, laps); at least that of 90 %."""
    between = inside.mean(axis=1).std(ddof=1) / np.sqrt(len(inside)) if len(inside) > 1 else 0.0
    return max(between, np.sqrt(0.9 * 0.1 / inside.size))


def lap_in_use(scene, rng):
    """A lap whose readings are all under the limit, and when it truly crosses.

    Returns its path, after how many more faces the true path crosses, and from when on the next face exceeds the limit
    with probability over 10 %.
    """
    grid = np.arange(1, 4 * FARTHEST) / 4
    one_in_ten = scene.noise * (stats.t.isf(0.1, scene.tails) / np.sqrt(3) if scene.tails else stats.norm.isf(0.1))
    while True:
        line, age = true_line(scene, rng), np.arange(1.0, scene.own_faces + 1)
        low, high = readings(scene, line, age, rng)
        path = line(grid)
        risky_at = LIMIT / (1 + one_in_ten) if scene.of_reading else LIMIT - one_in_ten
        crossing, risky = (_reached(scene, grid, path, at) for at in (LIMIT, risky_at))
        if ((low + high) / 2 < LIMIT).all() and crossing > scene.own_faces:
            return _logged(scene, "in use", age, low, high), crossing - scene.own_faces, max(risky - scene.own_faces, 0)


def _reached(scene, age, path, limit):
    there = path >= limit
    if scene.signed:
        there |= path <= -limit
    return age[there.argmax()] if there.any() else np.inf


def _logged(scene, name, age, low, high):
    if not scene.start:
        return wear_path(name, age, low, high)
    age, low, high = (
        np.concatenate([[first], rest]) for first, rest in ((0.0, age), (scene.start, low), (scene.start, high))
    )
    return wear_path(name, age, low, high)
