"""One look at the whole cell: everything the board needs, read from the store once and put in order."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.data_health import widen_heaped
from spc.board.lap_memo import LapMemo, memo_of
from spc.board.recent_rows import all_events, recent_rows
from spc.settings import Settings
from spc.store.registers import Baseline
from spc.store.store import Store
from spc.wear.cycle import AGE_COLUMNS, number_cycles
from spc.wear.cycle_table import list_cycles
from spc.wear.signs import face_signs

__all__ = ["RECENT_ROWS", "CellView", "upper_limit_um", "look_at_cell", "site_now"]

RECENT_ROWS = 3000  # newest rows read per lap: dozens of cycles, however old the log is
_NOT_AS_READ = ("flatness_low_um", "flatness_high_um", *AGE_COLUMNS)  # of a lap's rows: heaped, struck out, numbered
_OF_THE_CELL = ("minutes_ratio", "rate_ratio", "finish_ratio")  # of a lap's signs: against the usual of all laps
_NOT_A_READING = ("bad wipe", "bad reading")  # answers that say a reading was none


@dataclass(frozen=True, slots=True)
class CellView:
    """What the cell looked like at one moment."""

    settings: Settings
    now: datetime  # wall clock of the site, without zone
    now_us: int  # the same moment on the scale of `sort_us`
    laps: pd.DataFrame  # every lap named anywhere
    faces: pd.DataFrame  # numbered faces frame, heaped readings widened, struck-out readings not measured
    events: pd.DataFrame
    cycles: pd.DataFrame  # from `list_cycles`
    signs: pd.DataFrame  # from `face_signs`
    limits: pd.DataFrame
    stored_signals: pd.DataFrame
    reactions: pd.DataFrame
    baselines: tuple[Baseline, ...]  # frozen chart limits, oldest first
    struck_out: frozenset[int]  # face ids whose flatness a person called a bad wipe
    by_lap: Mapping[str, pd.DataFrame]  # rows of `faces`, lap by lap
    signs_by_lap: Mapping[str, pd.DataFrame]
    events_by_lap: Mapping[str, pd.DataFrame]
    as_read: Mapping[str, pd.DataFrame]  # rows of each lap as the store holds them, nothing widened or struck out
    memo: LapMemo  # what still holds of each lap, however the others have changed

    def faces_of(self, lap: str) -> pd.DataFrame:
        """Rows of one lap, oldest first."""
        return self.by_lap[lap] if lap in self.by_lap else self.faces.iloc[:0]

    def signs_of(self, lap: str) -> pd.DataFrame:
        """Finished faces of one lap with their signs of wear, oldest first."""
        return self.signs_by_lap[lap] if lap in self.signs_by_lap else self.signs.iloc[:0]

    def lapped_of(self, lap: str) -> pd.DataFrame:
        """Rows of one lap that are lappings, second readings of a face left out; oldest first."""
        rows = self.faces_of(lap)
        return self.memo.once(lap, "lapped", (rows,), lambda: rows[rows["kind"] == "face"].reset_index(drop=True))

    def events_of(self, lap: str) -> pd.DataFrame:
        """Events of one lap."""
        return self.events_by_lap[lap] if lap in self.events_by_lap else self.events.iloc[:0]

    def signs_of_part(self, part: str, grit: str) -> pd.DataFrame:
        """Finished faces of one part number with one grit, all laps; '' = any grit."""
        by: dict[Any, Any] = self.memo.once(
            "", "by part", (self.signs,), lambda: self.signs.groupby(["part", "grit"], sort=False).indices
        )
        found = [rows for (name, with_grit), rows in by.items() if name == part and grit in ("", with_grit)]
        return self.signs.iloc[np.sort(np.concatenate(found)) if found else []]

    def lap_row(self, lap: str) -> pd.Series:
        """Give what the register says of a lap."""
        return self.laps.iloc[self.laps["lap"].tolist().index(lap)]


def site_now(settings: Settings) -> datetime:
    """Wall clock of the site: the settings' own clock for a replayed log, else the real time in the site's zone."""
    if settings.clock is not None:
        return settings.clock
    zone = ZoneInfo(settings.time_zone) if settings.time_zone else None
    return datetime.now(zone).replace(tzinfo=None)


def look_at_cell(
    store: Store, settings: Settings, *, now: datetime | None = None, rows: int | None = RECENT_ROWS
) -> CellView:
    """Read the store once and number its cycles.

    Parameters
    ----------
    store : Store
    settings : Settings
    now : datetime, optional
        Wall clock of the site, without zone; default `site_now(settings)`. Later rows are left out.
    rows : int or None, default RECENT_ROWS
        Newest rows read per lap; None = all there are, as a study of old faces needs.

    Returns
    -------
    CellView
    """
    wall = site_now(settings) if now is None else now
    zone = ZoneInfo(settings.time_zone) if settings.time_zone else ZoneInfo("UTC")
    now_us = round(wall.replace(tzinfo=zone).timestamp() * 1_000_000)
    until_us = now_us + 1 if now is not None or settings.clock is not None else None
    laps = _described(store.laps(), settings)
    as_read = recent_rows(store, laps["lap"], last=rows, until_us=until_us)
    parts = [rows for rows in as_read.values() if len(rows)]
    faces = pd.concat(parts, ignore_index=True) if parts else store.faces(last=0)
    ends = np.cumsum([0, *(len(part) for part in parts)]).tolist()
    laps_read = [lap for lap in as_read if len(as_read[lap])]
    place = {lap: slice(*ends[at : at + 2]) for at, lap in enumerate(laps_read)}  # lap by lap, as they were read
    if rows is None:  # all there is: held once, not lap by lap besides
        del parts
        as_read = {lap: faces.iloc[place[lap]] if lap in place else faces.iloc[:0] for lap in as_read}
    events = all_events(store)
    if until_us is not None:
        events = events[events["sort_us"] < until_us].reset_index(drop=True)
    reactions = store.reactions()
    stored = store.signals()
    struck_out = _struck_out(stored, reactions)
    faces = widen_heaped(_without(faces, struck_out))
    events = _since_first_face(faces, events)
    numbered = number_cycles(faces, events)
    signs = face_signs(numbered)
    memo = LapMemo() if rows is None else memo_of(store, rows, until_us)
    told, signs_by_lap = _split(events), _split(signs)
    by_lap = {lap: numbered.iloc[rows_of].reset_index(drop=True) for lap, rows_of in place.items()}
    for lap in told if rows is not None else ():
        told[lap] = memo.stable(lap, "events", told[lap], made_from=())
    for lap in by_lap if rows is not None else ():
        by_lap[lap] = memo.stable(
            lap, "faces", by_lap[lap], made_from=(as_read[lap], told.get(lap)), columns=_NOT_AS_READ
        )  # fmt: skip
    for lap in signs_by_lap if rows is not None else ():
        signs_by_lap[lap] = memo.stable(
            lap, "signs", signs_by_lap[lap], made_from=(by_lap[lap],), columns=_OF_THE_CELL
        )  # fmt: skip
    return CellView(
        settings=settings,
        now=wall,
        now_us=now_us,
        laps=laps,
        faces=numbered,
        events=events,
        cycles=list_cycles(numbered, events),
        signs=signs,
        by_lap=by_lap,
        signs_by_lap=signs_by_lap,
        events_by_lap=told,
        as_read=as_read,
        memo=memo,
        limits=store.limits(),
        stored_signals=stored,
        reactions=reactions,
        baselines=store.baselines(),
        struck_out=struck_out,
    )


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


def _since_first_face(faces: pd.DataFrame, events: pd.DataFrame) -> pd.DataFrame:
    """Leave out the events before the oldest row read of a lap whose history was cut off at `RECENT_ROWS`.

    Otherwise the first cycle kept would seem to begin there, younger than it is.
    """
    counts = faces.groupby("lap")["sort_us"].agg(["size", "min"])
    cut = counts.loc[counts["size"] >= RECENT_ROWS, "min"]
    if cut.empty:
        return events
    begins = events["lap"].map(cut).fillna(-(2**62)).astype("int64")
    return events[events["sort_us"] > begins].reset_index(drop=True)


def _split(frame: pd.DataFrame) -> dict[str, pd.DataFrame]:
    return {str(lap): rows.reset_index(drop=True) for lap, rows in frame.groupby("lap", sort=False)}


def _described(laps: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Let the site's settings say what the register of laps leaves open, and add laps known there alone."""
    known = {lap.name: lap for lap in settings.laps}
    new = [name for name in known if name not in set(laps["lap"])]
    rows = pd.concat([laps, pd.DataFrame({"lap": new})], ignore_index=True).fillna("") if new else laps
    for field in ("material", "kind", "size_text", "home_grit", "note"):
        said = rows["lap"].map(lambda name, field=field: getattr(known[name], field) if name in known else "")
        rows = rows.assign(**{field: rows[field].where(rows[field] != "", said)})
    group = rows["lap"].map(lambda name: known[name].group if name in known else "")
    usual = (rows["material"] + " " + rows["home_grit"]).str.strip()
    group = rows["group"].where(rows["group"] != "", group)
    return rows.assign(group=group.where(group != "", usual)).sort_values("lap", kind="stable", ignore_index=True)


def _struck_out(stored: pd.DataFrame, reactions: pd.DataFrame) -> frozenset[int]:
    called = reactions[reactions["cause"].isin(_NOT_A_READING)]
    ids = stored[stored["signal_id"].isin(called["signal_id"])]["face_id"]
    return frozenset(int(i) for i in ids if i >= 0)


def _without(faces: pd.DataFrame, struck_out: frozenset[int]) -> pd.DataFrame:
    """Take the flatness of struck-out readings as not measured; the text as typed stays."""
    if not struck_out:
        return faces
    gone = faces["face_id"].isin(struck_out)
    return faces.assign(
        flatness_low_um=faces["flatness_low_um"].mask(gone), flatness_high_um=faces["flatness_high_um"].mask(gone)
    )
