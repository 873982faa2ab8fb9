"""Two mornings on which faces of the invented cell were read again: the gauge data of the demonstration.

Drawn from a generator of its own, so that the life of the cell does not change with it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from demo_data.cell import OPERATORS, SEED
from demo_data.life import BAND_UM, Face

__all__ = ["GAUGE_FACES", "GAUGE_MORNINGS", "GaugeMorning", "Repeat", "read_again"]

GAUGE_FACES = 10
_ROUNDS = 2


@dataclass(frozen=True, slots=True)
class GaugeMorning:
    """Faces of one part number, each read twice by both readers of the early shift."""

    start: datetime
    lap: str
    part: str
    error_um: float  # standard deviation of one reading of one face, before the step rounds it
    habits_um: tuple[float, ...]  # how far off each reader reads, in the order of the shift's people
    step_um: float


GAUGE_MORNINGS = (
    GaugeMorning(datetime(2026, 6, 3, 9, 40), "CE-1", "GA-08", 0.006, (0.002, -0.002), 0.01),
    GaugeMorning(datetime(2026, 6, 17, 9, 20), "CU-1", "SP-20", 0.042, (0.016, -0.018), 0.5 * BAND_UM),
)


@dataclass(frozen=True, slots=True)
class Repeat:
    """A second reading of a face that was lapped and logged before."""

    when: datetime
    face: Face
    operator: str
    reading: str


def read_again(faces: Sequence[Face], seed: int = SEED) -> tuple[Repeat, ...]:
    """Read the newest faces of each gauge morning again; the same seed gives the same readings.

    Parameters
    ----------
    faces : sequence of Face
        Everything the cell lapped, in order of time.
    seed : int
    """
    rng = np.random.default_rng([seed, 5])
    readers = [o for o in OPERATORS if o.shift == "early"]
    repeats = []
    for morning in GAUGE_MORNINGS:
        kept = [
            f for f in faces
            if (f.lap, f.part, f.attempt, f.outcome) == (morning.lap, morning.part, 1, "ok") and f.end < morning.start
        ][-GAUGE_FACES:]  # fmt: skip
        now = morning.start
        for _ in range(_ROUNDS):
            for reader, habit_um in zip(readers, morning.habits_um, strict=True):
                for face in kept:
                    read_um = face.true_bands * BAND_UM + habit_um + morning.error_um * float(rng.normal())
                    steps = max(round(read_um / morning.step_um), 0)
                    repeats.append(Repeat(now, face, reader.name, _written(steps, face.unit)))
                    now += timedelta(minutes=2)
    return tuple(repeats)


def _written(steps: int, unit: str) -> str:
    if unit == "um":
        return f"{steps / 100:.2f}"
    return f"{steps / 2:g}" if steps else "<0.5"
