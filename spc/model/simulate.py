"""Draws new samples from a fitted law, read again the way the shop reads: on its steps, its 'less than', its 'or more'.

Every sample is a row of counts over one fixed set of stretches, so a thousand samples are one array. Readings known
as numbers are drawn on stretches fine enough (a quarter of the spread) to lose under one percent of what they
know.
"""

from dataclasses import dataclass

import numpy as np

from spc.model.families import Array, Family
from spc.model.grouping import Readings

__all__ = ["ReadingRule", "draw_counts", "reading_rule"]

_POINTS = 110  # stretches offered to the law, even in log odds from 1e-10 to 1 - 1e-10
_WIDTHS = 4  # distinct reading steps kept apart; rarer ones join the nearest


@dataclass(frozen=True, slots=True)
class ReadingRule:
    """How a true value becomes a reading: stretches in groups, each group one way of reading."""

    low: Array  # (stretches,) in units of the readings' scale
    high: Array
    claim_low: Array  # (claims,) regions that 'less than' and 'or more' readings take from the stretches
    claim_high: Array
    claim_share: Array  # share of such values written so, 0 to 1
    claim_group: Array
    group: Array  # (stretches + claims,) which way of reading
    readings_in: Array  # (groups,) readings per group
    observed: Array  # (stretches + claims,) the readings themselves, counted in these stretches


def reading_rule(readings: Readings, law: Family, log_scale: float, shape: float) -> ReadingRule:
    """Work out from the readings themselves how values are read.

    Parameters
    ----------
    readings : Readings
    law : Family
    log_scale, shape : float
        The law to be drawn from; it says how far the stretches must reach.
    """
    finite = np.isfinite(readings.high)
    stepped = finite & (readings.low > 0)
    width = (readings.high - readings.low)[stepped]
    count, low = readings.count[stepped], readings.low[stepped]
    kinds = _common_widths(width, count)
    kind = np.argmin(np.abs(np.log(width[:, None] / kinds)), axis=1) if kinds.size else np.zeros(0, dtype=int)
    odds = np.linspace(-23.0, 23.0, _POINTS)
    with np.errstate(all="ignore"):
        tail = 1 / (1 + np.exp(np.abs(odds)))
        offered = np.where(odds < 0, law.ppf(tail, np.asarray(shape)), law.isf(tail, np.asarray(shape)))
    offered = np.unique(offered[np.isfinite(offered)]) * np.exp(log_scale)
    lows: list[Array] = []
    highs: list[Array] = []
    groups: list[Array] = []
    sizes: list[float] = []
    observed: list[Array] = []
    centre = 0.5 * (low + readings.high[stepped])
    for g, w in enumerate(kinds):
        mine = kind == g
        phases, at = np.unique(np.round(np.mod(low[mine] / w, 1.0), 4) % 1.0, return_inverse=True)
        phase = phases[np.argmax(np.bincount(at, weights=count[mine]))]
        edges = np.unique(np.round(offered / w - phase) + phase) * w
        edges = np.concatenate([[0.0], edges[edges > 1e-9 * w], [np.inf]])
        lows, highs = [*lows, edges[:-1]], [*highs, edges[1:]]
        groups, sizes = [*groups, np.full(edges.size - 1, g)], [*sizes, float(count[mine].sum())]
        observed.append(_counted(centre[mine], count[mine], edges))
    exact = float(readings.exact_count.sum())
    if exact or not kinds.size:
        edges = np.concatenate([[0.0], offered[offered > 0], [np.inf]])
        lows, highs = [*lows, edges[:-1]], [*highs, edges[1:]]
        groups, sizes = [*groups, np.full(edges.size - 1, len(sizes))], [*sizes, exact]
        observed.append(_counted(readings.exact, readings.exact_count, edges))
    main = int(np.argmax(sizes))
    claim = ~stepped
    c_low, c_high, c_count = readings.low[claim], readings.high[claim], readings.count[claim]
    claims, shares = [], []
    for a, b, c in zip(c_low, c_high, c_count, strict=True):
        others = count[(centre > a) & (centre < b)].sum()
        others += readings.exact_count[(readings.exact > a) & (readings.exact < b)].sum()
        claims.append((a, b))
        shares.append(c / (c + others))
    sizes[main] += float(c_count.sum())
    where = np.array(claims).reshape(-1, 2)
    return ReadingRule(
        low=np.concatenate(lows),
        high=np.concatenate(highs),
        claim_low=where[:, 0],
        claim_high=where[:, 1],
        claim_share=np.array(shares),
        claim_group=np.full(len(claims), main),
        group=np.concatenate([*groups, np.full(len(claims), main)]),
        readings_in=np.array(sizes),
        observed=np.concatenate([*observed, c_count]),
    )


