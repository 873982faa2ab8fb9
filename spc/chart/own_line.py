"""Faces judged against their own cycle so far while the chart runs: what signals teaches nothing.

A lap that has jumped would soon be taken for one that wears so by itself, and its signal would fall silent with the
fault still there. So a face beyond the limit does not teach the line of its cycle, and what the faces of a drift have
taught is forgotten with the signal: a lasting change goes on signalling.

A change that comes slowly is learnt face by face: so fades the removal rate of a charge that is used up, to a hundredth
in the end. The line of a cycle may go as far as cycles differ and no further: from there on it excuses no face. How far
they differ is drawn on to twice the greatest age they were read at: with two short cycles, of which little is known, a
fade of many faces found room enough there to be excused to the end.
Flatness is left out of that: it wears on by itself, how far is foretold, and where it ends is the drawing's limit.
"""

import math
from dataclasses import replace

import numpy as np
from scipy.special import ndtr, ndtri

from spc.chart.cycle_spread import OwnCycle
from spc.chart.norm import Norm, Scores, carried, carried_over, scored
from spc.chart.stream import SIGNS, Stream

__all__ = ["OwnLine"]


GATE_SD = 2.5  # a face further off does not teach [our choice, simulated]


class OwnLine:
    """The points of a chart whose norm tells cycles apart; see `spc.chart.pair_chart.Points`.

    Parameters
    ----------
    stream : Stream
        From the first face of a cycle on.
    norm : Norm
        With `cycles`.
    alpha : float
        A face with a chance of at most this is beyond the limit.
    lead : int
        The first so many faces are not judged: they only teach.
    """

    def __init__(self, stream: Stream, norm: Norm, *, alpha: float, lead: int) -> None:
        if norm.cycles is None:
            raise ValueError("`norm` must tell cycles apart")
        usual = scored(stream, replace(norm, cycles=None, phi=0.0))
        self._own = OwnCycle(usual.z, stream.age_faces, stream.cycle, norm.cycles)
        self._usual, self._far = usual, -float(ndtri(alpha))
        self._towards = 1.0 if SIGNS[stream.sign].side == "upper" else -1.0
        self._tail = ndtri(usual.tail_p)
        self._bounded = stream.sign != "flatness"
        self._carried = carried(stream, norm.phi)
        self._step = np.empty(len(stream))
        self._lead, self._before = lead, 0.0
        for i in range(lead):
            self._judge(i)

    def point(self, i: int) -> tuple[float, bool]:
        """Give what the drifting average takes of judged face `i`, and whether the face is beyond the limit."""
        return self._judge(self._lead + i)

    def called(self, first: int) -> None:
        """Forget what the judged faces from `first` on have taught: they signalled."""
        self._own.unlearn(self._lead + first)

    def scores(self) -> Scores:
        """Give the scores of the judged faces."""
        judged = slice(self._lead, None)
        usual, centre, sd = self._usual, self._own.centre[judged], self._own.sd[judged]
        z = (usual.z[judged] - centre) / sd
        tail = np.asarray(ndtr((self._tail[judged] + self._towards * centre) / sd), dtype=np.float64)
        of_part = usual.part_centre[judged]
        whole = carried_over(of_part, usual.sd[judged], centre)
        return Scores(z, self._step[judged], tail, whole, usual.sd[judged] * sd, of_part)

    def _judge(self, i: int) -> tuple[float, bool]:
        z = self._own.foretell(i)
        centre, sd = float(self._own.centre[i]), float(self._own.sd[i])
        if self._bounded and self._towards * centre > self._far * self._own.differ_sd(i):
            z = self._own.foretell_without(i)
            centre, sd = float(self._own.centre[i]), float(self._own.sd[i])
        out = bool((self._tail[i] + self._towards * centre) / sd <= -self._far)
        if not out and abs(z) < GATE_SD:
            self._own.learn(i)
        r = float(self._carried[i])
        step = (z - r * self._before) / math.sqrt(1.0 - r * r)
        self._before = z
        self._step[i] = step
        return step, out
