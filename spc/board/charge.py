"""How old the charge of a lap is beside what is usual for it: whether the log speaks for a charge that is used up."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from spc.chart.replay import Replayed
from spc.wear.event_order import EVENT_EFFECTS, order_events
from spc.wear.sign_moves import RECENT_FACES

__all__ = ["Charge", "charge_of_lap"]

OLD = 1.5  # times the usual number of faces [our choice]
YOUNG = 0.25  # of the usual number of faces [our choice]
YOUNG_FACES = 2  # so few are young whatever is usual [our choice]
FEWEST_SPANS = 3  # charges used up or renewed before, from which a usual number of faces is said [our rule]
_RECHARGES = ("charged", "recharged")
_SAID = {
    "charged": "recharged",
    "grit changed": "given another grit",
    "retired": "taken up again after it was retired",
}  # else by its name


@dataclass(frozen=True, slots=True)
class Charge:
    """The charge a lap runs on, as the log tells it."""

    faces: int  # lapped on it
    event: str  # what renewed it last: 'recharged', 'reconditioned', ...
    usual_faces: float  # middle of the charges before; NaN = too few to say
    state: str  # 'old', 'young' or 'usual', as `spc.board.cause_table.SIGNS` has it

    @property
    def words(self) -> str:
        """'last recharged 3 faces ago, 12 are usual'."""
        done = _SAID.get(self.event, self.event)
        ago = f"{self.faces:,} face{'' if self.faces == 1 else 's'} ago" if self.faces else "after the last face"
        not_since = "" if done == "recharged" else " and not recharged since"
        usual = "" if np.isnan(self.usual_faces) else f", {self.usual_faces:.0f} are usual"
        return f"last {done} {ago}{not_since}{usual}"


def charge_of_lap(lapped: pd.DataFrame, events: pd.DataFrame, charts: Iterable[Replayed]) -> Charge | None:
    """Say how old the charge of a lap is.

    Parameters
    ----------
    lapped : DataFrame, shape (n_faces, ...)
        Lappings of one lap, oldest first, with the clock `faces_since_charge`.
    events : DataFrame, shape (n_events, ...)
        Its events.
    charts : iterable of Replayed
        Its charts of minutes and removal rate: what called before a recharge and calls again after it was not cured.

    Returns
    -------
    Charge or None
        None where no recharge of this lap has ever been logged at a time or between its faces.

    Notes
    -----
    Our own rules. Old: over 1.5 times the middle of the charges before. Young: at most a quarter of it, at most 2
    faces, or renewed in the middle of a fault that went on.
    """
    if lapped.empty:
        return None
    placed, last = order_events(lapped, events).events, len(lapped)
    if not placed["event"].isin(_RECHARGES).any():
        return None
    told = zip(placed["effect"].tolist(), placed["place"].tolist(), strict=True)
    renews = [one for one in told if EVENT_EFFECTS[one[0]].charge and one != ("retired", last)]
    clock = lapped["faces_since_charge"].to_numpy(np.int64)
    begins = np.flatnonzero(clock == 0)
    after = renews[-1][1] == last
    faces = 0 if after else int(clock[-1]) + 1
    spans = np.diff(np.append(begins, clock.size) if after else begins)[1:]  # of the first the beginning is not known
    usual = float(np.median(spans)) if spans.size >= FEWEST_SPANS else float("nan")
    if faces <= max(YOUNG_FACES, YOUNG * usual) or _went_on(charts, int(lapped["sort_us"].iloc[begins[-1]])):
        state = "young"
    else:
        state = "old" if faces > OLD * usual else "usual"
    return Charge(faces, renews[-1][0], usual, state)


def _went_on(charts: Iterable[Replayed], since_us: int) -> bool:
    """Whether a chart called shortly before a moment, and calls since."""
    for judged in charts:
        called, at = judged.beyond | judged.drifting, int(np.searchsorted(judged.stream.sort_us, since_us))
        if called[at:].any() and called[max(0, at - RECENT_FACES) : at].any():
            return True
    return False
