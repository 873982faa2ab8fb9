"""The operator's own questions, answered from the same results as everything else."""

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.causes import Diagnosis, Pattern
from spc.board.lap_compare import by_yield, faces_alike, fewest_minutes, flatter_words
from spc.board.pass_scatter import UNKNOWN_SCATTER, PassScatter
from spc.chart.share_interval import share_interval
from spc.measure.shown import MICROMETRE, ShownLength, typed_words

__all__ = [
    "COMPARED",
    "LEAST_COMPARED",
    "LapsCompared",
    "answer_questions",
    "compare_laps",
    "pass_to_pass",
    "what_is_it",
    "which_lap_serves",
    "with_lap_that_serves",
]

_PASS_QUESTION = "Is this face getting better or worse from pass to pass?"
_LAP_QUESTION = "Which lap serves this face?"
_CAUSE_QUESTION = "Is it the lap, the grit, the hand or the reading?"
_READ = (  # columns of faces that passes are told by
    "face_id", "part", "serial", "face", "attempt", "sort_us", "time_text", "flatness_low_um", "flatness_high_um",
    "flatness_text", "flatness_unit", "shape",
)  # fmt: skip
_UNTOLD = "how many were good at the first pass cannot be told"
COMPARED = (  # columns of finished faces that laps are compared by
    "lap", "part", "grit", "cycle", "sort_us", "age_faces", "relapped", "first_low_um", "first_high_um", "minutes",
)  # fmt: skip
LEAST_COMPARED = 5  # faces of the part number that a lap has done, from which it is compared; our own rule
_FALSE_CHANGES = 0.05  # of faces that did not change, said to have done so; our own rule
_MOST_FACES = 200  # of a lap, the latest
_TWO_TOGETHER = 2 / 3  # share of two groups together, from which they are said to be likeliest; our own rule
_ALTERNATIVES = 3  # laps named beside the one that serves


def answer_questions(
    passes: str, *, pattern: Pattern, diagnosis: Diagnosis, called: bool = True, unusual: str = ""
) -> tuple[tuple[str, str], ...]:
    """Answer two of the three questions for a lap's latest face; `with_lap_that_serves` adds the one between them.

    Parameters
    ----------
    passes : str
        From `pass_to_pass`.
    pattern, diagnosis : Pattern, Diagnosis
        From `spc.board.causes` for this lap.
    called, unusual : bool, str
        As in `what_is_it`.

    Returns
    -------
    tuple of (str, str)
        Question and answer.
    """
    cause = what_is_it(pattern, diagnosis, called=called, unusual=unusual)
    return (_PASS_QUESTION, passes), (_CAUSE_QUESTION, cause)


def with_lap_that_serves(answers: tuple[tuple[str, str], ...], serves: str) -> tuple[tuple[str, str], ...]:
    """Put the answer of `which_lap_serves` between the two of `answer_questions`."""
    passes, cause = answers
    return passes, (_LAP_QUESTION, serves), cause


