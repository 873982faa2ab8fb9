"""What a control chart hands on: all that is needed to draw it, to say it in words and to print its claim again."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.chart.run_length import RunLength
from spc.chart.signals import Signals

__all__ = ["Chart", "signal_sentences", "unable"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Chart:
    """One control chart; the arrays `value`, `centre`, `lower` and `upper` have one entry per reading as given."""

    name: str  # 'individuals', 'moving range', 'drifting average', ...
    status: str  # 'ok', 'too few', 'no spread' or 'refused'
    reason: str  # why it is not 'ok', and the cure; '' if it is
    value: Array  # what is plotted; NaN where nothing is (not measured, or first of a stretch)
    centre: Array  # NaN where there is none
    lower: Array  # -inf = no lower limit
    upper: Array  # +inf = no upper limit
    starts: NDArray[np.intp]  # positions at which a new stretch starts: never joined across
    signals: tuple[Signals, ...]
    method: str  # one sentence: what was computed, and after which published method
    n: int  # readings the centre and spread rest on
    missing: int  # readings as given that were not measured
    sigma: float  # standard deviation used; 0 when there is none
    sigma_how: str  # how it was estimated
    run_length: RunLength | None  # for these very settings; None where it cannot be said
    alarms: str  # how often it cries wolf, and what it sees, in words
    notes: tuple[str, ...]  # data health, conventions, weaknesses


def unable(
    name: str, status: str, reason: str, value: Array, *, method: str, n: int, starts: NDArray[np.intp]
) -> Chart:
    """Return a chart that draws its readings and says in words why it has no limits."""
    return Chart(
        name=name,
        status=status,
        reason=reason,
        value=value,
        centre=np.full(value.size, math.nan),
        lower=np.full(value.size, -math.inf),
        upper=np.full(value.size, math.inf),
        starts=starts,
        signals=(),
        method=method,
        n=n,
        missing=int(np.count_nonzero(np.isnan(value))),
        sigma=0.0,
        sigma_how="none",
        run_length=None,
        alarms="no limits, so no alarms",
        notes=(),
    )


def signal_sentences(chart: Chart, *, names: Sequence[str] = (), most: int = 50) -> tuple[str, ...]:
    """Say the latest `most` signals of a chart, a sentence each, oldest first; `names` of all points, else counted."""
    spoken: list[tuple[int, str]] = []
    for signals in chart.signals:
        for index, side in zip(signals.index[-most:], signals.side[-most:], strict=True):
            place = {1: "high", -1: "low"}.get(int(side), "")
            where = f" ({place})" if place else ""
            value = chart.value[index]
            shown = f", plotted at {value:.4g}" if np.isfinite(value) else ""
            spoken.append(
                (int(index), f"{names[index] if names else f'reading {index + 1}'}{shown}: {signals.words}{where}")
            )
    spoken.sort(key=lambda pair: pair[0])
    return tuple(sentence for _, sentence in spoken[-most:])
