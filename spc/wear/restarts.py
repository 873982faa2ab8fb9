"""Where a rising line starts again from where it began: the restarts of one sign over one cycle, none, one or many."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.wear.lifetime import Array

__all__ = ["PlacedRestart", "Restart", "find_restarts", "place_restart"]

# Our own rules; how often they cry wolf is simulated, see `spc.wear.missing_event`.
_LEAST_FACES = 12
_LEAST_SIDE = 4  # faces between two restarts, and on either side of them
_LEAST_CYCLE = 8  # faces that a cycle lasts on average, at least: no more restarts are looked for
_MOST = 12  # restarts looked for
_LEAST_WINDOW = 8  # faces from which a first guess of the slope is taken
_APART = 3.0  # log likelihood by which a place must be worse to be told from the best: odds of 20 to 1; our own choice
_BESIDE = 1  # readings by which places that are as likely as the best may lie from it; our own rule
_EXACT = 1e-12  # share of the squares left about a line that is met exactly
_ROUNDS = 3  # at most, of fitting the line to the restarts and the restarts to the line
# Times the root of the faces: a little over a standard error of what neighbours that are alike seem to gain.
_ODDS = 0.6


@dataclass(frozen=True, slots=True)
class Restart:
    """One place where a sign fell back to what it began with."""

    place: int  # of the first reading after it, among those given
    fall: float  # from the line just before it to its beginning, in units of the sign
    strength: float  # log likelihood lost without it, the others kept


@dataclass(frozen=True, slots=True)
class PlacedRestart:
    """Where one restart is that is known to be within a range."""

    place: int  # of the first reading after it, the likeliest
    earliest: int  # places that are nearly as likely
    latest: int


def find_restarts(age: Array, sign: Array) -> tuple[Restart, ...]:
    """Find the places where a sign starts again.

    Parameters
    ----------
    age : ndarray, shape (n,)
        Faces since the cycle began, rising.
    sign : ndarray, shape (n,)
        The logarithm of a sign of wear, NaN where it was not read.

    Returns
    -------
    tuple of Restart
        In order of age; none where a line without a restart does as well.

    Notes
    -----
    The sign is one rising line of age since the last restart, with independent normal errors: one beginning and one
    slope for the whole cycle. The number of restarts is taken for which the log likelihood gained over the plain line,
    less what so many must gain, is highest; then each must have gained the margin of a single one by itself. The plain
    line may slow down (a logarithm of age on top of it: growth that flattens falls back to nothing). It may turn
    steeper at one age instead, where that gains as much as one restart more must: flat, then steep looks like many
    restarts and then none. One restart is looked for at every place. More are looked for where neighbours differ by
    clearly less than the plain line leaves: the best places for a given line by dynamic programming, the line for given
    places by least squares, in turn, from several first slopes; these are mostly, not surely, the best of all. Readings
    that take after the one before count as fewer. The first reading need not be of a fresh lap, but then its stretch
    fits no line and restarts are harder to find.

    References
    ----------
    Auger and Lawrence (1989), Algorithms for the optimal identification of segment neighborhoods, Bulletin of
    Mathematical Biology 51(1): the recursion over the number of segments (from memory).
    """
    known = np.flatnonzero(np.isfinite(sign))
    n = known.size
    if n < _LEAST_FACES:
        return ()
    t, v = age[known] - age[known[0]], sign[known] - sign[known].mean()
    margin = _margin(n)
    plain = _plain(t, v)
    if plain <= _EXACT * (1 + float(v @ v)):
        return ()
    best = _one(t, v)
    score = _score(t, v, best, plain) if best.size else 0.0
    alike = 0.5 * n * np.log(2 * plain / (n * np.mean(np.diff(v) ** 2)))  # what a line through neighbours would gain
    if n >= 3 * _LEAST_CYCLE and alike > max(margin / 2, _ODDS * np.sqrt(n)):
        cuts = _several(t, v, best, plain)
        if cuts.size and (found := _score(t, v, cuts, plain)) > score:
            best, score = cuts, found
    while score > 0:
        slope, strengths = _fit(t, v, best)[0], _strengths(t, v, best, plain)
        weakest = int(np.argmin(strengths))
        if strengths[weakest] >= margin:
            ages = t[best] - t[np.concatenate(([0], best[:-1]))]
            each = zip(known[best].tolist(), (slope * ages).tolist(), strengths.tolist(), strict=True)
            return tuple(Restart(*one) for one in each)
        best = np.delete(best, weakest)
        score = _score(t, v, best, plain) if best.size else 0.0
    return ()


def place_restart(age: Array, sign: Array, first: int, last: int) -> PlacedRestart | None:
    """Find where a sign starts again that is known to start again once, somewhere within a range.

    Parameters
    ----------
    age : ndarray, shape (n,)
        Faces, rising, over the cycle before and the one that begins.
    sign : ndarray, shape (n,)
        The logarithm of a sign of wear, all of it read.
    first, last : int
        It starts again before one of the readings `first` to `last`; n = after all of them.

    Returns
    -------
    PlacedRestart or None
        None where too few were read, or other places than the ones beside the likeliest are nearly as likely: readings
        that take after the one before count as fewer.
    """
    n = age.size
    if n < _LEAST_FACES or first == last:
        return None
    t, v = age - age[0], sign - sign.mean()
    places = np.arange(first, last + 1)
    rest = np.minimum(_rest_of_each(t, v, places), max(float(v @ v), 1e-12))  # that of no wear where it does not rise
    best = int(np.argmin(rest))
    within = places[best : best + 1] if 0 < places[best] < n else places[:0]  # at either end it is one line
    lost = _readings(t, v, within) / 2 * np.log(rest / rest[best])
    alike = places[lost < _APART]
    found = PlacedRestart(int(places[best]), int(alike[0]), int(alike[-1]))
    return found if max(found.place - found.earliest, found.latest - found.place) <= _BESIDE else None


def _margin(n: int) -> float:
    """Log likelihood a restart must gain: by simulation of cycles that do not restart, asked after at every face."""
    return 5.0 + 0.6 * float(np.log(n))


def _further(n: int) -> float:
    """Log likelihood each restart more must gain, by the places it may stand at; each must also gain the margin."""
    return 1.0 + 0.6 * float(np.log(n))


def _plain(t: Array, v: Array) -> float:
    """Sum of squares about one line that may slow down, or turn steeper once where that gains what a restart must."""
    q = np.linalg.qr(np.column_stack([np.ones(t.size), t, np.log1p(t)]))[0]
    along = q.T @ v
    slowing = max(float(v @ v) - float(along @ along), 0.0)
    turning = max(float(v @ v) - _explained_by_a_turn(t, v), 0.0)
    return min(slowing, turning * float(np.exp(2 * _further(t.size) / t.size)))


def _explained_by_a_turn(t: Array, v: Array) -> float:
    """Sum of squares that a line takes out which nowhere falls, and is steeper from one age on."""
    x, after = t - t.mean(), np.maximum(t[:, None] - t[None, _LEAST_SIDE:-_LEAST_SIDE], 0.0)
    after -= after.mean(axis=0)
    xx, xa, aa, xv, av = x @ x, x @ after, np.sum(after * after, axis=0), x @ v, after.T @ v
    with np.errstate(divide="ignore", invalid="ignore"):
        before, more = (np.array([xv * aa - av * xa, av * xx - xv * xa]) / (xx * aa - xa**2))[:, aa > 0]
        flat_first = np.where(av > 0, av**2 / aa, 0.0)
    both = np.where((before >= 0) & (more >= 0), before * xv + more * av[aa > 0], 0.0)
    return float(max(np.nanmax(both, initial=0.0), np.nanmax(flat_first, initial=0.0)))


def _since(t: Array, cuts: NDArray[np.int64]) -> Array:
    """Faces since the last restart."""
    starts = np.concatenate(([0], cuts)).astype(np.int64)
    return np.asarray(t - np.repeat(t[starts], np.diff(np.append(starts, t.size))), dtype=np.float64)


def _fit(t: Array, v: Array, cuts: NDArray[np.int64]) -> tuple[float, float]:
    """Slope of the line that starts again at the cuts, and its sum of squares; inf where it does not rise."""
    x = _since(t, cuts)
    x = x - x.mean()
    slope = float(x @ v) / float(x @ x)
    return slope, max(float(v @ v) - slope * float(x @ v), 1e-12) if slope > 0 else np.inf


def _score(t: Array, v: Array, cuts: NDArray[np.int64], plain: float) -> float:
    """Log likelihood gained by these restarts, less what they must gain."""
    slope, rest = _fit(t, v, cuts)
    if not np.isfinite(rest):
        return -np.inf
    must = _margin(t.size) + (cuts.size - 1) * _further(t.size)
    return _readings(t, v, cuts) / 2 * float(np.log(max(plain, 1e-12) / rest)) - must


def _strengths(t: Array, v: Array, cuts: NDArray[np.int64], plain: float) -> Array:
    """Log likelihood lost without each of the restarts."""
    rest = _fit(t, v, cuts)[1]
    without = [_fit(t, v, np.delete(cuts, k))[1] if cuts.size > 1 else plain for k in range(cuts.size)]
    lost = [np.log(max(min(worse, plain), 1e-12) / rest) for worse in without]  # a line may do as well as what is left
    return _readings(t, v, cuts) / 2 * np.array(lost)


def _readings(t: Array, v: Array, cuts: NDArray[np.int64]) -> float:
    """How many independent readings there are about the line that starts again: fewer where neighbours are tied."""
    slope, rest = _fit(t, v, cuts)
    x = _since(t, cuts)
    left = v - slope * (x - x.mean())
    tied = max(float(left[1:] @ left[:-1]) / rest, 0.0)
    return t.size * (1 - tied) / (1 + tied)


def _one(t: Array, v: Array) -> NDArray[np.int64]:
    """Place of the best single restart; none where no line rises."""
    n = t.size
    cuts = np.arange(_LEAST_SIDE, n - _LEAST_SIDE + 1)
    rest = _rest_of_each(t, v, cuts)
    i = int(np.argmin(rest))
    return cuts[i : i + 1] if np.isfinite(rest[i]) else cuts[:0]


def _rest_of_each(t: Array, v: Array, cuts: NDArray[np.int64]) -> Array:
    """Sum of squares about the line with each single restart in turn, 0 and n = none; inf where it does not rise."""
    x = t[None, :] - np.where(np.arange(t.size)[None, :] >= cuts[:, None], np.append(t, 0.0)[cuts][:, None], 0.0)
    x = x - x.mean(axis=1, keepdims=True)
    square = np.sum(x * x, axis=1)
    slope = (x @ v) / square
    return np.where(slope > 0, np.maximum(float(v @ v) - slope**2 * square, 1e-12), np.inf)


def _several(t: Array, v: Array, one: NDArray[np.int64], plain: float) -> NDArray[np.int64]:
    """Find the places of two restarts and more: the best of some first slopes, then line and places in turn."""
    slopes = [*_first_slopes(t, v), *([_fit(t, v, one)[0]] if one.size else [])]
    begins = [float(np.mean((v - slope * t)[:_LEAST_WINDOW])) for slope in slopes]
    if not slopes:
        return one
    found = [_best_set(t, v, *line, plain) for line in zip(begins, slopes, strict=True)]
    best = max(found, key=lambda cuts: _score(t, v, cuts, plain))
    for _ in range(_ROUNDS):
        slope = _fit(t, v, best)[0]
        again = _best_set(t, v, float(np.mean(v - slope * _since(t, best))), slope, plain)
        if _score(t, v, again, plain) <= _score(t, v, best, plain):
            break
        best = again
    return best


def _first_slopes(t: Array, v: Array) -> list[float]:
    """Rising slopes to begin with: of all windows of some lengths the upper quarter, where most are of one stretch."""
    n = t.size
    slopes = []
    for length in sorted({max(n // parts, _LEAST_WINDOW) for parts in (2, 4, 8, 16)}):
        sums = [np.concatenate(([0.0], np.cumsum(one))) for one in (t, v, t * v, t * t)]
        st, sv, stv, stt = (one[length:] - one[:-length] for one in sums)
        slope = float(np.quantile((stv - st * sv / length) / (stt - st * st / length), 0.75))
        if slope > 0:
            slopes.append(slope)
    return slopes


def _best_set(t: Array, v: Array, begins: float, slope: float, plain: float) -> NDArray[np.int64]:
    """Find the places of restarts of a given line for each number of them, by dynamic programming, and the best."""
    n = t.size
    u = v - begins - slope * t
    one, two = (np.concatenate(([0.0], np.cumsum(each))) for each in (u, u * u))
    rise = slope * np.append(t, 0.0)  # of the plain line at each place where a stretch may begin
    at = np.arange(n + 1)
    faces = at[None, :] - at[:, None]
    cost = (two[None, :] - two[:, None]) + 2 * rise[:, None] * (one[None, :] - one[:, None])
    cost = np.where(faces >= _LEAST_SIDE, cost + rise[:, None] ** 2 * faces, np.inf)
    total, back, sets = cost[0], [], []
    for _ in range(min(n // _LEAST_CYCLE, _MOST + 1) - 1):
        reached = total[:, None] + cost
        last = np.argmin(reached, axis=0)
        total = reached[last, at]
        back.append(last)
        if not np.isfinite(total[n]):
            break
        place, cuts = n, []
        for step in reversed(back):
            place = int(step[place])
            cuts.append(place)
        sets.append(np.array(cuts[::-1], np.int64))
    return max(sets, key=lambda cuts: _score(t, v, cuts, plain))