def pass_to_pass(
    own: pd.DataFrame,
    *,
    scatter: PassScatter = UNKNOWN_SCATTER,
    held: bool = False,
    shift_us: int | None = None,
    unit: ShownLength = MICROMETRE,
) -> str:
    """Say whether the last face with more than one reading got better over its passes.

    Parameters
    ----------
    own : DataFrame, shape (n_faces, ...)
        Faces of one lap, kind 'face', oldest first.
    scatter : PassScatter, default none known
        From `spc.board.pass_scatter` for this lap.
    held : bool, default False
        Whether the lap is held: only then does an answer say stop.
    shift_us : int, optional
        When the running shift began, on the scale of `sort_us`: a face from before it is told with its time.
    unit : ShownLength, default micrometres
        The unit of what is not said as typed.

    Returns
    -------
    str
        Better, worse, up and down, or no more than the readings can tell.

    Notes
    -----
    Each pass is put against the one before as the intervals they are, and against the scatter of readings of a face
    that did not change: by that alone one face in twenty is said to have changed. What no two neighbours tell, the
    first and the last may. Where the scatter is not known yet neither better nor worse is said.
    """
    named = own["flatness_low_um"].notna() & ((own["serial"] != "") | (own["face"] != ""))
    latest = own[list(_READ)].iloc[np.flatnonzero(named.to_numpy())[-60:]]
    which = latest.groupby(["part", "serial", "face"], sort=False).ngroup().to_numpy(np.int64)
    several = which[np.bincount(which)[which] > 1]  # of one reading alone nothing can be told
    for one in dict.fromkeys(several[::-1].tolist()):  # the face read last first
        group = latest[which == one]
        attempts = group["attempt"].to_numpy(np.int64)
        first_pass = int(np.flatnonzero(np.diff(attempts, prepend=attempts[0]) <= 0)[-1])
        group = group.iloc[first_pass:]  # without a serial number, 'face A' with one and the same pass is another part
        if len(group) < 2:
            continue
        first, last = group.iloc[0], group.iloc[-1]
        what = " ".join(str(last[key]) for key in ("part", "serial", "face") if last[key])
        if shift_us is not None and last["sort_us"] < shift_us and last["time_text"]:
            what += f", of {last['time_text']},"
        typed = zip(group["flatness_text"], group["flatness_unit"], strict=True)
        readings = " then ".join(typed_words(text, typed_in) or "?" for text, typed_in in typed)
        turned = "" if not _turned(first, last) else f" The form turned from {first['shape']} to {last['shape']}."
        least_um = scatter.least_um(_FALSE_CHANGES / (len(group) if len(group) > 2 else 1))
        steps = [_step(before, after, least_um) for (_, before), (_, after) in pairwise(group.iterrows())]
        ways = {way for way in steps if way} or {_step(first, last, least_um)} - {""}
        newest = next((way for way in reversed(steps) if way), _step(first, last, least_um))
        look = ""
        if newest == "worse":
            look = " Stop and look at the lap." if held else " Look at the lap before the next pass."
        over = f"{what} read {readings} over {len(group):,} passes"
        usual = scatter.words(unit)
        turned += f" {usual}" if usual else ""
        if ways and np.isnan(least_um):
            lay = {"better": "lower", "worse": "higher"}[newest]
            return (
                f"Read {lay} at last: {over}. Whether that is more than readings of an unchanged face scatter is not "
                f"known yet; read the face twice, and log both.{turned}"
            )
        if len(ways) == 2:
            return f"Up and down: {over}; the last change was to the {newest}.{look}{turned}"
        if not ways:
            return f"No change that the reading can tell: {over}.{turned}"
        return f"{newest.capitalize()}: {over}.{look}{turned}"
    return "No face here has two readings from two passes yet; log the reading after each pass, with the pass number."


def _step(before: "pd.Series[float]", after: "pd.Series[float]", least_um: float) -> str:
    """Tell which way one reading lies from another; '' where they overlap, lie nearer than `least_um` or one misses."""
    ends = [(one["flatness_low_um"], one["flatness_high_um"]) for one in (before, after)]
    better, worse = ends[1][1] < ends[0][0], ends[1][0] > ends[0][1]
    if not (better or worse) or abs(sum(ends[1]) - sum(ends[0])) / 2 < least_um:
        return ""
    return "better" if better else "worse"


def _turned(first: "pd.Series[str]", last: "pd.Series[str]") -> bool:
    return {first["shape"], last["shape"]} == {"convex", "concave"}


@dataclass(frozen=True, slots=True)
class LapsCompared:
    """Laps in use compared by the faces of one part number that they did with one grit, the best first."""

    named: str  # the part number as said
    good: Mapping[str, tuple[int, int]]  # per lap, faces good at the first pass and all that are compared
    latest: frozenset[str]  # laps that did more than are compared: theirs are the last ones
    judged: bool  # whether a limit, or faces lapped again, say that faces were judged good or not
    worse: frozenset[str]  # surely worse than the first
    flatter: str  # which of the others reads flattest at like age, and than which; '' = none clearly does
    quicker: str  # takes fewer minutes than every other, '' = none clearly does
    left_out: Mapping[str, str]  # laps that nothing may go on, and their states
    hidden: bool  # first passes are not known: minutes alone compare
    unread: bool  # only faces that were read tell first passes
    alike: float  # how many faces of a cycle say as much as one by itself


