"""Reads a quarantined row again: with the text a person put right, an alias approved, or the lap added.

A single row cannot tell by itself how its file is written. So each delivery keeps how its columns were understood and
a sample of its rows; a row is read again behind that sample, and finds the decimal mark, the date order and the
reading step as they were found the first time.
"""

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from spc.log.columns import ColumnMap, FieldSource
from spc.log.lexicon import FIELDS
from spc.log.piece import event_frame, face_frame
from spc.log.rows import ScannedLog, scan_log
from spc.settings import KnownLap, Settings
from spc.store.database import StoreError
from spc.store.identity import event_keys, face_keys
from spc.store.store import Store

__all__ = [
    "AliasTakenBack",
    "Retried",
    "add_lap",
    "approve_alias",
    "fix_quarantined",
    "reading_digest",
    "reading_notes",
    "take_back_alias",
    "with_registered_laps",
]

_EVENLY = 150
_LONGEST = 50


@dataclass(frozen=True, slots=True)
class Retried:
    """What an alias or a lap added did for the rows that waited for it."""

    settled: int
    still_waiting: int
    reasons: tuple[str, ...]  # of the rows still waiting
    moved: int = 0  # faces typed on the screens under the other name, which stand on the lap now


@dataclass(frozen=True, slots=True)
class AliasTakenBack:
    """What was taken back."""

    lap: str  # that it was read as
    moved: int  # faces typed on the screens, which stand under what was typed again


def with_registered_laps(settings: Settings, store: Store) -> Settings:
    """Return settings that list the laps of the register too; where they list none, a log may name any lap.

    Parameters
    ----------
    settings : Settings
    store : Store

    Returns
    -------
    Settings
        What the settings say of a lap themselves stands.
    """
    listed = {lap.name for lap in settings.laps}
    if not listed:
        return settings
    added = [
        KnownLap(lap, material=material, home_grit=grit)
        for lap, material, grit in store.registered_laps()
        if lap not in listed
    ]
    return replace(settings, laps=(*settings.laps, *added)) if added else settings


def reading_digest(settings: Settings, column_map: ColumnMap | None, aliases: Mapping[str, str]) -> str:
    """Digest of everything outside the file that decides how its rows are read."""
    said = {
        "settings": {
            name: repr(getattr(settings, name))
            for name in (
                "time_zone", "flatness_unit", "finish_unit", "grit_unit", "lamp", "date_order", "decimal", "step_bands",
                "zero_means", "shifts", "laps",
            )
        } | {"guards_off": sorted(settings.guards_off)},
        "column_map": asdict(column_map or ColumnMap()),
        "aliases": dict(aliases),
        "fields": list(FIELDS),  # a log is read anew once more fields are understood
    }  # fmt: skip
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()


def reading_notes(scanned: ScannedLog, column_map: ColumnMap | None) -> str:
    """JSON of how the columns of a log were understood, with a sample of its rows: what a later reading needs."""
    dialect = scanned.dialect
    if dialect is None:
        return "{}"
    plan = column_map or ColumnMap()
    columns = {
        use.field: asdict(use.source) | {"headers": [], "positions": list(use.positions)}
        for use in scanned.columns
        if use.field and use.positions
    }
    return json.dumps(
        {
            "headers": {use.field: use.header for use in scanned.columns if use.field and use.header},
            "columns": columns,
            "constants": dict(plan.constants),
            "n_columns": max((p for use in scanned.columns for p in use.positions), default=1),
            "separator": dialect.separator,
            "quote": dialect.quote,
            "decimal": plan.decimal,
            "date_order": plan.date_order,
            "time_zone": plan.time_zone,
            "sample": _sample(scanned),
        }
    )


_STAND_IN = re.compile(r" \(column 'column \d+'\)")  # of a header that stands in for the file's own, see `_read_again`


def fix_quarantined(
    store: Store, quarantine_id: int, new_text: str, *, settings: Settings, who: str, reason: str
) -> pd.DataFrame:
    """Read a quarantined row again with the text a person put right, and take it in.

    Parameters
    ----------
    store : Store
    quarantine_id : int
    new_text : str
        The whole row, written as the rows of its file.
    settings : Settings
    who, reason : str
        Both must be given.

    Returns
    -------
    pandas.DataFrame
        The row as taken in: faces columns, or events columns for an event.

    Raises
    ------
    StoreError
        If the row is settled already, or still cannot be read; the sentence says why.
    """
    if not who.strip() or not reason.strip():
        raise StoreError("who and why must be said: fixing a row is signed and explained")
    with store.writing(who=who, what=f"quarantined row {quarantine_id} fixed"):
        held = store.open_quarantined(quarantine_id)
        row = _read_again(store, held, new_text, settings)
        if row["outcome"].iloc[0] not in ("face", "event"):
            why = str(row["reasons"].iloc[0]).removeprefix(f"row {held['row_number']}: ") or "it is blank"
            raise StoreError(f"the row still cannot be read: {why}")
        return _take_in(store, held, row, new_text, how="fixed", who=who, reason=reason)


