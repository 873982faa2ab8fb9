"""Which clock foretells the wear of a lap and its sisters: the same past readings on every clock of the log."""

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd

from spc.board.cell_view import CellView
from spc.board.kept import digest_of_values, kept
from spc.board.lap_paths import LEAST_FACES, PAST_CYCLES
from spc.board.lives import NEVER, lives_under, running_grit, sisters_of
from spc.wear.clock_choice import CLOCKS, ClockChoice, compare_clocks
from spc.wear.lifetime import MOST_MISSING
from spc.wear.wear_path import WearPath, wear_path

__all__ = ["clocks_of_lap"]

_AGE = {
    "faces": ("age_faces", ""),
    "minutes": ("age_minutes", "age_minutes_missing"),
    "removed_um": ("age_removed_um", "age_removed_missing"),
}
_SEED = 20_261_125


def clocks_of_lap(view: CellView, lap: str, *, until: Mapping[tuple[str, int], float] = NEVER) -> ClockChoice:
    """Compare the clocks of a lap's group by how well they foretell past cycles left out.

    Parameters
    ----------
    view : CellView
    lap : str
        Known to the view.
    until : mapping of (str, int) to float, default none
        Of a lap and its cycle, the age in faces at which another cycle may have begun, from `first_doubts`.

    Returns
    -------
    ClockChoice

    Notes
    -----
    First readings of the newest `PAST_CYCLES` ended cycles of the group that ran under no other grit than the one that
    runs now; of those, the ones with `LEAST_FACES` readings or more. (The forecast of faces left goes farther back for
    as many with enough readings, and takes from a cycle of several grits what ran under this one.) A clock that misses
    more than `MOST_MISSING` of what it counts is left out, and said so.
    """
    grit = running_grit(view, lap)
    lives = lives_under(view, sisters_of(view, lap), frozenset((grit,)) if grit else frozenset())
    ended = (
        lives[(lives["ended"] != "running") & lives["start_known"]]
        .sort_values("end_us", kind="stable")
        .iloc[-PAST_CYCLES:]
    )
    cycles = [
        (f"{name}, cycle {cycle}", rows)
        for name, cycle in zip(ended["lap"], ended["cycle"], strict=True)
        if len(rows := _readings(view.faces_of(str(name)), cycle, until.get((name, cycle), math.inf))) >= LEAST_FACES
    ]
    left_out = {clock: why for clock in CLOCKS if (why := _unusable(clock, [rows for _, rows in cycles]))}
    paths = {
        clock: [_path(label, rows, _AGE[clock][0]) for label, rows in cycles]
        for clock in CLOCKS
        if clock not in left_out
    }
    held = [(p.label, p.age, p.low, p.high, p.parts) for own in paths.values() for p in own]

    def compare() -> ClockChoice:
        return compare_clocks(paths, left_out=left_out, rng=np.random.default_rng(_SEED))

    return kept(
        "clocks", digest_of_values(sorted(left_out.items()), *(value for path in held for value in path)), compare
    )


def _readings(faces: pd.DataFrame, cycle: int, until_age: float) -> pd.DataFrame:
    own = faces["first_pass"] & (faces["cycle"] == cycle) & faces["flatness_low_um"].notna()
    return faces[own & (faces["age_faces"] < until_age)]


def _unusable(clock: str, cycles: list[pd.DataFrame]) -> str:
    column, missing = _AGE[clock]
    if not missing or not cycles:
        return ""
    rows = pd.concat(cycles)
    share = float(rows.loc[rows["age_faces"] > 0, missing].mean()) if (rows["age_faces"] > 0).any() else 0.0
    if rows[column].isna().any() or share > MOST_MISSING:
        return f"{share:.0%} of the lappings do not say" if share >= 0.005 else "some lappings do not say"
    return ""


def _path(label: str, rows: pd.DataFrame, column: str) -> WearPath:
    return wear_path(
        label,
        np.maximum.accumulate(np.maximum(rows[column].to_numpy(np.float64), 0.0)),
        rows["flatness_low_um"].to_numpy(np.float64),
        rows["flatness_high_um"].to_numpy(np.float64),
        parts=rows["part"].tolist(),
    )