def compare_laps(
    signs: pd.DataFrame,
    part: str,
    *,
    grit: str = "",
    limit_um: float = np.nan,
    hidden: bool = False,
    out_of_use: Mapping[str, str] = MappingProxyType({}),
    unit: ShownLength = MICROMETRE,
) -> LapsCompared:
    """Compare the laps that have done faces of a part number.

    Parameters
    ----------
    signs : DataFrame, shape (n_faces, ...)
        Rows of all laps from `spc.wear.signs.face_signs`, their columns `COMPARED`.
    part : str
    grit : str, default ''
        Only faces lapped with this grit, '' = any.
    limit_um : float, default NaN
        A first reading at or over it is not good, whether or not the face was lapped again.
    hidden : bool, default False
        Only the pass that ended well is logged, or may be: what first passes gave is not known, and minutes alone
        compare.
    out_of_use : mapping of str to str, default none
        Laps that no face may go on, and why: 'held', 'resting', 'retired'. They are not compared.
    unit : ShownLength, default micrometres
        The unit said.

    Returns
    -------
    LapsCompared

    Notes
    -----
    Compares the share of faces good at the first pass; where those shares are alike the first readings and the minutes
    per face, both at like age. The level is shared by all laps compared (`spc.board.lap_compare`).
    """
    rows = signs[(signs["part"] == part) & ((signs["grit"] == grit) | (grit == ""))]
    unread = not hidden and not rows["relapped"].any() and bool(rows["first_high_um"].isna().any())
    if unread:  # without further passes only a reading says whether the first was good
        rows = rows[rows["first_high_um"].notna()]
    good: dict[str, tuple[int, int]] = {}
    first: dict[str, tuple[NDArray[np.int64], NDArray[np.bool_]]] = {}
    read: dict[str, pd.DataFrame] = {}
    left_out: dict[str, str] = {}
    latest: set[str] = set()
    for name, every in rows.groupby("lap", sort=False):
        lap, own = str(name), every.iloc[-_MOST_FACES:]
        if len(own) < LEAST_COMPARED:
            continue
        if lap in out_of_use:
            left_out[lap] = out_of_use[lap]
            continue
        over = own["first_low_um"].to_numpy(np.float64) >= limit_um
        first_good = ~own["relapped"].to_numpy(bool) & ~over
        good[lap] = (int(first_good.sum()), len(own))
        first[lap] = own["cycle"].to_numpy(np.int64), first_good
        read[lap] = own
        latest |= {lap} if len(every) > len(own) else set()
    together = faces_alike(first)
    best_first, worse = by_yield(good, alike=together)
    if hidden:
        worse = []
    alike = {lap: read[lap] for lap in best_first if lap not in worse}
    return LapsCompared(
        named=part or "parts without a number",
        good={lap: good[lap] for lap in best_first},
        latest=frozenset(latest),
        judged=bool(np.isfinite(limit_um) or rows["relapped"].any()),
        worse=frozenset(worse),
        flatter="" if hidden else flatter_words(alike, compared=len(good), unit=unit),
        quicker="" if worse else fewest_minutes(read),
        left_out=left_out,
        hidden=hidden,
        unread=unread,
        alike=together,
    )