def approve_alias(store: Store, typed: str, lap: str, *, settings: Settings, who: str, why: str = "") -> Retried:
    """Approve another way of writing a lap, and read the quarantined rows that waited for it again.

    Faces that were typed on the screens under it are corrected to the lap, for no file of theirs can be read again.

    Parameters
    ----------
    store : Store
    typed : str
        As it stands in logs.
    lap : str
        The lap it means.
    settings : Settings
    who : str
        The person who approves.
    why : str

    Returns
    -------
    Retried
    """
    known = {one.name for one in settings.laps} | set(store.laps()["lap"])
    if lap not in known:
        raise StoreError(f"`lap` must be a known lap, got {lap!r}; known are {', '.join(sorted(known)) or 'none'}")
    with store.writing(who=who, what=f"alias {typed} = {lap}"):
        store.record_alias(typed, lap, approved_by=who, why=why)
        lap = store.aliases()[typed]
        done = _retry(store, typed, settings, how="alias", who=who, reason=f"{typed} is {lap}")
        return replace(done, moved=_move_typed(store, typed, lap, who=who))


def take_back_alias(store: Store, typed: str, *, who: str, why: str) -> AliasTakenBack:
    """Take back an alias that was approved by mistake: rows that are yet to come are read as they are typed.

    Faces typed on the screens that went over with the approval go back. Rows of logs stay where they are until their
    log is taken in again.

    Parameters
    ----------
    store : Store
    typed : str
        As it stands in logs.
    who, why : str
        Both must be given.

    Returns
    -------
    AliasTakenBack

    Raises
    ------
    StoreError
        If `typed` is not read as another lap, or nobody says who takes it back and why.
    """
    if not who.strip() or not why.strip():
        raise StoreError("who and why must be said: taking another way of writing a lap back is signed and explained")
    lap = store.aliases().get(typed)
    if lap is None:
        raise StoreError(f"{typed!r} is not read as another lap; `lapcell laps` lists what is")
    with store.writing(who=who, what=f"alias {typed} = {lap} taken back"):
        store.record_alias(typed, "", approved_by=who, why=why)
        edits = store.edits()
        gone_over = edits["id"][(edits["kind"] == "face") & (edits["reason"] == _moved(typed, lap))]
        faces = store.faces(lap=lap)
        back = faces["face_id"][faces["face_id"].isin(gone_over)].tolist()
        for face_id in back:
            store.correct_face(face_id, {"lap": typed}, who=who, reason=f"{typed} is not {lap}: {why}")
    return AliasTakenBack(lap, len(back))


def add_lap(
    store: Store, lap: str, *, settings: Settings, who: str = "", why: str = "", again: bool = False, **said: str | None
) -> Retried:
    """Set a lap in the register, and read the quarantined rows that waited because nobody knew it again.

    Parameters
    ----------
    store : Store
    lap : str
        As it stands in logs.
    settings : Settings
    who, why : str
    again : bool, default False
    **said
        What is said of the lap, as `Store.set_lap` takes it; so `again`.

    Returns
    -------
    Retried

    Raises
    ------
    StoreError
        If rows wait for the lap and nobody signs that they are settled.
    """
    unknown = bool(settings.laps) and lap not in {one.name for one in with_registered_laps(settings, store).laps}
    if unknown and not who.strip() and (store.quarantine()["lap"] == lap).any():
        raise StoreError(f"`who` must be given: rows in quarantine wait for {lap}, and settling them is signed")
    with store.writing(who=who, what=f"lap {lap} set"):
        store.set_lap(lap, who=who, why=why, again=again, **said)
        if not unknown:
            return Retried(0, 0, ())
        return _retry(store, lap, settings, how="fixed", who=who, reason=f"{lap} was added to the register of laps")


