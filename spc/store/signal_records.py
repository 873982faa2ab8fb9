"""Signals as they were shown, and what people said about them; an answer can be taken back and stays on record."""

from collections.abc import Mapping
from typing import Any

import pandas as pd

from spc.store.database import StoreError
from spc.store.frames import frame
from spc.store.registers import Registers, json_text, now_us

__all__ = ["SignalRecords"]

_SIGNALS = {
    "signal_id": "int64",
    "lap": "str",
    "sign": "str",
    "rule": "str",
    "severity": "str",
    "face_id": "int64",
    "sentence": "str",
    "detail": "str",
    "at": "datetime64[us, UTC]",
    "reactions": "int64",
}
_REACTIONS = {
    "reaction_id": "int64",
    "signal_id": "int64",
    "lap": "str",
    "sign": "str",
    "rule": "str",
    "check_done": "str",
    "cause": "str",
    "action": "str",
    "result": "str",
    "who": "str",
    "at": "datetime64[us, UTC]",
    "event_id": "int64",
}

_STANDS = "NOT EXISTS (SELECT 1 FROM reaction_withdrawn w WHERE w.reaction_id = r.reaction_id)"


class SignalRecords(Registers):
    """Stored signals and the reactions to them; base of `Store`."""

    def record_signal(
        self, *, lap: str, sign: str, rule: str, severity: str, sentence: str, face_id: int | None = None,
        detail: Mapping[str, Any] | None = None, who: str = "",
    ) -> int:  # fmt: skip
        """Keep a signal and return its number; the same lap, sign, rule and face a second time is the same signal."""
        with self.writing(who=who, what=f"signal on {lap}"):
            known = self._connection.execute(
                "SELECT signal_id FROM signal WHERE lap = ? AND sign = ? AND rule = ? AND face_id IS ?",
                (lap, sign, rule, face_id),
            ).fetchone()
            if known:
                return int(known[0])
            return self._insert(
                "signal", lap=lap, sign=sign, rule=rule, severity=severity, face_id=face_id, sentence=sentence,
                detail=json_text(detail or {}), at_us=now_us(),
            )  # fmt: skip

    def signals(self, *, lap: str | None = None) -> pd.DataFrame:
        """List stored signals, oldest first, each with its count of answers in force; face_id -1 = of no one face."""
        where = "" if lap is None else "WHERE s.lap = ?"
        rows = self._connection.execute(
            "SELECT s.signal_id, s.lap, s.sign, s.rule, s.severity, coalesce(s.face_id, -1), s.sentence, s.detail, "
            f"s.at_us, (SELECT count(*) FROM reaction r WHERE r.signal_id = s.signal_id AND {_STANDS}) "
            f"FROM signal s {where} ORDER BY s.signal_id",
            () if lap is None else (lap,),
        ).fetchall()
        return frame(_SIGNALS, rows)

    def answer_signal(
        self, signal_id: int, *, check_done: str, cause: str, action: str, result: str, who: str,
        event_id: int | None = None,
    ) -> int:  # fmt: skip
        """Keep what a person did about a signal; `cause` 'not found' counts; `event_id`: the event this logged too."""
        if not who.strip() or not cause.strip():
            raise StoreError("`who` and `cause` must be given; a cause that was not found is 'not found'")
        with self.writing(who=who, what=f"signal {signal_id} answered"):
            if not self._connection.execute("SELECT 1 FROM signal WHERE signal_id = ?", (signal_id,)).fetchone():
                raise StoreError(f"`signal_id` must be a stored signal, got {signal_id}; `signals` lists them")
            return self._insert(
                "reaction", signal_id=signal_id, check_done=check_done, cause=cause, action=action, result=result,
                who=who, at_us=now_us(), event_id=event_id,
            )  # fmt: skip

    def withdraw_reaction(self, reaction_id: int, *, who: str, reason: str) -> None:
        """
        Take back an answer that was none: its signal is as open as before, and the answer stays on record.

        Parameters
        ----------
        reaction_id : int
        who, reason : str
            Both must be given.

        Raises
        ------
        StoreError
            If it is not signed and explained, or no such answer is in force.
        """
        if not who.strip() or not reason.strip():
            raise StoreError("who and why must be said: taking back an answer is signed and explained")
        with self.writing(who=who, what=f"answer {reaction_id} withdrawn"):
            sql = f"SELECT 1 FROM reaction r WHERE r.reaction_id = ? AND {_STANDS}"
            if not self._connection.execute(sql, (reaction_id,)).fetchone():
                raise StoreError(
                    f"`reaction_id` must be an answer in force, got {reaction_id}; it may have been taken back already"
                )
            self._insert("reaction_withdrawn", reaction_id=reaction_id, at_us=now_us(), who=who, reason=reason)

    def reactions(self, *, lap: str | None = None) -> pd.DataFrame:
        """Answers in force, oldest first, each with its signal's lap, sign and rule; event_id -1 = it logged none."""
        where = f"WHERE {_STANDS}" if lap is None else f"WHERE {_STANDS} AND s.lap = ?"
        rows = self._connection.execute(
            "SELECT r.reaction_id, r.signal_id, s.lap, s.sign, s.rule, r.check_done, r.cause, r.action, r.result, "
            "r.who, r.at_us, coalesce(r.event_id, -1) FROM reaction r JOIN signal s USING (signal_id) "
            f"{where} ORDER BY r.reaction_id",
            () if lap is None else (lap,),
        ).fetchall()
        return frame(_REACTIONS, rows)
