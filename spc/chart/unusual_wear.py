"""What is not usual in one cycle on its sloping centre line: a jump, a change of slope, or a bend."""

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.chart.change_point import ChangeSearch, change_point, least_p_value
from spc.chart.usual_bend import without_usual_bend
from spc.chart.wear_chart import WearChart, fit_wear_line

__all__ = ["NAMES", "surely_usual", "unusual_cycle", "unusual_wear"]

Array = NDArray[np.float64]

FEWEST_FOR_SCORES = 6  # past cycles from which scores against them can be searched for a change [our rule, simulated]
MARGIN = 1.5  # so far over its rate a search surely finds nothing, its simulated p-value being a count [our choice]
NAMES = {"mean": "jump", "slope": "slope change", "curvature": "bend"}


def unusual_wear(
    age: ArrayLike, value: ArrayLike, *, kinds: tuple[str, ...] = tuple(NAMES), false_detection: float = 0.05
) -> ChangeSearch:
    """Name what is not usual in one cycle: a jump, a change of slope, or a bend, and the faces it may have begun at.

    Parameters
    ----------
    age, value : array_like, shape (n,)
        As in `wear_chart`.
    kinds : tuple of str, default all
        Keys of `NAMES` to search for.
    false_detection : float, default 0.05
        Share of straight cycles in which anything is named.

    Returns
    -------
    ChangeSearch
        Kinds 'mean' (a jump: contamination, a swap of slurry, a knock), 'slope' (load, slurry age) and 'curvature' (a
        bend over the whole cycle: glaze, or a lap running in); `NAMES` gives the words. A slope change in the middle of
        a cycle and a bend look alike: `near` then names the other.
    """
    return change_point(value, age, kinds=kinds, before="line", false_detection=false_detection)


def unusual_cycle(chart: WearChart, *, phi: float = 0.0, false_detection: float = 0.01) -> ChangeSearch:
    """Name what is not usual in one charted cycle, by its own line and, where enough is known, by how it usually wears.

    Parameters
    ----------
    chart : WearChart
    phi : float, default 0
        Correlation of neighbouring readings, left out of both searches.
    false_detection : float, default 0.01
        Asked share of usual cycles in which anything is named. As simulated: up to twice it, as slopes of cycles
        differ, and up to four times it in cycles that outlive the past ones.

    Returns
    -------
    ChangeSearch

    Notes
    -----
    What past cycles have in common about straight lines is taken out first: that is how the lap wears. In the first
    cycle of all nothing is usual yet: only a jump is searched for, about a curve. The line of the cycle itself bends
    after a jump and hides much of it, and steps of the reading look like jumps about it. From `FEWEST_FOR_SCORES` past
    cycles on, the scores against how the lap usually wears are searched for a jump or a change of slope, and its own
    line for a bend only; each search takes half of the rate. Where both find something, the cycle's own readings about
    a line say which explains them best: a cycle that bends from its beginning on has scores that turn upwards too. With
    fewer past cycles the scores would call too often.
    """
    alone = _own_readings(chart, phi)
    if not _by_scores(chart):
        return unusual_wear(chart.age, alone, kinds=_kinds(chart), false_detection=false_detection)
    half = false_detection / 2
    bend = change_point(alone, chart.age, kinds=("curvature",), before="line", false_detection=half)
    z = _decorrelated(chart.z, chart.age, phi)
    scores = change_point(z, chart.age, kinds=("mean", "slope"), before="level", false_detection=half)
    if bend.status != "change":
        return scores
    if scores.status != "change":
        return bend
    shape = unusual_wear(chart.age, alone, false_detection=false_detection)
    kinds = [*(change.kind for change in shape.changes), *shape.near]
    if kinds[:1] == ["curvature"]:
        found = scores.changes[0].kind
        return _beside(bend, found) if found in shape.near else bend
    return _beside(scores, "curvature") if "curvature" in kinds else scores


def surely_usual(chart: WearChart, *, phi: float = 0.0, false_detection: float = 0.01) -> bool:
    """Whether `unusual_cycle` names nothing, where that can be said without its simulation of noise.

    Parameters
    ----------
    chart : WearChart
    phi, false_detection
        As in `unusual_cycle`.

    Returns
    -------
    bool
        False where the search must be asked.
    """
    alone = _own_readings(chart, phi)
    if not _by_scores(chart):
        rate = MARGIN * false_detection
        return least_p_value(alone, chart.age, kinds=_kinds(chart), before="line") > rate
    rate = MARGIN * false_detection / 2
    if least_p_value(alone, chart.age, kinds=("curvature",), before="line") <= rate:
        return False
    return least_p_value(_decorrelated(chart.z, chart.age, phi), chart.age) > rate


def _by_scores(chart: WearChart) -> bool:
    return chart.usual is not None and chart.usual.cycles >= FEWEST_FOR_SCORES and chart.status == "ok"


def _kinds(chart: WearChart) -> tuple[str, ...]:
    """Kinds searched for: a slope or a bend is no news before it is known how past cycles bend."""
    return tuple(NAMES) if chart.usual is not None or chart.bend is not None else ("mean",)


def _own_readings(chart: WearChart, phi: float) -> Array:
    """Give the readings of the cycle with the usual bend and what neighbours carry over left out."""
    own = chart.value
    if own.size >= 3 and (chart.bend is not None or chart.usual is None):
        own = without_usual_bend(chart.age, own, chart.bend)
    return _carried_out(own, chart.age, phi) if phi and own.size >= 3 else own


def _beside(search: ChangeSearch, kind: str) -> ChangeSearch:
    """Say that another kind explains the cycle about as well."""
    if kind in search.near:
        return search
    words = f"{search.sentence} A {NAMES[kind]} explains them about as well."
    return replace(search, near=(*search.near, kind), sentence=words)


def _carried_out(value: Array, age: Array, phi: float) -> Array:
    """Take from the readings their line and what neighbours carry over, so that the search meets independent ones."""
    if np.ptp(age) == 0:
        return value
    return _decorrelated(value - fit_wear_line(age, value).centre(age), age, phi)


def _decorrelated(residual: Array, age: Array, phi: float) -> Array:
    gap = np.maximum(1.0, np.diff(age, prepend=age[0] - 1.0))
    r = np.where(np.arange(residual.size) == 0, 0.0, phi**gap)
    before = np.concatenate(([0.0], residual[:-1]))
    return np.asarray((residual - r * before) / np.sqrt(1.0 - r**2), dtype=np.float64)
