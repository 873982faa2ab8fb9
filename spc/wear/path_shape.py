"""Shapes of a wear path: which transform of the reading is a straight line in which transform of the age."""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SHAPES", "Shape", "halfway_shapes"]

Array = NDArray[np.float64]

_LINEAR_TAIL = 1e-12
_STEEPEST = 4.0  # power of age that readings about zero may near; our own choice


@dataclass(frozen=True, slots=True)
class Shape:
    """One shape: reading to the `reading_power`, straight in age to the `age_power`; power 0 means the logarithm."""

    name: str
    words: str  # for a person
    reading_power: float
    age_power: float
    course: tuple[tuple[float, float], ...] = ()  # ages, and how far past cycles had gone by then; () = a power of age

    @property
    def needs_positive(self) -> bool:
        """Whether the readings must all be on one side of zero."""
        return self.reading_power != 1.0

    @property
    def straight(self) -> bool:
        """Whether the reading itself is straight in age."""
        return self.reading_power == self.age_power == 1.0 and not self.course

    def age(self, age: Array, start: float) -> Array:
        """Age on the shape's own scale; `start` is added before a logarithm, so that age 0 has one."""
        if self.course:
            return _along(age, *np.array(self.course).T)
        if self.age_power == 0:
            return np.log(np.maximum(age + start, _LINEAR_TAIL))
        if self.age_power == 1:
            return age * 1.0
        return np.asarray(np.maximum(age, 0.0) ** self.age_power, dtype=np.float64)

    def reading(self, reading: Array) -> Array:
        """Put readings on the shape's own scale, rising with the reading; 0 may become minus infinity.

        A power stands as it is, over itself and without a 1 taken off: what readings differ by must not be lost beside
        it, however large they are.
        """
        power = self.reading_power
        if power == 1:
            return reading * 1.0
        with np.errstate(divide="ignore", invalid="ignore"):
            if power == 0:
                return np.log(reading)
            return np.asarray(reading**power / power, dtype=np.float64)

    def back(self, scaled: Array) -> Array:
        """Invert `reading`; beyond the end of the scale (a path that runs away) infinity."""
        power = self.reading_power
        if power == 1:
            return scaled * 1.0
        if power == 0:
            return np.exp(np.minimum(scaled, 700.0))
        base = power * scaled
        with np.errstate(divide="ignore", invalid="ignore"):
            end = math.inf if power < 0 else 0.0
            return np.asarray(np.where(base > 0, np.abs(base) ** (1 / power), end), dtype=np.float64)

    def log_slope(self, reading: Array) -> Array:
        """Logarithm of the slope of `reading`, which carries a density back to the reading's own unit."""
        if self.reading_power == 1:
            return np.zeros_like(reading)
        return np.asarray((self.reading_power - 1) * np.log(reading), dtype=np.float64)


def _along(age: Array, at: Array, far: Array) -> Array:
    """Follow a course, and go on before and after it as it goes at its ends."""
    slopes = np.diff(far) / np.diff(at)
    beyond = np.minimum(age - at[0], 0.0) * slopes[0] + np.maximum(age - at[-1], 0.0) * slopes[-1]
    return np.asarray(np.interp(age, at, far) + beyond, dtype=np.float64)


def halfway_shapes(
    shape: Shape, offered: Sequence[Shape], near: Collection[Shape] = (), hopeless: Collection[Shape] = ()
) -> tuple[Shape, ...]:
    """Shapes half way from one shape to its nearest neighbours on either side.

    Two shapes are neighbours where only one of their powers differs: the age's where the reading stands as it is, the
    reading's where the age does. Readings on both sides of zero have no powers of their own to speed up by: there the
    steepest power of age has a steeper one as its neighbour, though none is offered.

    Parameters
    ----------
    shape : Shape
    offered : sequence of Shape
    near, hopeless : collection of Shape
        Those that do nearly as well, and those far behind. Beside a neighbour that does nearly as well finer steps tell
        nothing, unless one of the two nearest shapes is hopeless: of two as good, with a third far behind, the best
        lies between.
    """
    about_zero = not any(s.needs_positive for s in offered)
    found = []
    for power in ("reading_power", "age_power"):
        other = "age_power" if power == "reading_power" else "reading_power"
        here = getattr(shape, power)
        line = [s for s in offered if getattr(s, other) == 1 and s != shape] if getattr(shape, other) == 1 else []
        line.sort(key=lambda s: abs(getattr(s, power) - here))
        steep = any(s in hopeless for s in line[:2])
        for side in (-1, 1):
            beyond = [s for s in line if side * (getattr(s, power) - here) > 0]
            if beyond and (steep or beyond[0] not in near):
                found.append(_of_power(power, (here + getattr(beyond[0], power)) / 2))
            elif about_zero and power == "age_power" and side > 0 and line and line[0] not in near:
                found.append(_of_power(power, (here + _STEEPEST) / 2))
    return tuple(found)


def _of_power(name: str, power: float) -> Shape:
    figure = f"{power:g}"
    if name == "age_power":
        way = "slowing" if power < 1 else "speeding up"
        return Shape(f"age to the power {figure}", f"{way}, with age to the power {figure}", 1.0, power)
    way = "speeding up ever faster" if power < 0 else "speeding up"
    return Shape(
        f"reading to the power {figure}", f"{way}, the reading to the power {figure} straight in age", power, 1.0
    )  # fmt: skip


SHAPES: tuple[Shape, ...] = (
    Shape("linear", "a straight line in age", 1.0, 1.0),
    Shape("square root", "slowing, with the square root of age", 1.0, 0.5),
    Shape("log", "slowing, with the logarithm of age", 1.0, 0.0),
    Shape("three halves", "speeding up, with age to the power 1.5", 1.0, 1.5),
    Shape("square", "speeding up, with age squared", 1.0, 2.0),
    Shape("power", "a power of age", 0.0, 0.0),
    Shape("exponential", "speeding up, exponentially in age", 0.0, 1.0),
    Shape("inverse", "speeding up ever faster, its inverse straight in age", -1.0, 1.0),
    Shape("inverse square", "speeding up ever faster, its inverse square straight in age", -2.0, 1.0),
)