def which_lap_serves(found: LapsCompared, state_of: Callable[[str], str]) -> str:
    """Say which lap does a part number best, or that they cannot be told apart.

    Parameters
    ----------
    found : LapsCompared
        From `compare_laps`.
    state_of : callable
        State of a lap, a key of `spc.board.results.STATES`; asked of the few that are named.

    Returns
    -------
    str
        Names at most `_ALTERNATIVES` laps beside the one that serves.
    """
    out = ", ".join(f"{lap} ({why})" for lap, why in found.left_out.items())
    if len(found.left_out) > _ALTERNATIVES:
        out = ", ".join(f"{n} {why}" for why, n in sorted(Counter(found.left_out.values()).items()))
    left_out = f" Left out: {out}." if out else ""
    if not found.good:
        none = "no lap in use" if out else "no lap"
        read = " that were read" if found.unread else ""
        return (
            f"Too few faces of {found.named} to say: {none} has done {LEAST_COMPARED} of them with this grit{read}."
            f"{left_out}"
        )
    best = next(iter(found.good)) if found.worse or not found.quicker else found.quicker
    ranked = sorted((lap for lap in found.good if lap != best), key=lambda lap: lap in found.worse)
    beside, more = ranked[:_ALTERNATIVES], len(ranked) - _ALTERNATIVES
    if found.worse and more > 0 and beside[-1] not in found.worse:  # what it is better than is named too
        beside[-1] = next(lap for lap in ranked if lap in found.worse)
    states = {lap: state_of(lap) for lap in (best, *beside)}
    if not found.worse and not found.quicker:  # any of them: one that is due is the last to choose
        states = dict(sorted(states.items(), key=lambda one: one[1] == "due"))
    tag = {lap: f"{lap} ({state})" if state in ("due", "watch") else lap for lap, state in states.items()}
    also = f" {more} more {'has' if more == 1 else 'have'} done it." if more > 0 else ""
    end = f"{also}{left_out}"
    if not ranked:
        only = "Of the laps free to use, only" if left_out else "Only"
        alone = f"{only} {tag[best]} has done {LEAST_COMPARED} or more faces of {found.named} with this grit"
        return f"{alone}; {_UNTOLD}.{end}" if found.hidden else f"{alone}: {_first_pass(found, best)}.{end}"
    named = ", ".join(tag.values())
    if found.hidden:
        told = f"{tag[best]} takes the fewest" if found.quicker else f"{named} cannot be told apart by them yet"
        untold = f"{_UNTOLD[:1].upper()}{_UNTOLD[1:]}: it may be that only good passes are logged."
        return f"{untold} By minutes a face for {found.named}: {told}.{end}"
    shown = "; ".join(f"{lap}: {_first_pass(found, lap)}" for lap in tag)
    if found.worse:
        alike = [tag[lap] for lap in beside if lap not in found.worse]
        than = ", ".join(tag[lap] for lap in beside if lap in found.worse)
        untold = f" By that {', '.join(alike)} cannot be told from it." if alike else ""
        untold += f" {found.flatter}." if found.flatter else ""
        return f"{tag[best]} serves {found.named} best, better than {than}.{untold} {shown}.{end}"
    gains = [f"{tag[best]} takes fewer minutes a face"] if found.quicker else []
    gains += [found.flatter] if found.flatter else []
    if gains:
        return f"First passes do not tell them apart; {'; '.join(gains)} for {found.named}. {shown}.{end}"
    return f"Any of {named}: the log cannot tell them apart for {found.named} yet. {shown}.{end}"


def _first_pass(found: LapsCompared, lap: str) -> str:
    """Say how many faces were good at first, with the range of their share: faces of a cycle hang together."""
    good, of = found.good[lap]
    known = max(round(of / found.alike), 1)
    share = share_interval(round(known * good / of), known)
    said = "good at the first pass" if found.judged else "not lapped again"
    last = "the last " if lap in found.latest else ""
    return f"{good:,} of {last}{of:,} {said} ({share.low:.0%} to {share.high:.0%})"


def what_is_it(pattern: Pattern, diagnosis: Diagnosis, *, called: bool = True, unusual: str = "") -> str:
    """Say which of lap, grit, hand, reading, part or room the signs speak for.

    Parameters
    ----------
    pattern : Pattern
    diagnosis : Diagnosis
    called : bool, default True
        Whether a signal of the lap is open; without one no cause is looked for.
    unusual : str, default ''
        What its sloping chart finds unusual in this cycle.

    Returns
    -------
    str
    """
    with_others = "many laps" in pattern.scope  # its flatness moved this shift as that of most laps did
    if unusual and not with_others and not (called and pattern.moved):
        return f"No sign tells them apart: all that shows is that it does not wear as usual ({unusual})."
    if not pattern.moved and not with_others:
        return "Nothing has moved, so none of them shows."
    if not called and not with_others:
        return "No signal is open, so none of them is looked for."
    ranked = sorted(diagnosis.groups.items(), key=lambda pair: -pair[1])
    shares = ", ".join(f"{name} {share:.0%}" for name, share in ranked if share >= 0.05)
    (name, share), (other, next_share) = ranked[:2]
    first = diagnosis.checks[0] if diagnosis.checks else ""
    told_apart = " or " not in pattern.scope  # what the faces follow
    of_the_room = pattern.scope == "many laps" and name == "the room"
    two = told_apart and "unknown" not in (name, other) and share < 0.5 and share + next_share >= _TWO_TOGETHER
    if two and not of_the_room:
        return f"Most likely {name} or {other} ({shares}). First: {first}"
    if name == "unknown" or (share < 0.5 and not of_the_room):
        return f"The signs cannot tell yet ({shares}). First: {first}"
    if not told_apart:
        return f"It cannot be told yet; the signs lean to {name} ({shares}). First: {first}"
    return f"Most likely {name} ({shares}). First: {first}"
