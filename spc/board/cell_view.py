"""One look at the whole cell: everything the board needs, read from the store once and put in order."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.cause_words import NOT_A_READING
from spc.board.lap_frames import LapFrames, frames_of_laps, no_frames
from spc.board.lap_memo import LapMemo, memo_of
from spc.board.other_laps import with_passes_elsewhere
from spc.board.recent_rows import recent_events, recent_rows
from spc.board.shifts import by_day
from spc.board.to_come import FacesToCome, faces_to_come
from spc.log.moments import with_shown_times
from spc.settings import Settings
from spc.store.frames import LAPS, frame
from spc.store.redelivery import AHEAD_US
from spc.store.registers import Baseline
from spc.store.store import Store
from spc.wear.event_order import EVENT_EFFECTS, effective_events

__all__ = ["RECENT_ROWS", "CellView", "counted_until_us", "look_at_cell", "site_now", "upper_limit_um"]

RECENT_ROWS = 3000  # newest rows read per lap, and all of the cycle that runs: dozens of cycles, however old the log
_EVER_US = int(np.iinfo(np.int64).min)


@dataclass(frozen=True, slots=True)
class CellView:
    """What the cell looked like at one moment."""

    settings: Settings
    shifts_by: Settings  # the same, from `by_day`: what faces are put to shifts by
    now: datetime  # wall clock of the site, without zone
    now_us: int  # the same moment on the scale of `sort_us`
    laps: pd.DataFrame  # every lap named anywhere
    by_lap: Mapping[str, LapFrames]  # faces, events, cycles and signs, lap by lap
    limits: pd.DataFrame  # in force now
    limit_history: pd.DataFrame  # every revision of them
    stored_signals: pd.DataFrame
    reactions: pd.DataFrame
    baselines: tuple[Baseline, ...]  # frozen chart limits, oldest first
    struck_out: frozenset[int]  # face ids whose flatness a person called a bad wipe
    as_read: Mapping[str, pd.DataFrame]  # rows of each lap as the store holds them, with times as people read them,
    # and with the passes that other laps did before
    to_come: Mapping[str, pd.DataFrame]  # events of a lap that do not count yet, of the laps that have any
    faces_to_come: Mapping[str, FacesToCome]  # the same of face readings
    memo: LapMemo  # what still holds of each lap, however the others have changed
    _whole: dict[str, pd.DataFrame] = field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def faces(self) -> pd.DataFrame:
        """Numbered faces frame of all laps, one lap after the other."""
        return self._put_together("faces", None)

    @property
    def events(self) -> pd.DataFrame:
        """Events of all laps, in order of time."""
        return self._put_together("events", ["sort_us", "intake_id", "row_number"])

    @property
    def cycles(self) -> pd.DataFrame:
        """Cycles of all laps, from `list_cycles`, one lap after the other."""
        return self._put_together("cycles", None)

    @property
    def signs(self) -> pd.DataFrame:
        """Finished faces of all laps with their signs of wear, from `face_signs`, in order of time."""
        return self._put_together("signs", ["sort_us"])

    def frames_of(self, lap: str) -> LapFrames:
        """Faces, events, cycles and signs of one lap."""
        return self.by_lap[lap] if lap in self.by_lap else no_frames()

    def faces_of(self, lap: str) -> pd.DataFrame:
        """Rows of one lap, oldest first."""
        return self.frames_of(lap).faces

    def signs_of(self, lap: str) -> pd.DataFrame:
        """Finished faces of one lap with their signs of wear, oldest first."""
        return self.frames_of(lap).signs

    def finished_of(self, lap: str) -> pd.DataFrame:
        """Finished faces of one lap without what hangs on other laps, oldest first."""
        return self.frames_of(lap).finished

    def lapped_of(self, lap: str) -> pd.DataFrame:
        """Rows of one lap that are lappings, second readings of a face left out; oldest first."""
        rows = self.faces_of(lap)
        return self.memo.once(lap, "lapped", (rows,), lambda: rows[rows["kind"] == "face"].reset_index(drop=True))

    def events_of(self, lap: str) -> pd.DataFrame:
        """Events of one lap."""
        return self.frames_of(lap).events

    def cycles_of(self, lap: str) -> pd.DataFrame:
        """Cycles of one lap, oldest first."""
        return self.frames_of(lap).cycles

    def cycle_now(self, lap: str) -> int:
        """Give the number of the newest cycle of one lap, whether it has a face yet or not; 0 = none is known."""
        return int(self.cycles_of(lap)["cycle"].to_numpy()[-1:].max(initial=0))

    def signs_of_part(self, part: str, grit: str, columns: tuple[str, ...]) -> tuple[pd.DataFrame, ...]:
        """Give some columns of the finished faces of a part number with a grit, a frame for each lap that has any.

        '' = any grit. The same frames as at the look before where nothing has changed.
        """

        def of_part(rows: pd.DataFrame, places: Mapping[tuple[str, str], NDArray[np.intp]]) -> pd.DataFrame:
            of = [at for (own_part, own_grit), at in places.items() if own_part == part and grit in ("", own_grit)]
            return rows[list(columns)].iloc[np.sort(np.concatenate(of))].reset_index(drop=True)

        own = []
        for lap, frames in self.by_lap.items():
            rows, once = frames.signs, partial(self.memo.once, lap)
            places = once("part and grit", (rows,), partial(_by_part_and_grit, rows))
            if any(own_part == part and grit in ("", own_grit) for own_part, own_grit in places):
                own.append(once(f"of {part} with {grit}", (rows, columns), partial(of_part, rows, places)))
        return tuple(own)

    def lap_row(self, lap: str) -> pd.Series:
        """Give what the register says of a lap."""
        laps = self.laps
        return self.memo.once(lap, "row", (laps,), lambda: laps.iloc[laps["lap"].tolist().index(lap)])

    def _put_together(self, name: str, order: list[str] | None) -> pd.DataFrame:
        """Put the frames of all laps into one, the first time it is asked for."""
        if name not in self._whole:
            parts = [frame for frames in self.by_lap.values() if len(frame := getattr(frames, name))]
            whole = pd.concat(parts, ignore_index=True) if parts else getattr(no_frames(), name)
            self._whole[name] = whole.sort_values(order, kind="stable", ignore_index=True) if order else whole
        return self._whole[name]


def site_now(settings: Settings) -> datetime:
    """Wall clock of the site: the settings' own clock for a replayed log, else the real time in the site's zone."""
    if settings.clock is not None:
        return settings.clock
    zone = ZoneInfo(settings.time_zone) if settings.time_zone else None
    return datetime.now(zone).replace(tzinfo=None)


def moment_on_log(at_us: int, settings: Settings) -> int:
    """Give a real moment as `sort_us`: of a site without a zone the log is in the wall time of this machine."""
    return at_us if settings.time_zone else _since_us(datetime.fromtimestamp(at_us / 1e6), settings)


def counted_until_us(settings: Settings) -> int:
    """Moment, as `sort_us`, from which rows do not count yet: later than the clock set, or plainly later than now."""
    return _since_us(site_now(settings), settings) + (1 if settings.clock is not None else AHEAD_US)


def look_at_cell(
    store: Store, settings: Settings, *, now: datetime | None = None, rows: int | None = RECENT_ROWS
) -> CellView:
    """Read the store once and number its cycles.

    Parameters
    ----------
    store : Store
    settings : Settings
    now : datetime, optional
        Wall clock of the site, without zone; default `site_now(settings)`. Later rows are left out; without it and
        without a clock in the settings, only those later by more than 26 hours.
    rows : int or None, default RECENT_ROWS
        Newest rows read per lap; None = all there are, as a study of old faces needs.

    Returns
    -------
    CellView
    """
    wall = site_now(settings) if now is None else now
    now_us = _since_us(wall, settings)
    until_us = now_us + 1 if now is not None or settings.clock is not None else None
    memo = LapMemo() if rows is None else memo_of(store, rows, until_us)
    registered, settings = memo.same("", "register", store.laps()), memo.same("", "settings", settings)
    laps = memo.once("", "laps", (registered, settings), partial(_described, registered, settings))
    names = laps["lap"].tolist()
    logged = _shown_times(memo, "logged", recent_events(store, names), settings)
    counted_us = now_us + AHEAD_US if until_us is None else until_us
    events = {lap: _before(memo, lap, "events", logged[lap], counted_us) for lap in names}
    since_us = {
        lap: memo.once(lap, "cycle begins", (events[lap],), partial(_cycle_began, events[lap])) for lap in names
    }
    as_read = recent_rows(store, names, last=rows, since_us=since_us, until_us=until_us)
    as_read = _shown_times(memo, "as read", as_read, settings)
    as_read = {lap: _before(memo, lap, "faces", as_read[lap], counted_us) for lap in names}
    as_read = with_passes_elsewhere(memo, as_read)
    together = None
    if rows is None and names:  # all there is: held once, not lap by lap besides
        together = pd.concat(as_read.values(), ignore_index=True)
        ends = np.cumsum([0, *(len(part) for part in as_read.values())]).tolist()
        as_read = {lap: together.iloc[slice(*ends[at : at + 2])] for at, lap in enumerate(names)}
    from_us = {lap: _told_from(as_read[lap], since_us[lap], rows) for lap in names}
    told = {lap: _told(memo, lap, events[lap], from_us[lap]) for lap in names}
    reactions, stored = memo.same("", "reactions", store.reactions()), memo.same("", "stored", store.signals())
    struck_out = memo.same("", "struck out", _struck_out(stored, reactions))
    by_lap, whole = frames_of_laps(memo, as_read, told, struck_out, together=together)
    newest = [str(rows["time_text"].iloc[-1]) for rows in as_read.values() if len(rows)]
    view = CellView(
        settings=settings,
        shifts_by=memo.same("", "shifts by", by_day(settings, newest)),
        now=wall,
        now_us=now_us,
        laps=laps,
        by_lap=by_lap,
        as_read=as_read,
        to_come={lap: logged[lap].iloc[so_far:] for lap in names if (so_far := len(events[lap])) < len(logged[lap])},
        faces_to_come=memo.same("", "faces to come", faces_to_come(store, names, since_us=counted_us)),
        memo=memo,
        limits=memo.same("", "limits", store.limits()),
        limit_history=memo.same("", "limit history", store.limits(all_revisions=True)),
        stored_signals=stored,
        reactions=reactions,
        baselines=memo.same("", "baselines", store.baselines()),
        struck_out=struck_out,
    )
    if whole is not None:
        view._whole["faces"] = whole
    return view


def upper_limit_um(parts: pd.Series, limits: pd.DataFrame, *, characteristic: str = "flatness") -> NDArray[np.float64]:
    """Upper limit of each part number in micrometres, NaN where none is set.

    Parameters
    ----------
    parts : Series of str
    limits : DataFrame
        Limits frame; part '*' serves every part number without a limit of its own.
    characteristic : str, default 'flatness'
    """
    columns = (limits[name].tolist() for name in ("part", "characteristic", "upper_um"))
    own = {part: upper for part, what, upper in zip(*columns, strict=True) if what == characteristic}
    anybody = float(own.get("*", np.nan))
    codes, names = pd.factorize(parts)
    limits_of = np.array([float(own.get(name, np.nan)) for name in names] + [np.nan])
    return np.where(np.isnan(limits_of), anybody, limits_of)[codes]


def _by_part_and_grit(signs: pd.DataFrame) -> dict[tuple[str, str], NDArray[np.intp]]:
    """Places of the rows of each part number with each grit."""
    places: dict[Any, Any] = signs.groupby(["part", "grit"], sort=False).indices
    return places


def _since_us(wall: datetime, settings: Settings) -> int:
    """Give a moment of the site's wall clock on the scale of `sort_us`."""
    zone = ZoneInfo(settings.time_zone) if settings.time_zone else ZoneInfo("UTC")
    return round(wall.replace(tzinfo=zone).timestamp() * 1_000_000)


