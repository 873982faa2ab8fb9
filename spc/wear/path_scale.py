"""Wear paths put on one shape's scale: padded columns, parts and covariates ready for the filter."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.measure.interval import middle_of
from spc.wear.path_shape import Shape
from spc.wear.wear_path import WearPath, taken

__all__ = ["PathScale", "PathStack", "begins_elsewhere", "fit_scale", "stack_paths", "unzeroed", "zeroed_start"]

Array = NDArray[np.float64]

_LEAST_SIZE, _MOST_SIZE = 1e-300, 1e300  # of a reading, where a logarithm is taken, and where it falls
_LEAST_SHARE, _MOST_SHARE = 1e-3, 400.0  # of the variance of an error at the middle of the group; our own rule


@dataclass(frozen=True, slots=True)
class PathScale:
    """How readings, ages, parts and covariates of a group are scaled for one shape."""

    shape: Shape
    mirrored: bool  # all readings below zero, rising to zero: the shape takes their sizes, which fall
    relative: bool  # readings divided by the size of their unit's own limit first
    start: float  # added to the age before a logarithm
    age_origin: float
    age_range: float
    reading_centre: float
    reading_range: float
    zeroed_at: float  # age at which every path starts at one value by definition, NaN = no such start
    zeroed_value: float  # that value
    parts: tuple[str, ...]  # parts with an offset of their own
    covariate_centre: tuple[float, ...]
    covariate_range: tuple[float, ...]  # 0 = constant in the group, not used
    error_power: float = 0.0  # of a reading's size, that its error on this scale goes with; see `error_growth`

    def age_scaled(self, age: Array) -> Array:
        """Age from 0 (new) to 1 (the oldest of the group)."""
        return (self.shape.age(age, self.start) - self.age_origin) / self.age_range

    def reading_scaled(self, reading: Array, limit: Array | float) -> Array:
        """Put readings on the shape's scale, centre 0 and spread 1 over the group; one limit, or each reading's."""
        scaled = _on_shape(self.shape, reading / np.abs(limit) if self.relative else reading, mirrored=self.mirrored)
        return (scaled - self.reading_centre) / self.reading_range

    def reading_back(self, scaled: Array, limit: float) -> Array:
        """Invert `reading_scaled`."""
        on_shape = scaled * self.reading_range + self.reading_centre
        back = -np.minimum(self.shape.back(-on_shape), _MOST_SIZE) if self.mirrored else self.shape.back(on_shape)
        return np.asarray(back * abs(limit) if self.relative else back, dtype=np.float64)

    def error_share(self, scaled: Array) -> Array:
        """Variance of the error of readings by where the path stands on this scale, 1 at the middle of the group."""
        if not self.error_power:
            return np.ones_like(scaled)
        sign = -1.0 if self.mirrored else 1.0
        middle = self.shape.back(np.array([sign * self.reading_centre]))
        size = self.shape.back(sign * (scaled * self.reading_range + self.reading_centre)) / middle
        with np.errstate(divide="ignore", over="ignore"):
            share = np.maximum(size, 0.0) ** (2 * self.error_power)
        return np.asarray(np.clip(share, _LEAST_SHARE, _MOST_SHARE), dtype=np.float64)

    @property
    def error_words(self) -> str:
        """How errors go with sizes, where the readings told another law than the shape carries with it, else ''."""
        if not self.error_power:
            return ""
        grows = self.error_power + 1.0 - self.shape.reading_power > 0
        return "the larger a reading, the larger its error" if grows else "small and large readings err alike"

    def takes(self, path: WearPath) -> bool:
        """Whether the readings of a path and its limit are on this scale; a start by definition is no reading."""
        if not self.shape.needs_positive:
            return True
        read = unzeroed(path, self.zeroed_at, self.zeroed_value)
        if self.mirrored:
            return max(float(read.high.max(initial=-np.inf)), path.limit) < 0
        return min(float(read.low.min(initial=np.inf)), path.limit) > 0

    def log_slope(self, reading: Array, limit: float) -> Array:
        """Logarithm of the slope of `reading_scaled`."""
        unit = abs(limit) if self.relative else 1.0
        size = np.maximum(-reading if self.mirrored else reading, _LEAST_SIZE)
        slope = self.shape.log_slope(size / unit) - np.log(unit * self.reading_range)
        return np.asarray(slope, dtype=np.float64)

    def covariates_scaled(self, covariates: Sequence[float]) -> Array:
        """Scale the covariates in use: centre 0 and spread 1 over the group."""
        each = zip(covariates, self.covariate_centre, self.covariate_range, strict=True)
        return np.array([(value - centre) / width for value, centre, width in each if width > 0], dtype=np.float64)

    def design(self, covariates: Sequence[float]) -> Array:
        """Lay out the fixed terms of one unit: level and slope, each by covariates, then parts; (C - 1, p)."""
        terms = np.concatenate([[1.0], self.covariates_scaled(covariates)])
        parts = len(self.parts)
        table = np.zeros((2 + parts, 2 * terms.size + parts))
        table[0, : terms.size] = terms
        table[1, terms.size : 2 * terms.size] = terms
        table[2:, 2 * terms.size :] = np.eye(parts)
        return table

    def prior_precision(self) -> Array:
        """Weak normal prior of the fixed terms, as precisions; (p,)."""
        used = sum(1 for width in self.covariate_range if width > 0)
        level = [1 / 4.0**2] + [1 / 1.0**2] * used
        slope = [1 / 10.0**2] + [1 / 1.5**2] * used
        return np.array(level + slope + [1 / 0.7**2] * len(self.parts))


@dataclass(frozen=True, slots=True)
class PathStack:
    """U units padded to N readings."""

    age_scaled: Array  # (U, N)
    low: Array  # (U, N) on the shape's scale
    high: Array
    sign_known: NDArray[np.bool_]
    part: NDArray[np.int64]  # (U, N) index into the scale's parts, -1 none
    count: NDArray[np.int64]
    live: NDArray[np.bool_]
    design: Array  # (U, C - 1, p)


def fit_scale(
    paths: Sequence[WearPath], shape: Shape, *, relative: bool, with_covariates: bool, error_power: float = 0.0
) -> PathScale | str:
    """Choose the scaling from the group's paths, or say in words why the shape cannot be used."""
    zeroed_at, zeroed_value = zeroed_start(paths)
    paths = [unzeroed(p, zeroed_at, zeroed_value) for p in paths]
    age = np.concatenate([p.age for p in paths])
    limits = np.concatenate([np.full(p.age.size, abs(p.limit) if relative else 1.0) for p in paths])
    low = np.concatenate([p.low for p in paths]) / limits
    high = np.concatenate([p.high for p in paths]) / limits
    mirrored = shape.needs_positive and bool((high < 0).all())
    if shape.needs_positive and not mirrored and (low <= 0).any():
        return "needs readings on one side of zero"
    start = 0.0
    if shape.age_power == 0 and (age.min() <= 0 or zeroed_at <= 0):
        above = age[age > 0]
        start = float(above.min()) if above.size else 1.0
    on_age = shape.age(age, start)
    origin = float(on_age.min()) if shape.age_power == 0 else 0.0
    if np.isfinite(zeroed_at):
        origin = float(shape.age(np.array([zeroed_at]), start)[0])
    width = float(on_age.max()) - origin
    if not width > 0:
        return "needs readings at more than one age"
    middle = middle_of(low, high)
    scaled = _on_shape(shape, middle, mirrored=mirrored)
    spread, centre = float(np.std(scaled)), float(scaled.mean())
    if not spread > 0:  # nothing but how large they are, and where their limits lie, tells what is much of them
        ends = np.array([p.limit / (abs(p.limit) if relative else 1.0) for p in paths])
        sizes = np.abs(_on_shape(shape, ends[np.isfinite(ends)], mirrored=mirrored))
        spread = (max(abs(centre), float(sizes.max(initial=0.0))) or 1.0) * 1e-3
    table = np.array([p.covariates for p in paths], dtype=np.float64)
    centres = table.mean(axis=0).tolist()
    widths = table.std(axis=0).tolist() if with_covariates else [0.0] * len(centres)
    names = sorted({part for p in paths for part in p.parts})
    return PathScale(
        shape, mirrored, relative, start, origin, width, centre, spread, zeroed_at, zeroed_value,
        tuple(names) if len(names) > 1 else (), tuple(centres), tuple(widths), error_power,
    )  # fmt: skip