def draw_counts(
    rule: ReadingRule,
    law: Family,
    log_scale: float,
    shape: float,
    *,
    repetitions: int,
    rng: np.random.Generator,
    cut: float = np.inf,
    n: int | None = None,
) -> tuple[Array, Array, Array]:
    """Draw samples from a law as counts; gives (low, high, count), count (repetitions, stretches).

    `n` sets the size of each sample (the readings' own by default); values above `cut` are never kept.
    """

    def mass(low: Array, high: Array) -> Array:
        z_low, z_high = (np.minimum(e, cut) / np.exp(log_scale) for e in (low, high))
        below = law.cdf(z_high, np.asarray(shape)) - law.cdf(z_low, np.asarray(shape))
        above = law.sf(z_low, np.asarray(shape)) - law.sf(z_high, np.asarray(shape))
        return np.asarray(np.maximum(np.where(law.cdf(z_low, np.asarray(shape)) < 0.5, below, above), 0.0))

    with np.errstate(all="ignore"):
        p = mass(rule.low, rule.high)
        stretch_group = rule.group[: rule.low.size]
        for a, b, share, group in zip(rule.claim_low, rule.claim_high, rule.claim_share, rule.claim_group, strict=True):
            inner_low, inner_high = np.maximum(rule.low, a), np.minimum(rule.high, b)
            taken = np.where(inner_high > inner_low, mass(inner_low, np.maximum(inner_low, inner_high)), 0.0)
            p = np.where(stretch_group == group, np.maximum(p - share * taken, 0.0), p)
        p = np.concatenate([p, rule.claim_share * mass(rule.claim_low, rule.claim_high)])
    sizes = rule.readings_in
    if n is not None:
        sizes = np.diff(np.round(np.concatenate([[0.0], np.cumsum(sizes)]) * n / sizes.sum()))
    count = np.zeros((repetitions, p.size))
    for g, size in enumerate(sizes):
        mine = rule.group == g
        count[:, mine] = rng.multinomial(int(size), p[mine] / p[mine].sum(), size=repetitions)
    low = np.concatenate([rule.low, rule.claim_low])
    high = np.minimum(np.concatenate([rule.high, rule.claim_high]), cut)
    used = count.any(axis=0) & (low < high)
    return low[used], high[used], count[:, used]


def _counted(value: Array, count: Array, edges: Array) -> Array:
    """Count values in the stretches between edges."""
    at = np.clip(np.searchsorted(edges, value, side="right") - 1, 0, edges.size - 2)
    return np.bincount(at, weights=count, minlength=edges.size - 1).astype(float)


def _common_widths(width: Array, count: Array) -> Array:
    """List the reading steps in use, the commonest first, at most `_WIDTHS` of them."""
    if not width.size:
        return np.zeros(0)
    _, first, at = np.unique(np.round(np.log(width), 5), return_index=True, return_inverse=True)
    total = np.bincount(at, weights=count)
    return np.asarray(width[first[np.argsort(-total, kind="stable")[:_WIDTHS]]])