def _before(memo: LapMemo, lap: str, what: str, rows: pd.DataFrame, until_us: int) -> pd.DataFrame:
    """Events or faces of one lap, in order of time, before a moment; the same frame as long as they are the same."""
    count = int(rows["sort_us"].to_numpy(np.int64).searchsorted(until_us))
    if count == len(rows):
        return rows
    made_from = (rows, memo.same(lap, f"{what} counted", count))
    return memo.once(lap, f"{what} so far", made_from, lambda: rows.iloc[:count].reset_index(drop=True))


def _shown_times(
    memo: LapMemo, what: str, by_lap: Mapping[str, pd.DataFrame], settings: Settings
) -> dict[str, pd.DataFrame]:
    """Tell the times of each lap's rows as people read them; the same frame as long as the rows are the same."""
    return {
        lap: memo.once(lap, f"{what} told", (rows, settings), partial(with_shown_times, rows, settings))
        for lap, rows in by_lap.items()
    }


def _cycle_began(events: pd.DataFrame) -> int:
    """Return when the cycle that runs on a lap was logged to begin, as `sort_us`; the earliest there is if never.

    Without the faces every retirement taken back may be but a rest: rather too many rows than too few.
    """
    events = events.sort_values("sort_us", kind="stable")
    counted = effective_events(events["event"].tolist(), [0] * len(events))
    begins = np.array([EVENT_EFFECTS[name].cycle for name in counted], bool)
    return int(events["sort_us"].to_numpy(np.int64)[begins].max(initial=_EVER_US))


