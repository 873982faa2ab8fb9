"""What the guards call on one lap, with those left out that the site has switched off."""

from spc.board.cell_view import CellView
from spc.wear.grit_guard import GuardCall, guard_grit

__all__ = ["calls_on_lap", "guards_on"]

_GUARD_SETTING = {
    "coarse grit": "coarse_grit",
    "back up the ladder": "grit_jump",
    "grit jump": "grit_jump",
    "scratch": "shared_wash",
    "finish jump": "shared_wash",
}


def calls_on_lap(view: CellView, lap: str) -> tuple[GuardCall, ...]:
    """All calls on one lap of the guards that the site has not switched off, oldest first.

    Whether a guard calls hangs on the lap's own rows; the evidence here is what these tell, other laps not asked.
    """
    rows, events, on = view.faces_of(lap), view.events_of(lap), guards_on(view)
    home = view.memo.same(lap, "home", (str(view.lap_row(lap)["home_grit"]), on))
    return view.memo.once(
        lap, "calls", (rows, events, home), lambda: guard_grit(rows, events, view.laps, guards=on, lap=lap)
    )  # fmt: skip


def guards_on(view: CellView) -> tuple[str, ...]:
    """Guards that the site has not switched off."""
    return tuple(name for name, setting in _GUARD_SETTING.items() if view.settings.guard_on(setting))