def _on_shape(shape: Shape, reading: Array, *, mirrored: bool) -> Array:
    return -shape.reading(-reading) if mirrored else shape.reading(reading)


def zeroed_start(paths: Sequence[WearPath]) -> tuple[float, float]:
    """Age and value of a start that three or more paths share to the last digit, NaN where there is none."""
    starts = {(float(p.age[0]), float(p.low[0]), float(p.high[0])) for p in paths if p.age.size}
    followed = [p for p in paths if p.age.size > 2]  # they tell a line without the start
    if len(starts) != 1 or len(followed) < 3:
        return float("nan"), float("nan")
    age, low, high = next(iter(starts))
    if low != high or len({float(p.low[1]) for p in followed}) == 1:
        return float("nan"), float("nan")
    return age, low


def unzeroed(path: WearPath, age: float, value: float) -> WearPath:
    """Take a start by definition out of a path, however often it is written: it is no reading.

    On the way to the first one a lap beds in.
    """
    starts = int(np.logical_and.accumulate((path.age == age) & (path.low == value)).sum())
    return taken(path, slice(starts, None)) if starts else path


def begins_elsewhere(path: WearPath, age: float, value: float) -> bool:
    """Whether a path was read at the age of a start by definition, or before it, and did not begin with its value."""
    if not path.age.size or not path.age[0] <= age:
        return False
    return bool(path.age[0] < age or path.low[0] != value or path.high[0] != value)


def stack_paths(paths: Sequence[WearPath], scale: PathScale) -> PathStack:
    """Scale and pad the paths."""
    paths = [unzeroed(p, scale.zeroed_at, scale.zeroed_value) for p in paths]
    count = np.array([p.age.size for p in paths], dtype=np.int64)
    shape = (len(paths), int(count.max(initial=1)))
    age, low, high = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    known = np.ones(shape, dtype=bool)
    part = np.full(shape, -1, dtype=np.int64)
    place = {name: i for i, name in enumerate(scale.parts)}
    live = np.arange(shape[1]) < count[:, None]
    limits = np.repeat([p.limit for p in paths], count)  # of each reading
    age[live] = scale.age_scaled(np.concatenate([p.age for p in paths]))
    low[live] = scale.reading_scaled(np.concatenate([p.low for p in paths]), limits)
    above = np.concatenate([p.high for p in paths])  # open above stays open where the shape's scale has an end
    high[live] = np.where(np.isfinite(above), scale.reading_scaled(above, limits), np.inf)
    known[live] = np.concatenate([p.sign_known for p in paths])
    for u, path in enumerate(paths):
        if path.parts and scale.parts:
            part[u, : path.age.size] = [place.get(name, -1) for name in path.parts]
    design = np.stack([scale.design(p.covariates) for p in paths])
    return PathStack(np.maximum(age, 0.0), low, high, known, part, count, live, design)
