"""The operator's own questions, answered from the same results as everything else."""

from collections.abc import Mapping
from itertools import pairwise

import numpy as np
import pandas as pd

from spc.board.causes import Diagnosis, Pattern
from spc.board.lap_compare import flatter_words, worse_by_yield
from spc.board.pass_scatter import UNKNOWN_SCATTER, PassScatter
from spc.chart.share_interval import share_interval
from spc.chart.two_groups import rank_sum_p
from spc.measure.shown import typed_words

__all__ = ["LEAST_COMPARED", "answer_questions", "pass_to_pass", "what_is_it", "which_lap_serves"]

_PASS_QUESTION = "Is this face getting better or worse from pass to pass?"
_LAP_QUESTION = "Which lap serves this face?"
_CAUSE_QUESTION = "Is it the lap, the grit, the hand or the reading?"
_UNTOLD = "how many were good at the first pass cannot be told"
LEAST_COMPARED = 5  # faces of the part number that a lap has done, from which it is compared
_FALSE_CHANGES = 0.05  # of faces that did not change, said to have done so
_MOST_FACES = 200  # of a lap, the latest


def answer_questions(
    passes: str, serves: str, *, pattern: Pattern, diagnosis: Diagnosis
) -> tuple[tuple[str, str], ...]:
    """Answer the three questions for a lap's latest face.

    Parameters
    ----------
    passes, serves : str
        The first two answers, from `pass_to_pass` and `which_lap_serves`.
    pattern, diagnosis : Pattern, Diagnosis
        From `spc.board.causes` for this lap.

    Returns
    -------
    tuple of (str, str)
        Question and answer.
    """
    return (
        (_PASS_QUESTION, passes),
        (_LAP_QUESTION, serves),
        (_CAUSE_QUESTION, what_is_it(pattern, diagnosis)),
    )


