"""Causes from the readings of a whole cell, in which one lap, operator, part number or the room is planted."""

import numpy as np

from tests.honesty.moved_cell import LAPS, PLANTED, reports_of
from tests.honesty.table import honesty_size, record

# First causes that answer to what is planted.
RIGHT = {
    "one operator": ("read warm, in poor light or by another eye", "pressure or hold of the part"),
    "one part number": ("part mix or more stock to remove", "grit step before skipped or too short"),
    "one lap": ("lap worn out of shape", "stroke pattern or ring position", "glazed lap"),
    "many laps": ("the room: temperature, lamp, flat, slurry batch",),
}
# In words of the board: a source said alone.
ALONE = {
    "one operator": ("It follows one operator",),
    "one part number": ("It follows part number ", ", other parts there as ever: "),
    "one lap": ("It stays with ",),
    "many laps": (" laps move the same way",),
}
# What is stated, at least, of cells: right cause first on all laps called, said alone rightly, not said falsely.
STATED = {
    "clean": (1.0, 1.0, 0.9),
    "operator": (0.9, 0.9, 0.95),
    "operator mild": (0.8, 0.75, 0.9),
    "part": (0.9, 0.9, 0.95),
    "lap": (0.9, 0.75, 0.9),
    "room": (0.9, 0.9, 0.95),
    "alone": (0.9, 0.9, 0.95),
}


def said(reports, room):
    """Sources that the board says alone, of any lap or of the shift."""
    found = {}
    for report in reports.values():
        for source, words in ALONE.items():
            if report.signals and any(one in reason for reason in report.reasons for one in words):
                found.setdefault(source, set()).add(report.lap)
    if room.alarm is not None and "cannot tell" not in room.alarm.sentence:
        found.setdefault("many laps", set()).update(room.alarm.laps)
    if room.not_the_room is not None:
        source = "one part number" if "one part number" in room.not_the_room.sentence else "one operator"
        found.setdefault(source, set()).update(room.not_the_room.laps)
    return found


def judged(planted, reports, room):
    """Whether laps at fault spoke, the right cause was first on all of them, a source was said rightly, and falsely."""
    at_fault = LAPS[:1] if planted.truth == "one lap" else LAPS
    causes = [report.causes[0].name for lap, report in reports.items() if lap in at_fault and report.causes]
    if planted.truth == "many laps" and room.alarm is not None:
        causes.append(RIGHT["many laps"][0])
    sources = said(reports, room)
    told = "cannot tell the room from one operator" in (room.alarm.sentence if room.alarm is not None else "")
    rightly = told if planted.one_hand else planted.truth in sources
    truth = () if planted.one_hand else (planted.truth,)
    falsely = {s for s, laps in sources.items() if s not in truth or (s == "one lap" and laps - set(at_fault))}
    first = bool(causes) and all(name in RIGHT.get(planted.truth, ()) for name in causes)
    return bool(causes), first, rightly, bool(falsely)


def run(size, rng):
    cells = 60 if size == "full" else 1
    rows = []
    for planted in PLANTED.values():
        spoke, first, rightly, falsely = np.array([judged(planted, *reports_of(planted, rng)) for _ in range(cells)]).T
        shares = (spoke.mean(), first[spoke].mean() if spoke.any() else np.nan)
        shares = (*shares, rightly[spoke].mean() if spoke.any() else np.nan, falsely.mean())
        counts = (cells, spoke.sum(), spoke.sum(), cells)
        errors = [(share * (1 - share) / max(n, 1)) ** 0.5 for share, n in zip(shares, counts, strict=True)]
        rows.append([planted.words, cells, *(float(v) for pair in zip(shares, errors, strict=True) for v in pair)])
    return rows


def _told(share, error):
    return "" if np.isnan(share) else f"{share:.3f} +- {error:.3f}"


def test_what_is_planted_comes_first_and_nothing_is_said_alone_falsely():
    rows = run(honesty_size(), np.random.default_rng(11))
    record(
        "move_sources",
        title="What a move follows, from the readings of a whole cell",
        statement="Cells of six laps, three operators and two part numbers at random on every lap; cycles differ. Of "
        "cells: whether any lap at fault, or the room, is called; of those, whether the right cause comes first on "
        "every lap called (the reading or the hand for an operator, the room by its alarm), and whether the source is "
        "said alone (with one operator alone in a shift: that the room and the operator cannot be told apart); of all "
        "cells, whether a source is said alone falsely. With nothing planted no cause is right.",
        columns=["planted", "cells", "called", "right cause first", "said rightly", "said falsely"],
        rows=[[*row[:2], *(_told(*row[at : at + 2]) for at in (2, 4, 6, 8))] for row in rows],
    )
    counted = []
    for name, row in zip(PLANTED, rows, strict=True):
        cells, called, first, rightly, falsely = (row[i] for i in (1, 2, 4, 6, 8))
        spoke = round(called * cells)
        assert spoke > 0 or not PLANTED[name].truth, name
        found = [(first, spoke), (rightly, spoke)] if PLANTED[name].truth else [(1.0, 0), (1.0, 0)]
        found.append((1 - falsely, cells))
        counted.append([(share * n, n, least) for (share, n), least in zip(found, STATED[name], strict=True)])
    hits, n, least = np.moveaxis(np.array(counted), 2, 0)
    error = np.sqrt(n * least * (1 - least))
    assert np.all(hits >= n * least - 4 * error)  # cell by cell that is planted
    assert np.all(hits.sum(axis=0) >= (n * least).sum(axis=0) - 4 * np.sqrt((error**2).sum(axis=0)))  # of all of them
