"""Judge readings by the limits that were valid at their time: the same readings and revisions give the same signals.

Nothing here looks ahead: what is said of a face depends on it, on the faces before it and on the revision valid at its
time. So any past day can be played again, in any process, and gives the same answer to the last bit.
"""

import hashlib
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from spc.chart.baseline import ChartModel
from spc.chart.norm import Scores, scored
from spc.chart.on_steps import limits_at
from spc.chart.own_line import OwnLine
from spc.chart.pair_chart import PairChart, pair_chart, pair_chart_of
from spc.chart.stream import SIGNS, Stream

__all__ = ["BEYOND", "DRIFTING", "ChartSignal", "Replayed", "Revision", "digest_of", "replay", "signals_of", "valid_at"]

Array = NDArray[np.float64]

BEYOND = "one face beyond its chart limit"  # the limit of the drawing is another
DRIFTING = "drifting average beyond its limit"


@dataclass(frozen=True, slots=True)
class Revision:
    """One frozen revision and the moment from which it judges."""

    number: int  # 1, 2, ... within lap and sign
    valid_from_us: int
    model: ChartModel
    after_face: int = 0  # faces of the moment just before that stand after this one are judged too; 0 = none


@dataclass(frozen=True, slots=True)
class Replayed:
    """A stream as it was judged; all arrays have one entry per reading of the stream."""

    stream: Stream
    revision: NDArray[np.int64]  # 0 = no revision was valid, the reading was not judged
    z: Array  # NaN where not judged
    tail_p: Array
    average: Array  # drifting average, standard deviations of a point, towards the sign's larger values
    average_limit: Array
    average_sd: Array  # settled standard deviation of the drifting average
    limit: Array  # at the reading's part and age, the sign's unit; NaN where nothing is known of the part
    centre: Array  # middle of the law there
    foretold: Array  # where the faces of its own cycle before it put it, against which it was judged
    beyond: NDArray[np.bool_]
    drifting: NDArray[np.bool_]
    since: NDArray[np.int64]  # position at which what signalled may have begun
    revisions: tuple[Revision, ...]  # that judged or could have, in order of their moments

    def where(self, keep: NDArray[np.bool_]) -> "Replayed":
        """Show only the readings marked, judged as they were among all."""
        place = np.cumsum(keep) - 1
        return Replayed(
            self.stream.where(keep), self.revision[keep], self.z[keep], self.tail_p[keep], self.average[keep],
            self.average_limit[keep], self.average_sd[keep], self.limit[keep], self.centre[keep], self.foretold[keep],
            self.beyond[keep], self.drifting[keep], np.maximum(0, place[self.since][keep]), self.revisions,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class ChartSignal:
    """One signal of one chart."""

    lap: str
    sign: str
    rule: str  # BEYOND or DRIFTING
    revision: int
    position: int  # in the stream
    face_id: int
    sort_us: int
    time_text: str
    since: int  # position
    since_face_id: int
    p_value: float  # of the point, or of the average, under the frozen law
    low: float  # the reading, the sign's unit
    high: float
    limit: float


def replay(stream: Stream, revisions: tuple[Revision, ...]) -> Replayed:
    """Run the frozen charts over a stream.

    Parameters
    ----------
    stream : Stream
        One lap, one sign, in order of time.
    revisions : tuple of Revision
        Of the same lap and sign. At each reading the one with the latest `valid_from_us` not after it judges; of two
        with the same moment, the higher number.

    Returns
    -------
    Replayed

    Raises
    ------
    ValueError
        If a revision is of another lap or sign, or the stream is not in order of time.
    """
    for r in revisions:
        if (r.model.lap, r.model.sign) != (stream.lap, stream.sign):
            raise ValueError(
                f"`revisions` must be of {stream.lap} {stream.sign}, got revision {r.number} of "
                f"{r.model.lap} {r.model.sign}"
            )
    if np.any(np.diff(stream.sort_us) < 0):
        raise ValueError("`stream` must be in order of time; sort the faces first")
    n = len(stream)
    ordered = sorted(revisions, key=lambda r: (r.valid_from_us, r.number))
    which = valid_at(stream, tuple(ordered))
    nan = [np.full(n, np.nan) for _ in range(8)]
    z, tail_p, average, average_limit, average_sd, limit, centre, foretold = nan
    beyond, drifting = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    since = np.arange(n, dtype=np.int64)
    number = np.zeros(n, dtype=np.int64)
    for k, revision in enumerate(ordered):
        at = np.flatnonzero(which == k)
        if at.size == 0:
            continue
        begin, end = int(at[0]), int(at[-1]) + 1
        first = int(np.flatnonzero(stream.cycle == stream.cycle[begin])[0])  # its cycle so far foretells the first
        model, part = revision.model, np.zeros(n, dtype=bool)
        part[first:end] = True
        side, starts = SIGNS[stream.sign].side, np.flatnonzero(stream.fresh[begin:end])
        known, found = _judge(stream.where(part), model, lead=begin - first, starts=starts)
        span = slice(begin, end)
        factor = model.norm.factor(stream.part[span], stream.age_faces[span])
        z[span], tail_p[span], average[span] = known.z, known.tail_p, found.average
        average_limit[span] = model.rules.average_limit_z * (1.0 if side == "upper" else -1.0)
        average_sd[span] = (model.rules.weight / (2.0 - model.rules.weight)) ** 0.5
        limits = limits_at(model.norm, model.rules.alpha, stream.sign, known.centre, known.sd)
        limit[span] = limits * factor
        centre[span] = _usual(model, known.part_centre) * factor
        foretold[span] = _usual(model, known.centre) * factor
        beyond[span], drifting[span], since[span] = found.beyond, found.drifting, begin + found.since
        number[span] = revision.number
    return Replayed(
        stream, number, z, tail_p, average, average_limit, average_sd, limit, centre, foretold, beyond, drifting,
        since, tuple(ordered),
    )  # fmt: skip


def _judge(stream: Stream, model: ChartModel, *, lead: int, starts: NDArray[np.int64]) -> tuple[Scores, PairChart]:
    """Score the readings after the first `lead`, which only lead up to them, and run both rules along them."""
    rules, side = model.rules, SIGNS[stream.sign].side
    if model.norm.cycles is not None:
        own = OwnLine(stream, model.norm, alpha=rules.alpha, lead=lead)
        found = pair_chart_of(
            own, len(stream) - lead, weight=rules.weight, average_limit_z=rules.average_limit_z, side=side,
            starts=starts,
        )  # fmt: skip
        return own.scores(), found
    known = scored(stream, model.norm)
    known = Scores(*(getattr(known, one.name)[lead:] for one in fields(known)))
    found = pair_chart(
        known.step_z, known.tail_p, alpha=rules.alpha, weight=rules.weight, average_limit_z=rules.average_limit_z,
        side=side, starts=starts,
    )  # fmt: skip
    return known, found


def _usual(model: ChartModel, centre: Array) -> Array:
    """Middle of the law at part factor 1 and age 0, moved to where some readings so far put it, in scores of the law.

    Of a part without a usual size its readings, of a cycle its faces so far.
    """
    from scipy.special import ndtr

    usual = np.full(centre.size, model.typical)
    moved = (centre != 0.0) & np.isfinite(centre)
    if moved.any():
        usual[moved] = model.norm.law().ppf(ndtr(centre[moved]))
    return usual


def valid_at(stream: Stream, ordered: tuple[Revision, ...]) -> NDArray[np.int64]:
    """Find which revision judges each reading.

    Parameters
    ----------
    stream : Stream
        In order of time.
    ordered : tuple of Revision
        In order of their moments.

    Returns
    -------
    ndarray of int64, shape (n,)
        Position in `ordered`, -1 = none.

    Notes
    -----
    Faces without times all stand at one moment; there, and wherever faces share the moment of the last one a revision
    rests on, their order in the log decides.
    """
    moments = np.array([r.valid_from_us for r in ordered], dtype=np.int64)
    which = np.asarray(np.searchsorted(moments, stream.sort_us, side="right") - 1, dtype=np.int64)
    for k, revision in enumerate(ordered):
        place = np.flatnonzero(stream.face_id == revision.after_face)
        if place.size:
            tied = np.arange(len(stream)) > place[-1]
            tied &= stream.sort_us == revision.valid_from_us - 1
            which[tied] = np.maximum(which[tied], k)
    return which


def signals_of(
    replayed: Replayed, *, since_us: int | None = None, until_us: int | None = None
) -> tuple[ChartSignal, ...]:
    """List the signals of a stretch of time, oldest first.

    Parameters
    ----------
    replayed : Replayed
    since_us, until_us : int, optional
        Faces from `since_us` up to, not including, `until_us`, microseconds since 1970.
    """
    from scipy.special import ndtr

    s = replayed.stream
    keep = replayed.beyond | replayed.drifting
    if since_us is not None:
        keep &= s.sort_us >= since_us
    if until_us is not None:
        keep &= s.sort_us < until_us
    found = []
    for i in np.flatnonzero(keep).tolist():
        for rule, spoke in ((BEYOND, replayed.beyond[i]), (DRIFTING, replayed.drifting[i])):
            if not spoke:
                continue
            start = i if rule == BEYOND else int(replayed.since[i])
            far = abs(float(replayed.average[i] / replayed.average_sd[i]))
            p = float(replayed.tail_p[i]) if rule == BEYOND else float(ndtr(-far))
            found.append(
                ChartSignal(
                    s.lap, s.sign, rule, int(replayed.revision[i]), i, int(s.face_id[i]), int(s.sort_us[i]),
                    str(s.time_text[i]), start, int(s.face_id[start]), p, float(s.low[i]), float(s.high[i]),
                    float(replayed.limit[i]),
                )
            )  # fmt: skip
    return tuple(found)


def digest_of(signals: tuple[ChartSignal, ...]) -> str:
    """SHA-256 over all that was signalled, exact to the last bit: two replays agree if their digests do."""
    digest = hashlib.sha256()
    for s in signals:
        digest.update(
            f"{s.lap}|{s.sign}|{s.rule}|{s.revision}|{s.face_id}|{s.sort_us}|{s.since_face_id}|{s.p_value.hex()}|"
            f"{s.low.hex()}|{s.high.hex()}|{s.limit.hex()}\n".encode()
        )
    return digest.hexdigest()