def _told_from(rows: pd.DataFrame, since_us: int, most: int | None) -> int:
    """Return from which moment on the events of a lap count.

    Where the oldest rows were left out, an event before those read would make the first cycle kept seem to begin there,
    younger than it is; the beginning of the cycle that runs always counts, for all its rows are read.
    """
    if most is None or len(rows) < most:
        return _EVER_US
    return min(since_us, int(rows["sort_us"].iloc[0]) + 1)


def _told(memo: LapMemo, lap: str, events: pd.DataFrame, from_us: int) -> pd.DataFrame:
    """Events of one lap that count; the same frame as long as they are the same."""

    def those() -> pd.DataFrame:
        keep = events["sort_us"].to_numpy(np.int64) >= from_us
        return events if keep.all() else events[keep].reset_index(drop=True)

    return memo.once(lap, "events", (events, memo.same(lap, "from", from_us)), lambda: memo.same(lap, "told", those()))


def _described(laps: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Let the site's settings say what the register of laps leaves open, and add laps known there alone."""
    known = {lap.name: lap for lap in settings.laps}
    new = [name for name in known if name not in set(laps["lap"])]
    blank = ["" if kind == "str" else 0 for kind in list(LAPS.values())[1:]]
    rows = pd.concat([laps, frame(LAPS, [[name, *blank] for name in new])], ignore_index=True) if new else laps
    for what in ("material", "kind", "size_text", "home_grit", "note"):
        said = rows["lap"].map(lambda name, what=what: getattr(known[name], what) if name in known else "")
        rows = rows.assign(**{what: rows[what].where(rows[what] != "", said)})
    group = rows["lap"].map(lambda name: known[name].group if name in known else "")
    usual = (rows["material"] + " " + rows["home_grit"]).str.strip()
    group = rows["group"].where(rows["group"] != "", group)
    return rows.assign(group=group.where(group != "", usual)).sort_values("lap", kind="stable", ignore_index=True)


def _struck_out(stored: pd.DataFrame, reactions: pd.DataFrame) -> frozenset[int]:
    called = reactions[reactions["cause"].isin(NOT_A_READING)]
    ids = stored[stored["signal_id"].isin(called["signal_id"])]["face_id"]
    return frozenset(int(i) for i in ids if i >= 0)
