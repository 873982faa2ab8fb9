"""What is said of the names that grits are written under: grits are kept apart by name, never joined by size.

A grit whose size is not known is of no rung of the ladder, and one grit under two names is two grits to the charts and
the forecast. Neither is put right here; it is said at once, so that whoever wrote the name can.
"""

from collections import Counter
from functools import partial

import numpy as np
import pandas as pd

from spc.board.cell_view import CellView
from spc.board.lap_paths import LEAST_FACES
from spc.board.lives import running_grit, sisters_of
from spc.chart.stream import NO_GRIT, grit_running
from spc.measure.grit import Grit, parse_grit
from spc.wear.cycle_table import no_face_yet
from spc.wear.grit_guard import COARSER

__all__ = ["grit_name_remarks", "registered_otherwise"]

_SCALE = "say which scale it is of or write it in um"


def grit_name_remarks(view: CellView, lap: str) -> tuple[str, ...]:
    """Say where the running cycle stands apart from others by the name of its grit alone.

    Parameters
    ----------
    view : CellView
    lap : str

    Returns
    -------
    tuple of str
        A sentence for each change from a grit whose size is known to one whose size is not, with the time of its first
        face. One more where no past cycle of the lap and its sisters ran with the grit that runs now, but some ran
        with another name of its rung, or with a grit of known size where that of this one is not. Nothing of a lap
        without a face since it was made fresh.
    """
    rows, cycles = view.lapped_of(lap), view.cycles_of(lap)
    if rows.empty or no_face_yet(cycles):
        return ()
    running, changes = view.memo.once(lap, "names of grit", (rows,), partial(_of_running, rows))
    if not running:
        return ()
    sisters = sisters_of(view, lap)
    past: Counter[str] = Counter()
    for sister in sisters:
        made_from = (view.signs_of(sister), view.cycles_of(sister))
        past += view.memo.once(sister, "cycles by grit", made_from, partial(_past_cycles, *made_from))
    remarks = [_changed(change, alone=not _borrows(past, change[1])) for change in changes]
    if not _borrows(past, running) and all(to != running for _, to, _ in changes):
        remarks += _apart(past, running)
    return tuple(remarks)


def registered_otherwise(view: CellView, lap: str) -> str:
    """Grit that a lap is registered with, where another one runs on it; '' = the same, or either is not named."""
    registered, running = str(view.lap_row(lap)["home_grit"]), running_grit(view, lap)
    if not registered or registered == running or not running:
        return ""
    one, other = (_read(text, view.settings.grit_unit) for text in (registered, running))
    return "" if one.text == other.text or one.size_um == other.size_um else registered


def _read(text: str, unit: str) -> Grit:
    try:
        return parse_grit(text, unit=unit)
    except ValueError:
        return Grit(text, float("nan"), "")


_Change = tuple[str, str, str]  # the grit before, the grit after, time of the first face with it


def _of_running(rows: pd.DataFrame) -> tuple[str, tuple[_Change, ...]]:
    """Name the grit of the newest face of the running cycle, and its changes to a grit of unknown size."""
    now = (rows["cycle"] == rows["cycle"].iloc[-1]).to_numpy() & (rows["grit"] != "").to_numpy()
    grit, size = rows["grit"].to_numpy(object)[now], rows["grit_um"].to_numpy(np.float64)[now]
    if grit.size == 0:
        return "", ()
    lost = np.flatnonzero((grit[1:] != grit[:-1]) & np.isfinite(size[:-1]) & np.isnan(size[1:])) + 1
    when = rows["time_text"].to_numpy(object)[now]
    first: dict[tuple[str, str], str] = {}  # going to and fro between two names is one change
    for i in lost.tolist():
        first.setdefault((str(grit[i - 1]), str(grit[i])), str(when[i]))
    return str(grit[-1]), tuple((before, after, at) for (before, after), at in first.items())


def _past_cycles(signs: pd.DataFrame, cycles: pd.DataFrame) -> Counter[str]:
    """Count the ended cycles of one lap that a forecast may borrow from, by the grit they ran with; '' = not written.

    A cycle that ran with two grits counts under each.
    """
    ended = cycles["cycle"].to_numpy()[(cycles["start_known"] & (cycles["ended"] != "running")).to_numpy(bool)]
    rows = np.isin(signs["cycle"].to_numpy(), ended) & ~np.isnan(signs["first_low_um"].to_numpy(np.float64))
    if not rows.any():
        return Counter()
    ran = grit_running(signs["grit"].to_numpy(object), signs["stream"].to_numpy(np.int64))[rows]
    of_name, names = pd.factorize(ran)
    pairs, faces = np.unique(signs["cycle"].to_numpy(np.int64)[rows] * len(names) + of_name, return_counts=True)
    enough = (str(names[pair % len(names)]) for pair in pairs[faces >= LEAST_FACES].tolist())
    return Counter("" if name.startswith(NO_GRIT) else name for name in enough)


def _borrows(past: Counter[str], grit: str) -> bool:
    """Whether past cycles ran with a grit, or may have: nobody wrote theirs."""
    return past[grit] + past[""] > 0


def _changed(change: _Change, *, alone: bool) -> str:
    before, after, at = change
    went = f"At {at} the" if at else "The"
    borrows = "these faces borrow from no earlier cycle, and " if alone else ""
    return (
        f"{went} grit went from {before} to {after}, whose size is not known: {_SCALE}; until then {borrows}no guard "
        "can tell which of the two is coarser."
    )


def _apart(past: Counter[str], running: str) -> list[str]:
    size = _size_um(running)
    others = [(name, count, _size_um(name)) for name, count in past.most_common()]
    alike = [(name, count) for name, count, of in others if _one_rung(of, size) or (np.isnan(size) and of > 0)]
    if not alike:
        return []
    name, count = alike[0]
    cycles = f"{count} past cycle{'' if count == 1 else 's'} ran with {name}, none with {running}"
    if np.isnan(size):
        return [f"{cycles}, whose size is not known: they are kept apart; {_SCALE}."]
    return [f"{cycles}: they are kept apart; write one name if it is the same grit."]


def _one_rung(a_um: float, b_um: float) -> bool:
    return a_um <= COARSER * b_um and b_um <= COARSER * a_um


def _size_um(name: str) -> float:
    try:
        return parse_grit(name).size_um
    except ValueError:
        return float("nan")
