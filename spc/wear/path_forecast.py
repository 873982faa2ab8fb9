"""Future paths of one cycle: pooled draws brought up to date with the cycle's own readings, then run on."""

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spc.wear.path_evidence import error_variance_of, interpolated, inverted
from spc.wear.path_gram import PathGram, path_gram
from spc.wear.path_posterior import LineDraws, unlevelled
from spc.wear.path_reading import columns_of, first_working, refined_working
from spc.wear.path_scale import PathScale, PathStack, begins_elsewhere, stack_paths, unzeroed
from spc.wear.shape_score import given_density
from spc.wear.unit_tails import scale_spreads
from spc.wear.wear_path import WearPath, thinned

__all__ = ["FuturePaths", "OwnUpdate", "future_paths", "of_part", "update_own"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class OwnUpdate:
    """One cycle's own readings put to one shape of the pooled fit."""

    scale: PathScale
    lines: LineDraws
    own: WearPath  # without a start by definition
    stack: PathStack
    gram: PathGram
    working: Array  # (1, N)
    share: Array  # (S,) of each pooled draw, once the own readings are known
    log_density: float  # of the own readings under this shape, in the readings' unit


@dataclass(frozen=True, slots=True)
class FuturePaths:
    """Draws of one cycle's path on one shape's scale; S draws, J ages, the first of them now."""

    scale: PathScale
    age: Array  # (J,)
    path: Array  # (S, J) the wear path of one part number, without reading error
    error_sd: Array  # (S,) of one reading at the middle of the group
    wander_variance: Array  # (S,) of the path per unit of scaled age
    newest: Array | float  # the newest reading; for a new cycle the path's own start
    own_limit: float  # that readings are shares of where the scale is relative
    offsets: Array  # (S, P) of the scale's parts, from one of them to the next on the scale
    offset: Array  # (S,) of them, that of the path

    def error_of(self, path: Array) -> Array:
        """Give the standard deviation of one reading by where a path stands; (S, J) as the path."""
        return np.asarray(self.error_sd[:, None] * np.sqrt(self.scale.error_share(path)), dtype=np.float64)


def update_own(
    scale: PathScale,
    lines: LineDraws,
    own: WearPath,
    *,
    parts: Collection[str] = ("",),
    log_scales: Array | None = None,
    alone: bool = False,
) -> OwnUpdate:
    """Weigh the pooled draws by the cycle's own readings.

    Parameters
    ----------
    scale, lines : PathScale, LineDraws
        From the pooled fit.
    own : WearPath
        The cycle's readings so far; none is allowed.
    parts : collection of str
        Part numbers that will be asked, as in `future_paths` and `of_part`.
    log_scales : (K, 2), optional
        How far a new unit may stray from the group, K a multiple of the draws; see `unit_tails`.
    alone : bool
        The spreads were drawn from these very readings: they are not weighed a second time.
    """
    elsewhere = begins_elsewhere(own, scale.zeroed_at, scale.zeroed_value)
    own = thinned(unzeroed(own, scale.zeroed_at, scale.zeroed_value))
    if all(part in scale.parts for part in parts):
        scale, lines = _with_parts_asked(scale, lines, {*parts, *own.parts})
    stack = stack_paths([own], scale)
    if elsewhere:  # of such a level the group says nothing
        lines = replace(lines, spreads=unlevelled(lines.spreads))
    offsets = len(scale.parts)
    working, multiplier = first_working(stack)
    for _ in range(1 if own.sign_known.all() else 3):  # signs settle from the known ones outwards
        refined = refined_working(scale, stack, working, multiplier, lines) if own.age.size else None
        if refined is not None:
            working, multiplier = refined
    gram = path_gram(stack.age_scaled, columns_of(stack, working, offsets), multiplier, stack.count)
    if log_scales is not None and log_scales.size:
        lines = _straying(lines, log_scales)
    log = given_density(lines, gram, stack.design)
    top = float(log.max())
    share = np.ones_like(log) if alone else np.exp(log - top)
    slope = float(scale.log_slope(own.low, own.limit).sum())
    return OwnUpdate(
        scale, lines, own, stack, gram, working, share / share.sum(), top + float(np.log(share.mean())) + slope
    )


def _with_parts_asked(scale: PathScale, lines: LineDraws, asked: set[str]) -> tuple[PathScale, LineDraws]:
    """Leave out the offsets of parts that the cycle has none of: its readings say nothing of them."""
    before = lines.mean.shape[1] - len(scale.parts)
    terms = np.array([*range(before), *(before + at for at, name in enumerate(scale.parts) if name in asked)])
    return (
        replace(scale, parts=tuple(name for name in scale.parts if name in asked)),
        replace(lines, mean=lines.mean[:, terms], covariance=lines.covariance[:, terms[:, None], terms]),
    )


def _straying(lines: LineDraws, log_scales: Array) -> LineDraws:
    times = log_scales.shape[0] // lines.spreads.shape[0]
    return replace(
        lines,
        spreads=scale_spreads(np.tile(lines.spreads, (times, 1)), log_scales),
        mean=np.tile(lines.mean, (times, 1)),
        covariance=np.tile(lines.covariance, (times, 1, 1)),
    )


def future_paths(update: OwnUpdate, age: Array, *, draws: int, part: str = "", rng: np.random.Generator) -> FuturePaths:
    """Draw the cycle's path at the ages asked for.

    Parameters
    ----------
    update : OwnUpdate
    age : (J,)
        Rising, the first not before the last reading.
    draws : int
    part : str
        Part number whose wear is asked; '' or one never seen = the middle of the parts.
    rng : numpy.random.Generator
    """
    scale, lines, own, stack, gram = update.scale, update.lines, update.own, update.stack, update.gram
    picked = rng.choice(update.share.size, size=draws, p=update.share)
    spreads = lines.spreads[picked]

    error_variance = error_variance_of(spreads)
    g = interpolated(gram.gram[:, 0], spreads[:, 1])
    state = interpolated(gram.state[:, 0], spreads[:, 1])
    state_variance = interpolated(gram.state_variance[:, 0], spreads[:, 1])
    design = stack.design[0]
    terms = design.shape[0]
    prior_mean = lines.mean[picked] @ design.T
    prior_cov = design @ lines.covariance[picked] @ design.T
    level, slope = np.exp(spreads[:, 2]), np.exp(spreads[:, 3])
    prior_cov[:, 0, 0] += level**2
    prior_cov[:, 1, 1] += slope**2
    both = np.tanh(spreads[:, 4]) * level * slope
    prior_cov[:, 0, 1] += both
    prior_cov[:, 1, 0] += both
    told = g[:, :terms, :terms] / error_variance[:, None, None]
    cov = inverted(np.eye(terms) + prior_cov @ told) @ prior_cov
    root = np.linalg.cholesky((cov + np.swapaxes(cov, 1, 2)) / 2)
    beside = g[:, :terms, -1] / error_variance[:, None] - np.einsum("scd,sd->sc", told, prior_mean)
    effects = prior_mean + np.einsum("scd,sd->sc", cov, beside)
    effects = effects + np.einsum("scd,sd->sc", root, rng.standard_normal((draws, terms)))

    wandered = state[:, -1] - np.einsum("sc,sc->s", state[:, :terms], effects)
    wandered = wandered + np.sqrt(state_variance * error_variance) * rng.standard_normal(draws)
    wander_variance = np.exp(spreads[:, 1]) * error_variance
    on_age = scale.age_scaled(age)
    last = stack.age_scaled[0, own.age.size - 1] if own.age.size else 0.0
    steps = np.maximum(np.diff(on_age, prepend=last), 0.0)
    path: Array = np.sqrt(steps, dtype=np.float64) * rng.standard_normal((draws, age.size), dtype=np.float32)
    path *= np.sqrt(wander_variance)[:, None]
    np.cumsum(path, axis=1, out=path)
    offsets = effects[:, 2:]
    offset = _offset(scale, offsets, part)
    path += effects[:, 1:2] * on_age
    path += (effects[:, 0] + wandered + offset)[:, None]
    newest = float(update.working[0, own.age.size - 1]) if own.age.size else path[:, 0]
    return FuturePaths(
        scale, age, path, np.sqrt(error_variance), wander_variance, newest, own.limit, offsets, offset
    )  # fmt: skip


def of_part(future: FuturePaths, part: str) -> FuturePaths:
    """Give the same draws for another part number: only its offset differs."""
    offset = _offset(future.scale, future.offsets, part)
    path = future.path + (offset - future.offset)[:, None]
    newest = future.newest if isinstance(future.newest, float) else path[:, 0]
    return replace(future, path=path, newest=newest, offset=offset)


def _offset(scale: PathScale, offsets: Array, part: str) -> Array:
    if part in scale.parts:
        return np.asarray(offsets[:, scale.parts.index(part)], dtype=np.float64)
    return np.asarray(offsets.mean(axis=1) if scale.parts else np.zeros(len(offsets)), dtype=np.float64)
