"""The registers beside the faces: laps, limits, aliases, frozen baselines, studies."""

import json
import math
import sqlite3
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from threading import RLock
from typing import Any

import pandas as pd

from spc.store.database import StoreError
from spc.store.frames import CHARACTERISTICS, LAPS, LIMITS, frame
from spc.store.known_then import current

__all__ = ["Baseline", "LimitSet", "Registers"]

_READ_ONLY = "the store may only be read here, so nothing was kept: copy it to a place that can be written to"
LAP_STATES = ("", "in use", "stand-by", "retired")

_ALIASES = {"typed": "str", "lap": "str", "approved_by": "str", "why": "str", "at": "datetime64[us, UTC]"}


@dataclass(frozen=True, slots=True)
class Baseline:
    """One frozen revision of the limits of one chart."""

    lap: str
    sign: str
    revision: int  # 1, 2, ... within lap and sign
    model: Mapping[str, Any]
    fingerprint: str  # of the data it was frozen from
    who: str
    why: str
    frozen_at: str  # ISO
    valid_from: str  # ISO


@dataclass(frozen=True, slots=True)
class LimitSet:
    """What became of a limit that was set."""

    revision: int  # its number; where it changes nothing, that of the one that says the same
    new: bool


class Registers:
    """Everything a store keeps besides faces, events and quarantine; base of `Store`."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._lock = RLock()

    @contextmanager
    def writing(self, *, who: str, what: str) -> Iterator[None]:
        """One transaction: everything inside is kept, or nothing; inside another one it joins that."""
        with self._lock:
            if self._connection.in_transaction:
                yield
                return
            try:
                self._connection.execute("BEGIN IMMEDIATE")
            except sqlite3.OperationalError as error:
                raise StoreError(f"the store is busy: {error}; another program has been writing for long") from None
            before = self._connection.total_changes
            try:
                yield
                if self._connection.total_changes > before:
                    newest = {f"last_{name}": self._newest_row(name) for name in ("face", "event")}
                    self._insert("change", at_us=now_us(), who=who, what=what, **newest)
                self._connection.execute("COMMIT")
            except BaseException as error:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                self._forget()
                if getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_READONLY:
                    raise StoreError(_READ_ONLY) from None
                raise

    def _newest_row(self, table: str) -> int:
        return int(self._connection.execute(f"SELECT coalesce(max(row_id), 0) FROM {table}").fetchone()[0])

    def revision(self) -> int:
        """Count of changes so far by any process; 0 for a new store. Cheap enough to poll."""
        return int(self._connection.execute("SELECT coalesce(max(change_id), 0) FROM change").fetchone()[0])

    def born_us(self) -> int:
        """Moment of the first change, microseconds since 1970: tells a store from another one at the same path."""
        found = self._connection.execute("SELECT at_us FROM change ORDER BY change_id LIMIT 1").fetchone()
        return int(found[0]) if found else 0

    def laps(self) -> pd.DataFrame:
        """
        Every lap that was set, or that a current face or event names; not an alias whose rows have all gone over.

        Returns
        -------
        pandas.DataFrame
            lap, material, kind, size_text, home_grit, group, state ('', 'in use', 'stand-by', 'retired'), note,
            state_us (when all this was last written down, microseconds since 1970, 0 = never); sorted by lap. `group`
            is material and home grit where nobody said otherwise.
        """
        of_faces = f"SELECT 1 FROM face WHERE lap_id = lap_name.id AND {current('face')}"
        of_events = f"SELECT lap FROM event WHERE {current('event')}"
        rows = self._connection.execute(
            "SELECT n.lap, coalesce(r.material, ''), coalesce(r.kind, ''), coalesce(r.size_text, ''), "
            "coalesce(r.home_grit, ''), coalesce(r.lap_group, ''), coalesce(r.state, ''), coalesce(r.note, ''), "
            f"coalesce(r.at_us, 0) FROM (SELECT lap FROM lap_name WHERE EXISTS ({of_faces}) UNION {of_events} "
            "UNION SELECT lap FROM lap_revision) n LEFT JOIN "
            "lap_revision r ON r.revision = (SELECT max(revision) FROM lap_revision WHERE lap = n.lap) "
            "WHERE n.lap <> '' ORDER BY n.lap"
        ).fetchall()
        gone_over = self._aliases_unnamed()
        laps = frame(LAPS, [row for row in rows if row[0] not in gone_over])
        said = (laps["material"] + " " + laps["home_grit"]).str.strip()
        return laps.assign(group=laps["group"].where(laps["group"] != "", said))

    def _aliases_unnamed(self) -> set[str]:
        """Aliases that no face or event names any more, and that nobody set as a lap after they were approved."""
        faces = "SELECT 1 FROM face WHERE lap_id = (SELECT id FROM lap_name WHERE lap = ?1)"
        named = f"{faces} AND {current('face')} UNION ALL SELECT 1 FROM event WHERE lap = ?1 AND {current('event')}"
        approved = "SELECT max(at_us) FROM alias WHERE typed = ?1"
        sql = f"SELECT 1 FROM lap_revision WHERE lap = ?1 AND at_us > ({approved}) UNION ALL {named} LIMIT 1"
        return {name for name in self.aliases() if not self._connection.execute(sql, (name,)).fetchone()}

    def registered_laps(self) -> tuple[tuple[str, str, str], ...]:
        """Name, material and home grit of every lap that a person set, in order of name."""
        rows = self._connection.execute(
            "SELECT lap, material, home_grit FROM lap_revision r "
            "WHERE revision = (SELECT max(revision) FROM lap_revision WHERE lap = r.lap) ORDER BY lap"
        )
        return tuple((str(lap), str(material), str(grit)) for lap, material, grit in rows)

    def set_lap(
        self, lap: str, *, material: str | None = None, kind: str | None = None, size_text: str | None = None,
        home_grit: str | None = None, group: str | None = None, state: str | None = None, note: str | None = None,
        who: str = "", why: str = "", again: bool = False,
    ) -> None:  # fmt: skip
        """
        Add a revision of one lap where it says anything new, or where a person says the same `again`, as of now.

        None keeps what was said before. `state`: 'in use', 'stand-by' or 'retired'.
        """
        if not lap.strip():
            raise StoreError("`lap` must be a name that is not empty; name the lap")
        if state is not None and state not in LAP_STATES:
            raise StoreError(f"`state` must be one of 'in use', 'stand-by', 'retired', got {state!r}")
        given = {
            "material": material, "kind": kind, "size_text": size_text, "home_grit": home_grit, "lap_group": group,
            "state": state, "note": note,
        }  # fmt: skip
        with self.writing(who=who, what=f"lap {lap} set"):
            names = ", ".join(given)
            before = self._connection.execute(
                f"SELECT {names} FROM lap_revision WHERE lap = ? ORDER BY revision DESC LIMIT 1", (lap,)
            ).fetchone()
            old = dict(zip(given, before or [""] * len(given), strict=True))
            new = {name: old[name] if value is None else value.strip() for name, value in given.items()}
            if before is None or new != old or again:
                self._insert("lap_revision", lap=lap, **new, who=who, why=why, at_us=now_us())

    def limits(self, *, all_revisions: bool = False) -> pd.DataFrame:
        """
        Limits per part number and characteristic.

        Parameters
        ----------
        all_revisions : bool
            The whole history, oldest first, in place of the rows valid now.

        Returns
        -------
        pandas.DataFrame
            part ('*' = any part), characteristic, upper_um, lower_um (NaN = none), upper_text, lower_text, revision,
            valid_from (ISO date or date and time), who, why.
        """
        limits = frame(
            LIMITS,
            self._connection.execute(
                "SELECT part, characteristic, upper_um, lower_um, upper_text, lower_text, revision, valid_from, who, "
                "why FROM limit_revision ORDER BY revision"
            ).fetchall(),
        )
        if all_revisions:
            return limits
        now = datetime.now(UTC).isoformat()
        valid = limits[limits["valid_from"] <= now].sort_values(["valid_from", "revision"], kind="stable")
        valid = valid.drop_duplicates(["part", "characteristic"], keep="last")
        said = valid["upper_um"].notna() | valid["lower_um"].notna()  # both absent: the limit was taken back
        return valid[said].sort_values(["part", "characteristic"]).reset_index(drop=True)

    def set_limit(
        self, part: str, characteristic: str, *, upper_um: float | None, upper_text: str = "",
        lower_um: float | None = None, lower_text: str = "", valid_from: str = "", who: str = "", why: str = "",
    ) -> LimitSet:  # fmt: skip
        """
        Add a revision of one limit; one that says what holds at that time already changes nothing.

        Parameters
        ----------
        part, characteristic : str
        upper_um, lower_um : float or None
            Both None: the limit is taken back.
        upper_text, lower_text : str
            As written.
        valid_from : str
            ISO, '' = now.
        who, why : str

        Returns
        -------
        LimitSet

        Raises
        ------
        StoreError
            If the limit is impossible, or none holds that could be taken back.
        """
        if not part.strip():
            raise StoreError("`part` must be a part number, or '*' for any part; got none")
        if characteristic not in CHARACTERISTICS:
            raise StoreError(f"`characteristic` must be one of {', '.join(CHARACTERISTICS)}, got {characteristic!r}")
        if lower_um is not None and characteristic not in ("thickness", "thickness_before"):
            raise StoreError(f"`lower_um` must be left out for {characteristic}: only thickness has a lower limit")
        signed = characteristic in ("thickness", "thickness_before")  # may be deviations from nominal
        for name, value in (("upper_um", upper_um), ("lower_um", lower_um)):
            if value is not None and not (math.isfinite(value) and (signed or value > 0)):
                wanted = "a finite length" if signed else "a length greater than 0"
                raise StoreError(f"`{name}` must be {wanted}, got {value}")
        if upper_um is not None and lower_um is not None and lower_um >= upper_um:
            raise StoreError(f"`lower_um` must be less than `upper_um`, got {lower_um} and {upper_um}")
        part, begins = part.strip(), iso_moment(valid_from, name="valid_from")
        with self.writing(who=who, what=f"limit of {part} {characteristic} set"):
            held = self._connection.execute(
                "SELECT revision, upper_um, lower_um, upper_text, lower_text FROM limit_revision "
                "WHERE part = ? AND characteristic = ? AND valid_from <= ? ORDER BY valid_from DESC, revision DESC",
                (part, characteristic, begins),
            ).fetchone()
            if upper_um is None and lower_um is None and (held is None or held[1:3] == (None, None)):
                raise StoreError(
                    f"`part` must have a limit of {characteristic} to take back, {part!r} has none at that time; "
                    "`lapcell parts` lists them"
                )
            if held is not None and held[1:] == (upper_um, lower_um, upper_text, lower_text):
                return LimitSet(int(held[0]), new=False)
            revision = self._insert(
                "limit_revision", part=part, characteristic=characteristic, upper_um=upper_um, lower_um=lower_um,
                upper_text=upper_text, lower_text=lower_text, who=who, why=why, at_us=now_us(), valid_from=begins,
            )  # fmt: skip
            return LimitSet(revision, new=True)

    def aliases(self) -> dict[str, str]:
        """
        Approved ways of writing a lap: as typed -> the lap's name.

        A lap renamed twice is read under its last name, whichever earlier one is typed; a name that was given back is
        the lap's own again.
        """
        approved: dict[str, str] = {}

        def last_name(name: str) -> str:
            return last_name(approved[name]) if name in approved else name

        for typed, lap in self._connection.execute("SELECT typed, lap FROM alias ORDER BY alias_id").fetchall():
            approved.pop(typed, None)
            if lap and last_name(lap) == typed:
                del approved[lap]
            if lap:
                approved[typed] = lap
        return {typed: last_name(typed) for typed in approved}

    def alias_history(self) -> pd.DataFrame:
        """Every alias decision, oldest first: typed, lap ('' = taken back), approved_by, why, at."""
        return frame(
            _ALIASES,
            self._connection.execute(
                "SELECT typed, lap, approved_by, why, at_us FROM alias ORDER BY alias_id"
            ).fetchall(),
        )

    def record_alias(self, typed: str, lap: str, *, approved_by: str, why: str = "") -> None:
        """Record that a person approved `typed` as a way of writing `lap` ('' takes it back)."""
        if not approved_by.strip():
            raise StoreError("`approved_by` must name the person who approves the alias, got none")
        if not typed.strip() or typed == lap:
            raise StoreError(f"`typed` must be another way of writing the lap, got {typed!r} for {lap!r}")
        with self.writing(who=approved_by, what=f"alias {typed} = {lap}"):
            self._insert("alias", typed=typed, lap=lap, approved_by=approved_by, why=why, at_us=now_us())

    def freeze_baseline(
        self, *, lap: str, sign: str, model: Mapping[str, Any], fingerprint: str, who: str, why: str,
        valid_from: str = "", frozen_at: str = "",
    ) -> Baseline:  # fmt: skip
        """Keep a revision of one chart's limits; `valid_from` and `frozen_at` ISO, '' = now."""
        with self.writing(who=who, what=f"baseline of {lap} {sign} frozen"):
            revision = self._connection.execute(
                "SELECT coalesce(max(revision), 0) + 1 FROM baseline WHERE lap = ? AND sign = ?", (lap, sign)
            ).fetchone()[0]
            self._insert(
                "baseline", lap=lap, sign=sign, revision=revision, model=json_text(model), fingerprint=fingerprint,
                who=who, why=why, frozen_at=iso_moment(frozen_at, name="frozen_at"),
                valid_from=iso_moment(valid_from, name="valid_from"),
            )  # fmt: skip
            return self.baselines(lap=lap, sign=sign)[-1]

    def baselines(self, *, lap: str | None = None, sign: str | None = None) -> tuple[Baseline, ...]:
        """Frozen revisions, oldest first."""
        rows = self._connection.execute(
            "SELECT lap, sign, revision, model, fingerprint, who, why, frozen_at, valid_from "
            "FROM baseline WHERE coalesce(?, lap) = lap AND coalesce(?, sign) = sign ORDER BY baseline_id",
            (lap, sign),
        )
        return tuple(
            Baseline(lap_, sign_, revision, json.loads(model), *facts) for lap_, sign_, revision, model, *facts in rows
        )

    def save_study(self, name: str, content: Mapping[str, Any], *, who: str = "") -> int:
        """Keep a version of a named study and return its version number."""
        with self.writing(who=who, what=f"study {name} saved"):
            version = self._connection.execute(
                "SELECT coalesce(max(version), 0) + 1 FROM study WHERE name = ?", (name,)
            ).fetchone()[0]
            self._insert("study", name=name, version=version, content=json_text(content), who=who, at_us=now_us())
            return int(version)

    def studies(self, *, name: str | None = None) -> tuple[tuple[str, int, Any], ...]:
        """(name, version, content) of every study, oldest first."""
        rows = self._connection.execute(
            "SELECT name, version, content FROM study WHERE coalesce(?, name) = name ORDER BY study_id", (name,)
        )
        return tuple((row[0], int(row[1]), json.loads(row[2])) for row in rows)

    def _insert(self, table: str, /, **values: Any) -> int:
        sql = f"INSERT INTO {table} ({', '.join(values)}) VALUES ({', '.join('?' * len(values))})"
        return int(self._connection.execute(sql, tuple(values.values())).lastrowid or 0)

    def _forget(self) -> None:
        """Drop what was remembered of a transaction that was rolled back."""


def now_us() -> int:
    """Microseconds since 1970, UTC."""
    return time.time_ns() // 1000


def iso_moment(text: str, *, name: str) -> str:
    """Check an ISO date or moment ('' = now); with hyphens however it came, and in UTC when it carries a zone."""
    if not text:
        return datetime.now(UTC).isoformat()
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise StoreError(f"`{name}` must be an ISO date such as 2026-03-04, got {text!r}") from None
    if moment.tzinfo:
        return moment.astimezone(UTC).isoformat()
    try:
        return date.fromisoformat(text).isoformat()  # a day alone; moments are compared as texts
    except ValueError:
        return moment.isoformat()


def json_text(content: Mapping[str, Any]) -> str:
    try:
        return json.dumps(content, allow_nan=False, sort_keys=True)
    except ValueError:
        raise StoreError("`model` and other JSON content must not hold NaN or infinity; write null") from None