def pass_to_pass(
    own: pd.DataFrame, *, scatter: PassScatter = UNKNOWN_SCATTER, held: bool = False, shift_us: int | None = None
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
    latest = own.iloc[np.flatnonzero(named.to_numpy())[-60:]]
    by_face = latest.groupby(["part", "serial", "face"], sort=False)
    several = latest[(by_face["face_id"].transform("size") > 1).to_numpy()]
    for keys, group in reversed(list(several.groupby(["part", "serial", "face"], sort=False))):
        attempts = group["attempt"].to_numpy(np.int64)
        first_pass = int(np.flatnonzero(np.diff(attempts, prepend=attempts[0]) <= 0)[-1])
        group = group.iloc[first_pass:]  # without a serial number, 'face A' with one and the same pass is another part
        if len(group) < 2:
            continue
        first, last = group.iloc[0], group.iloc[-1]
        what = " ".join(str(k) for k in keys if k)
        if shift_us is not None and last["sort_us"] < shift_us and last["time_text"]:
            what += f", of {last['time_text']},"
        typed = zip(group["flatness_text"], group["flatness_unit"], strict=True)
        readings = " then ".join(typed_words(text, unit) or "?" for text, unit in typed)
        turned = "" if not _turned(first, last) else f" The form turned from {first['shape']} to {last['shape']}."
        least_um = scatter.least_um(_FALSE_CHANGES / (len(group) if len(group) > 2 else 1))
        steps = [_step(before, after, least_um) for (_, before), (_, after) in pairwise(group.iterrows())]
        ways = {way for way in steps if way} or {_step(first, last, least_um)} - {""}
        newest = next((way for way in reversed(steps) if way), _step(first, last, least_um))
        look = ""
        if newest == "worse":
            look = " Stop and look at the lap." if held else " Look at the lap before the next pass."
        over = f"{what} read {readings} over {len(group):,} passes"
        turned += f" {scatter.words}" if scatter.words else ""
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
    if abs(sum(ends[1]) - sum(ends[0])) / 2 < least_um:
        return ""
    if ends[1][1] < ends[0][0]:
        return "better"
    return "worse" if ends[1][0] > ends[0][1] else ""


def _turned(first: "pd.Series[str]", last: "pd.Series[str]") -> bool:
    return {first["shape"], last["shape"]} == {"convex", "concave"}


def which_lap_serves(
    signs: pd.DataFrame, part: str, *, grit: str = "", limit_um: float = np.nan, hidden: bool = False
) -> str:
    """Say which lap does a part number best, or that they cannot be told apart.

    Parameters
    ----------
    signs : DataFrame, shape (n_faces, ...)
        Rows of all laps from `spc.wear.signs.face_signs`.
    part : str
    grit : str, default ''
        Only faces lapped with this grit, '' = any.
    limit_um : float, default NaN
        A first reading at or over it is not good, whether or not the face was lapped again.
    hidden : bool, default False
        Only the pass that ended well is logged, or may be: what first passes gave is not known, and minutes alone
        compare.

    Returns
    -------
    str

    Notes
    -----
    Compares the share of faces good at the first pass; where those shares are alike the first readings at like age, and
    the minutes per face by the rank-sum test. The level is shared by all laps compared (`spc.board.lap_compare`).
    """
    rows = signs[(signs["part"] == part) & ((signs["grit"] == grit) | (grit == ""))]
    named = part or "parts without a number"
    unread = not hidden and not rows["relapped"].any() and bool(rows["first_high_um"].isna().any())
    if unread:  # without further passes only a reading says whether the first was good
        rows = rows[rows["first_high_um"].notna()]
    good: dict[str, tuple[int, int]] = {}
    read: dict[str, pd.DataFrame] = {}
    minutes: dict[str, np.ndarray[tuple[int], np.dtype[np.float64]]] = {}
    for lap, own in rows.groupby("lap", sort=False):
        own = own.iloc[-_MOST_FACES:]
        if len(own) >= LEAST_COMPARED:
            over = own["first_low_um"].to_numpy(np.float64) >= limit_um
            good[str(lap)] = (int((~own["relapped"].to_numpy(bool) & ~over).sum()), len(own))
            read[str(lap)] = own
            minutes[str(lap)] = own["minutes"].dropna().to_numpy(np.float64)
    if not good:
        return (
            f"Too few faces of {named} to say: no lap has done {LEAST_COMPARED} of them with this grit"
            f"{' that were read' if unread else ''}."
        )
    if len(good) == 1:
        lap, counts = next(iter(good.items()))
        alone = f"Only {lap} has done {LEAST_COMPARED} or more faces of {named} with this grit"
        return f"{alone}; {_UNTOLD}." if hidden else f"{alone}: {_first_pass(counts)}."
    if hidden:
        quicker = _fewest_minutes(minutes)
        told = f"{quicker} takes the fewest" if quicker else f"{', '.join(good)} cannot be told apart by them yet"
        return (
            f"{_UNTOLD[:1].upper()}{_UNTOLD[1:]}: further passes are not logged. By minutes a face for {named}: {told}."
        )
    best, worse = worse_by_yield(good)
    flatter = flatter_words({lap: own for lap, own in read.items() if lap not in worse}, compared=len(good))
    shown = "; ".join(f"{name}: {_first_pass(good[name])}" for name in good)
    if worse:
        alike = [name for name in good if name != best and name not in worse]
        also = f" By that {', '.join(alike)} cannot be told from it." if alike else ""
        also += f" {flatter}." if flatter else ""
        return f"{best} serves {named} best, better than {', '.join(worse)}.{also} {shown}."
    quicker = _fewest_minutes(minutes)
    gains = [f"{quicker} takes fewer minutes a face"] if quicker else []
    gains += [flatter] if flatter else []
    if gains:
        return f"First passes are alike; {'; '.join(gains)} for {named}. {shown}."
    return f"Any of {', '.join(good)}: the log cannot tell them apart for {named} yet. {shown}."


def _first_pass(counts: tuple[int, int]) -> str:
    share = share_interval(*counts)
    return f"{counts[0]:,} of {counts[1]:,} good at the first pass ({share.low:.0%} to {share.high:.0%})"


def _fewest_minutes(minutes: Mapping[str, np.ndarray[tuple[int], np.dtype[np.float64]]]) -> str:
    """Lap that takes fewer minutes than every other, '' when none does so clearly."""
    known = {name: m for name, m in minutes.items() if m.size >= LEAST_COMPARED}
    if len(known) < 2:
        return ""
    best = min(known, key=lambda name: float(np.median(known[name])))
    others = (m for name, m in known.items() if name != best)
    first = known[best]
    clear = all(
        rank_sum_p(first, m, exact=False) < 0.05 and float(np.mean(np.sign(first[:, None] - m[None, :]))) < 0
        for m in others
    )  # two-sided: which of them would be the best was not known before
    return best if clear else ""


def what_is_it(pattern: Pattern, diagnosis: Diagnosis) -> str:
    """Say which of lap, grit, hand, reading, part or room the signs speak for.

    Parameters
    ----------
    pattern : Pattern
    diagnosis : Diagnosis

    Returns
    -------
    str
    """
    if not pattern.moved:
        return "Nothing has moved, so none of them shows."
    ranked = sorted(diagnosis.groups.items(), key=lambda pair: -pair[1])
    shares = ", ".join(f"{name} {share:.0%}" for name, share in ranked if share >= 0.05)
    name, share = ranked[0]
    first = diagnosis.checks[0] if diagnosis.checks else ""
    if name == "unknown" or share < 0.5:
        return f"The signs cannot tell yet ({shares}). First: {first}"
    return f"Most likely {name} ({shares}). First: {first}"
