"""Which clock foretells wear best: faces, minutes on the lap, or micrometres removed, by cycles left out of the fit."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from spc.wear.pooled import fit_pooled
from spc.wear.wear_path import WearPath

__all__ = ["CLOCKS", "FEWEST_CYCLES", "ClockChoice", "age_clock", "compare_clocks", "other_clock_words"]

CLOCKS: dict[str, str] = {
    "faces": "faces since reconditioning",
    "minutes": "minutes on the lap since reconditioning",
    "removed_um": "micrometres removed since reconditioning",
}
_SHORT = {"faces": "faces", "minutes": "minutes", "removed_um": "micrometres removed"}
FEWEST_CYCLES = 4  # left out in turn; our own rule
CLEAR = 3.0  # of log score over all cycles: the readings are twenty times likelier on one clock [our choice]


@dataclass(frozen=True, slots=True)
class ClockChoice:
    """What each clock foresaw of the cycles left out."""

    status: str  # 'told', 'alike' or 'refused'
    clock: str  # key of `CLOCKS` that foretells best, '' unless 'told'
    scores: Mapping[str, float]  # log predictive density of a left-out cycle, mean over cycles, by clock compared
    left_out: Mapping[str, str]  # clocks not compared, and why
    cycles: int
    readings: int
    sentence: str


def compare_clocks(
    paths: Mapping[str, Sequence[WearPath]], *, left_out: Mapping[str, str] | None = None, rng: np.random.Generator
) -> ClockChoice:
    """Compare clocks by how well past cycles on each foresee a cycle left out.

    Parameters
    ----------
    paths : mapping of str to sequence of WearPath
        For each clock (keys of `CLOCKS`) the same cycles and the same readings, only the ages differ.
    left_out : mapping of str to str, optional
        Clocks that cannot be compared, and why; told on.
    rng : numpy.random.Generator

    Returns
    -------
    ClockChoice
        'refused' with fewer than two clocks or `FEWEST_CYCLES` cycles; 'alike' where no clock is ahead of the next by
        `CLEAR` in all.

    Raises
    ------
    ValueError
        If a clock is unknown, or the clocks do not carry the same readings.

    Notes
    -----
    The score of a clock is that of its best shape of wear. A cycle is foreseen from the others alone, its own spreads
    and line drawn, so that a clock is not better for bending to the readings. Where every face takes as long as any
    other the clocks tell the same.
    """
    unknown = sorted(set(paths) - set(CLOCKS))
    if unknown:
        raise ValueError(f"`paths` must be of clocks among {', '.join(CLOCKS)}, got {', '.join(unknown)}")
    first = next(iter(paths.values()), ())
    for name, own in paths.items():
        if len(own) != len(first) or not all(_same_readings(a, b) for a, b in zip(own, first, strict=True)):
            raise ValueError(f"`paths` must carry the same readings on every clock; {name} differs")
    why = dict(left_out or {})
    readings = sum(p.age.size for p in first)
    if len(paths) < 2 or len(first) < FEWEST_CYCLES:
        few = f"{_many(len(first))} with readings under one grit alone, {FEWEST_CYCLES} are needed"
        return _refused("only one is known" if len(first) >= FEWEST_CYCLES else few, {}, why, len(first), readings)
    scores: dict[str, float] = {}
    seed = int(rng.integers(2**63))  # one for all: no clock leads by the luck of its draws
    for name, own in paths.items():
        pooled = fit_pooled(own, rng=np.random.default_rng(seed))
        if pooled.refused:
            why[name] = pooled.refused
        else:
            scores[name] = max(shape.score for shape in pooled.shapes)
    best, *others = sorted(scores, key=lambda name: -scores[name]) or [""]
    if not others:
        return _refused("no shape of wear fits the readings", scores, why, len(first), readings)
    behind = {name: len(first) * (scores[best] - scores[name]) for name in others}
    told = " and ".join(f"that of {_SHORT[name]} by {gap:.1f}" for name, gap in behind.items())
    gaps = f"the log score of {_SHORT[best]} leads {told} over {_many(len(first))}, each left out in turn"
    if min(behind.values()) < CLEAR:
        text = f"The clocks foretell wear alike, as far as can be told: {gaps}.{_not_compared(why)}"
        return ClockChoice("alike", "", scores, why, len(first), readings, text)
    text = f"{CLOCKS[best].capitalize()} foretell wear best: {gaps}.{_not_compared(why)}"
    return ClockChoice("told", best, scores, why, len(first), readings, text)


def age_clock(choice: ClockChoice) -> str:
    """Say in which clock the age of reconditioning is told: minutes where they are clearly ahead of faces, else faces.

    Parameters
    ----------
    choice : ClockChoice
    """
    return "minutes" if _ahead(choice, "minutes", "faces") else "faces"


def other_clock_words(choice: ClockChoice, clock: str) -> tuple[str, ...]:
    """Say that the other of the two clocks of age foretells wear better than the one asked for; () = it does not.

    Parameters
    ----------
    choice : ClockChoice
    clock : {'faces', 'minutes'}
    """
    other = "faces" if clock == "minutes" else "minutes"
    if not _ahead(choice, other, clock):
        return ()
    return (f"Counted in {clock} as asked, though {other} clearly foretell wear better: go by the age in {other}.",)


def _ahead(choice: ClockChoice, clock: str, other: str) -> bool:
    """Whether one clock is ahead of another by `CLEAR`."""
    scores = choice.scores
    return clock in scores and other in scores and choice.cycles * (scores[clock] - scores[other]) >= CLEAR


def _refused(reason: str, scores: dict[str, float], why: dict[str, str], cycles: int, readings: int) -> ClockChoice:
    text = f"Which clock foretells wear best cannot be said: {reason}.{_not_compared(why)}"
    return ClockChoice("refused", "", scores, why, cycles, readings, text)


def _same_readings(a: WearPath, b: WearPath) -> bool:
    return np.array_equal(a.low, b.low) and np.array_equal(a.high, b.high)


def _not_compared(why: Mapping[str, str]) -> str:
    return "".join(f" {CLOCKS[clock].capitalize()}: {reason}." for clock, reason in why.items())


def _many(cycles: int) -> str:
    return "1 past cycle" if cycles == 1 else f"{cycles} past cycles"