def _retry(store: Store, typed: str, settings: Settings, *, how: str, who: str, reason: str) -> Retried:
    """Read the quarantined rows of a lap as typed again, inside the caller's transaction."""
    settled, reasons = 0, []
    waiting = store.quarantine()
    for quarantine_id in waiting.loc[waiting["lap"] == typed, "quarantine_id"].tolist():
        held = store.open_quarantined(quarantine_id)
        row = _read_again(store, held, held["raw"], settings)
        if row["outcome"].iloc[0] in ("face", "event"):
            _take_in(store, held, row, held["raw"], how=how, who=who, reason=reason)
            settled += 1
        else:
            reasons.append(str(row["reasons"].iloc[0]))
    return Retried(settled, len(reasons), tuple(reasons))


def _move_typed(store: Store, typed: str, lap: str, *, who: str) -> int:
    """Correct the faces that no log brought from one name to another, inside the caller's transaction; count them."""
    faces, intakes = store.faces(lap=typed), store.intakes()
    by_log = faces["intake_id"].isin(intakes["intake_id"][intakes["kind"] == "log"])
    for face_id in faces["face_id"][~by_log].tolist():
        store.correct_face(face_id, {"lap": lap}, who=who, reason=_moved(typed, lap))
    return int((~by_log).sum())


def _moved(typed: str, lap: str) -> str:
    """Why a face that was typed under another name is corrected to the lap."""
    return f"{typed} is {lap}"


def _sample(scanned: ScannedLog) -> list[str]:
    """Pick accepted rows spread evenly over the file, and the longest ones, which carry the finest readings."""
    if not scanned.n_rows:
        return []
    rows = next(iter(scanned.frames(rows=20_000)))
    raw = rows.loc[rows["outcome"].isin(["face", "event"]), "raw"].tolist()
    if not raw:
        return []
    evenly = np.unique(np.linspace(0, len(raw) - 1, _EVENLY).astype(int)).tolist()
    longest = sorted(range(len(raw)), key=lambda at: len(raw[at]), reverse=True)[:_LONGEST]
    return [raw[at][:2000] for at in sorted({*evenly, *longest}) if "\n" not in raw[at] and len(raw[at]) <= 2000]


def _read_again(store: Store, held: Mapping[str, Any], text: str, settings: Settings) -> pd.DataFrame:
    """Row frame of one row, read as the rows of its file."""
    notes = store.reading_of(held["intake_id"])
    columns = {
        name: FieldSource(**{**body, "headers": (), "positions": tuple(body["positions"])})
        for name, body in notes["columns"].items()
    }
    separator = notes["separator"]
    header = separator.join(f"column {number}" for number in range(1, notes["n_columns"] + 1))
    plan = ColumnMap(
        separator=separator, quote=notes["quote"], decimal=notes["decimal"], header_line=1,
        date_order=notes["date_order"], time_zone=notes["time_zone"], columns=columns, constants=notes["constants"],
    )  # fmt: skip
    lines = [header, *notes["sample"], text]
    data = "\n".join(lines).encode("utf-8", "replace")
    settings, aliases = with_registered_laps(settings, store), store.aliases()
    scanned = scan_log(data, name=held["name"], settings=settings, column_map=plan, aliases=aliases)
    if scanned.refused or scanned.n_rows != len(lines) - 1:
        raise StoreError(f"the row cannot be read by itself: {scanned.refused or 'it must be exactly one row'}")
    rows = pd.concat(list(scanned.frames()), ignore_index=True).tail(1).reset_index(drop=True)
    place = f"row {rows['row_number'].iloc[0]}: "
    told = [_STAND_IN.sub("", str(text).removeprefix(place)) for text in rows["reasons"]]
    reasons = [f"row {held['row_number']}: {text}" if text else "" for text in told]
    return rows.assign(row_number=held["row_number"], reasons=np.array(reasons, dtype=object))


def _take_in(
    store: Store, held: Mapping[str, Any], row: pd.DataFrame, text: str, *, how: str, who: str, reason: str
) -> pd.DataFrame:
    """Admit one row that can be read now and settle its quarantine entry."""
    admission = store.admission(who=who)
    kind = str(row["outcome"].iloc[0])
    raw = np.array([text], dtype=object)
    if kind == "face":
        new = face_frame(row, held["intake_id"])
        admitted = admission.faces(new, keys=face_keys(new, raw, source=held["source"]))
    else:
        new = event_frame(row, held["intake_id"])
        admitted = admission.events(new, keys=event_keys(new, raw, source=held["source"]))
    outcome = str(admitted.outcome[0])
    store.resolve(
        held["quarantine_id"], how=how, who=who, reason=reason, new_text=text if how == "fixed" else "",
        row_kind=outcome, row_id=int(admitted.row_id[0]),
    )  # fmt: skip
    table = store.face_table if kind == "face" else store.event_table
    return table.rows(admitted.row_id).reset_index(drop=True)
