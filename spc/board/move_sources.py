"""What the last faces of all laps carry: does their move sit with one lap, one operator, one part number or all laps.

Every face counts with its size. Who lapped or read high on a lap stands beside the others on that very lap, and the
same hands and parts beside what they gave on other laps; where no face tells two explanations apart, both keep their
share.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["SOURCES", "LapFaces", "MoveSources", "weigh_sources"]

Array = NDArray[np.float64]

SOURCES: tuple[str, ...] = ("one lap", "one operator", "one part number", "many laps")

# Our own rules.
SCALE = math.log(2.0)  # a move that is there is this large in the logarithm, about: twice the usual
SURE = 0.9  # share of the odds that what is not excluded has together
LEAST_FACES = 3  # of an operator or part number, and of others on the same laps, before it can be said alone
_OWN_ACCORD = 0.1  # chance that a lap has moved for reasons of its own meanwhile
_ONE_SIDE = 0.05  # weight of an operator or part number on the lap asked about alone, or on all but it
_FARTHEST_SD = 6.0  # no single face counts for more
_SIZES = 24  # of a move that are tried


class LapFaces(NamedTuple):
    """Last faces of one lap; all arrays of one length."""

    lap: str
    sort_us: NDArray[np.int64]
    value: Array  # logarithm of the reading over what is usual for this lap, the way asked counted up
    operator: NDArray[np.object_]  # '' = not logged
    part: NDArray[np.object_]
    within_sd: float  # of a face about its cycle
    between_sd: float  # of the levels of cycles


@dataclass(frozen=True, slots=True)
class MoveSources:
    """What the move of the last faces sits with."""

    shares: dict[str, float]  # of the odds, for each of `SOURCES`; they add to 1
    nothing: float  # odds that nothing but the usual scatter is there, 0 to 1
    among: tuple[str, ...]  # sources that are not excluded; one alone is said, () = nothing can be said
    operators: int  # how many operators have faces here
    times: dict[str, tuple[float, float]]  # for each source, how many times the usual its faces are, and all others
    names: dict[str, str] = field(default_factory=dict)  # for each, which operator or part number is likeliest

    @property
    def likeliest(self) -> str:
        """The likeliest of the sources that are not excluded."""
        return max(self.among, key=lambda one: self.shares[one])


class _Explanation(NamedTuple):
    source: str  # one of `SOURCES`, '' = the lap asked about has not moved
    prior: float
    where: str = ""  # 'here', on the lap asked about alone, or 'elsewhere'; '' = on all laps
    column: str = ""  # 'operator' or 'part': the faces of that name have moved; '' = all of them
    name: str = ""
    own_too: bool = False  # the lap asked about has moved of its own accord besides


def weigh_sources(laps: Sequence[LapFaces], *, lap: str = "") -> MoveSources:
    """Weigh what a move of the last faces sits with.

    Parameters
    ----------
    laps : sequence of LapFaces
        Laps that can be judged.
    lap : str, default ''
        The lap whose sign has moved; '' asks of all laps together, whether one operator or part number carries a move
        of most of them.

    Returns
    -------
    MoveSources

    Notes
    -----
    Posterior odds over simple explanations, each of which moves its faces by one amount from one moment on: nothing;
    the faces of this lap; of all laps; of one operator; of one part number, these also where this lap has moved itself
    besides, on this lap alone or on all others. Every kind has the same prior, shared among the names. The amount is
    half normal with scale `SCALE`; the moment is any of the lap's last faces but the newest. About it the faces of a
    lap are normal with its own two spreads, that of its cycles at least what the laps have on average; any other lap
    may have moved of its own accord. Explanations that move the same faces get the same odds, so that neither is ever
    sure. One operator or part number is said alone only with `LEAST_FACES` of its faces beside as many of others on the
    same laps, and of one lap an operator only where two runs of those faces moved with somebody else's between them:
    where hands change with the shift, a cause that passed with one shift moves the same faces. Readings rounded so
    coarsely that most are alike give spreads that are too small: then the answer is too sure.

    References
    ----------
    Kass and Raftery (1995), Bayes factors, J. Am. Stat. Assoc. 90, 773-795.
    """
    known = _with_shared_spread([one for one in laps if one.value.size])
    asked = _explanations(known, lap)
    own = next((one for one in known if one.lap == lap), None)
    if not known or (lap and own is None):
        return MoveSources(dict.fromkeys(SOURCES, 1 / len(SOURCES)), 1.0, (), 0, {})
    onsets = np.unique(own.sort_us)[:-1] if own is not None else np.empty(0, np.int64)
    onsets = onsets if onsets.size else np.array([min(int(one.sort_us.min()) for one in known)])
    log_odds = np.log([one.prior for one in asked])
    of_each = sum(_log_likelihood(one, asked, onsets, lap) for one in known)
    log_odds = log_odds + _log_mean(np.asarray(of_each).reshape(len(asked), -1))
    odds = np.exp(log_odds - log_odds.max())
    odds /= odds.sum()
    total = {source: math.fsum(odds[i] for i, one in enumerate(asked) if one.source == source) for source in SOURCES}
    best = {one.source: i for i, one in sorted(enumerate(asked), key=lambda pair: odds[pair[0]]) if one.source}
    nothing = math.fsum(odds[i] for i, one in enumerate(asked) if not one.source)
    shares = {source: share / max(math.fsum(total.values()), 1e-300) for source, share in total.items()}
    among = () if nothing >= 0.5 else _among(known, asked, best, shares, lap)
    operators = len({name for one in known for name in one.operator.tolist()} - {""})
    named = {source: asked[i] for source, i in best.items()} | {"one lap": _Explanation("one lap", 1.0, "here")}
    times = {source: _times(known, explanation, lap) for source, explanation in named.items()}
    names = {source: explanation.name for source, explanation in named.items()}
    return MoveSources(shares, nothing, among, operators, times, names)


def _with_shared_spread(laps: Sequence[LapFaces]) -> list[LapFaces]:
    """Give no lap a smaller spread between cycles than the laps have on average: few cycles tell it for each."""
    shared = math.sqrt(sum(one.between_sd**2 for one in laps) / max(len(laps), 1))
    return [one._replace(between_sd=max(one.between_sd, shared)) for one in laps]


def _explanations(laps: Sequence[LapFaces], lap: str) -> list[_Explanation]:
    """List what may have moved; the faces of an operator or part number not on the lap asked about are not its move."""
    found = [_Explanation("many laps", 1.0)]
    if lap:
        found += [_Explanation("", 1.0), _Explanation("one lap", 1.0, "here")]
    for source, column in (("one operator", "operator"), ("one part number", "part")):
        names = {str(name) for one in laps for name in getattr(one, column).tolist()}
        if source == "one part number" and len(names) < 2:
            continue  # what all faces share tells none of them apart
        here = {str(name) for one in laps if lap in ("", one.lap) for name in getattr(one, column).tolist()}
        for name in sorted(names - {""}):
            prior = 1.0 / len(names - {""})
            found.append(_Explanation(source if name in here else "", prior, "", column, name))
            if lap:
                found.append(_Explanation("one lap", _OWN_ACCORD * prior, "", column, name, own_too=True))
            if lap and name in here:
                found.append(_Explanation(source, _ONE_SIDE * prior, "here", column, name))
                found.append(_Explanation("", _ONE_SIDE * prior, "elsewhere", column, name))
    return found


def _faces_of(one: LapFaces, explanation: _Explanation, lap: str) -> NDArray[np.bool_]:
    """Mark the faces of one lap that an explanation moves."""
    if explanation.where == ("elsewhere" if one.lap == lap else "here"):
        return np.zeros(one.value.size, dtype=bool)
    if explanation.column:
        return np.asarray(getattr(one, explanation.column) == explanation.name, dtype=bool)
    return np.full(one.value.size, bool(explanation.source))


def _log_likelihood(one: LapFaces, asked: Sequence[_Explanation], onsets: NDArray[np.int64], lap: str) -> Array:
    """Log likelihood of the faces of one lap, (explanations, onsets, sizes), but for a constant."""
    from scipy.special import ndtri

    size = SCALE * ndtri(0.5 + (np.arange(_SIZES) + 0.5) / (2 * _SIZES))
    sd, n = one.within_sd, one.value.size
    value = np.clip(one.value, -_FARTHEST_SD * sd, _FARTHEST_SD * sd)
    moved = np.stack([_faces_of(one, explanation, lap) for explanation in asked])
    those = moved[:, None, :] & (one.sort_us >= onsets[:, None])
    count, total = those.sum(axis=2)[..., None], (those @ value)[..., None]
    squares = float(value @ value) - 2 * size * total + size**2 * count
    rest = float(value.sum()) - size * count

    def at(between: float) -> Array:
        shrunk = between**2 / (sd**2 * (sd**2 + n * between**2))
        return np.asarray(-0.5 * (squares / sd**2 - shrunk * rest**2 + math.log1p(n * between**2 / sd**2)))

    usual, own = at(one.between_sd), at(math.hypot(one.between_sd, SCALE))
    if one.lap == lap:
        return np.where(np.array([explanation.own_too for explanation in asked])[:, None, None], own, usual)
    return np.logaddexp(usual + math.log(1 - _OWN_ACCORD), own + math.log(_OWN_ACCORD))


def _log_mean(values: Array) -> Array:
    from scipy.special import logsumexp

    return np.asarray(logsumexp(values, axis=1) - math.log(values.shape[1]), dtype=np.float64)


def _among(
    laps: Sequence[LapFaces],
    asked: Sequence[_Explanation],
    best: dict[str, int],
    shares: dict[str, float],
    lap: str,
) -> tuple[str, ...]:
    """Likeliest sources that together have `SURE` of the odds: the faces exclude the others."""
    left: set[str] = set()
    for source in sorted(SOURCES, key=lambda source: -shares[source]):
        if math.fsum(shares[one] for one in left) < SURE:
            left.add(source)
    if len(left) == len(SOURCES):
        return ()
    if len(left) == 1:
        (only,) = left
        if only in ("one operator", "one part number") and not _stands_beside_others(laps, asked[best[only]], lap):
            left.add("one lap" if asked[best[only]].where == "here" else "many laps")
        if only == "one operator" and lap and not _came_again(laps, asked[best[only]], lap):
            left.add("one lap")
    return tuple(source for source in SOURCES if source in left)


def _stands_beside_others(laps: Sequence[LapFaces], explanation: _Explanation, lap: str) -> bool:
    """Whether an operator or part number has enough faces, and others enough on the same laps."""
    marks = [_faces_of(one, explanation, lap) for one in laps]
    own = sum(int(mark.sum()) for mark in marks)
    others = sum(int((~mark).sum()) for mark in marks if mark.any())
    return min(own, others) >= LEAST_FACES


def _came_again(laps: Sequence[LapFaces], explanation: _Explanation, lap: str) -> bool:
    """Whether on some lap two unbroken runs of those faces moved: one alone may be a cause that passed with them."""
    runs = []
    for one in laps:
        mark = _faces_of(one, explanation, lap)
        number = np.cumsum(np.diff(mark, prepend=False))[mark]  # of the run that each of those faces is in
        _, place, count = np.unique(number, return_inverse=True, return_counts=True)
        runs.append(np.bincount(place, one.value[mark], count.size) / count)
    most = max((float(own.max()) for own in runs if own.size), default=0.0)
    return any(int(np.sum(own > most / 2)) > 1 for own in runs)


def _times(laps: Sequence[LapFaces], explanation: _Explanation, lap: str) -> tuple[float, float]:
    """How many times the usual the faces of an explanation are, and all others; NaN where there are none."""
    value = np.concatenate([one.value for one in laps])
    mark = np.concatenate([_faces_of(one, explanation, lap) for one in laps])
    return _middle_times(value[mark]), _middle_times(value[~mark])


def _middle_times(value: Array) -> float:
    return math.exp(float(np.median(value))) if value.size else math.nan
