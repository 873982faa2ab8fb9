"""Compares a log that is delivered again with what the store holds of it: what is still there, changed, or gone.

A row is changed when its old content is no longer in the file and a new row stands for the same face or event: the
same serial number within twelve hours, or the same lap, part, operator and time. Any of these may be what was wrong:
else the lap and the time of day tell, where no other row has both; then the place between rows that did not change,
with the time of day, or with the lap where the rows beside it are the same; without serial number and time of day the
lap and the place alone. Of a row dated later than now the time is wrong, so that there too the lap and the place tell.
A row that another log holds in these very words is never told by its place. A row in the very words of an earlier
version, which the log itself has since replaced, is changed back. Words that a person replaced, or a row that a person
withdrew, are still held: the log's old text does not undo what a person decided.

Whether the file is the same log at all is not taken for granted when its rows carry neither serial numbers nor times:
at least half of the rows held of it must be found again.
"""

import json
import sqlite3
from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spc.store.identity import RowKeys

__all__ = [
    "AHEAD_US",
    "Comparison",
    "Earlier",
    "HeldRow",
    "compare_delivery",
    "held_elsewhere",
    "held_rows",
    "held_share",
]

Ids = NDArray[np.int64]
Mask = NDArray[np.bool_]

AHEAD_US = 26 * 3600 * 1_000_000  # a log without a zone may be ahead of the clock by up to this, and be right
SAME_FACE_WITHIN_US = 12 * 3600 * 1_000_000  # common practice, no source


@dataclass(frozen=True, slots=True)
class Earlier:
    """One version that the log itself replaced: its words count as held no longer."""

    row_id: int
    content: int
    correction: int  # the version by which a person had corrected these words, -1 = none


@dataclass(frozen=True, slots=True)
class HeldRow:
    """One current face or event of a log, with the contents that are held of it."""

    first_id: int  # of the face or event
    row_id: int  # -1: withdrawn
    contents: tuple[int, ...]
    identity: int
    row_number: int
    lap: str
    sort_us: int
    earlier: tuple[Earlier, ...] = ()


@dataclass(frozen=True, slots=True)
class Comparison:
    """What a delivery says about the rows held."""

    replaces: dict[int, int]  # place in the delivery -> row of the store that it changes
    gone: int  # rows held that are neither in the delivery nor changed by it
    shift: dict[int, int]  # row number in the delivery -> row number held, for rows found again
    corrections: dict[int, int]  # place in the delivery -> version by which a person had corrected its very words
    renamed: dict[int, int]  # place in the delivery -> row of the store with its very words, read as another face now
    stands: list[int]  # places in words that a person has since corrected or withdrawn, however they are read now


def held_rows(connection: sqlite3.Connection, kind: str, *, source: str, let_go: bool) -> list[HeldRow]:
    """
    Read the current rows of one log, in the order of their row numbers.

    Parameters
    ----------
    connection : sqlite3.Connection
    kind : str
        'face' or 'event'.
    source : str
        The log.
    let_go : bool
        Whether versions that the log itself replaced count as held no longer.

    Returns
    -------
    list of HeldRow
    """
    lap = "(SELECT lap FROM lap_name WHERE id = t.lap_id)" if kind == "face" else "t.lap"
    delivered = (
        f"SELECT t.row_id FROM intake i JOIN {kind} t ON t.row_id BETWEEN i.first_{kind} AND i.last_{kind} "
        f"WHERE i.source = :source AND i.kind = 'log' AND t.{kind}_id IS NULL AND t.intake_id = i.intake_id"
    )
    kinds = "('face', 'repeat')" if kind == "face" else "('event')"
    fixed = (
        "SELECT r.row_id FROM intake i JOIN quarantine q USING (intake_id) JOIN resolution r USING (quarantine_id) "
        f"WHERE i.source = :source AND r.row_kind IN {kinds}"
    )
    first = f"SELECT coalesce({kind}_id, row_id) FROM {kind} WHERE row_id IN ({delivered} UNION {fixed})"
    taken_back = (
        f"EXISTS (SELECT 1 FROM replaced r WHERE r.kind = '{kind}' AND r.old_row_id = t.row_id "
        "AND r.new_row_id IS NULL)"
    )
    rows = connection.execute(
        f"WITH first (id) AS MATERIALIZED ({first}) "
        f"SELECT coalesce({kind}_id, row_id), row_id, content, identity, row_number, {lap}, sort_us, {taken_back} "
        f"FROM {kind} t WHERE row_id IN (SELECT id FROM first) OR {kind}_id IN (SELECT id FROM first) ORDER BY row_id",
        {"source": source},
    )
    held: dict[int, HeldRow] = {}
    versions: dict[int, list[tuple[int, int]]] = {}
    for first_id, row_id, content, identity, row_number, lap_name, sort_us, withdrawn in rows:
        before = held.get(first_id)
        contents = (*before.contents, content) if before else (content,)
        held[first_id] = HeldRow(
            first_id, -1 if withdrawn else row_id, contents, identity, row_number, lap_name, sort_us
        )
        if before:
            versions.setdefault(first_id, [(before.row_id, before.contents[0])]).append((row_id, content))
    if let_go and versions:
        written = _written_by_logs(connection, kind)
        for first_id, rows_of_one in versions.items():
            if held[first_id].row_id > 0:
                contents, earlier = _let_go(rows_of_one, written)
                held[first_id] = replace(held[first_id], contents=contents, earlier=earlier)
    return sorted(held.values(), key=lambda row: row.row_number)


def _written_by_logs(connection: sqlite3.Connection, kind: str) -> tuple[list[int], list[int]]:
    """First and last rows of each log delivery, in their order; what a person replaced stands in none of them."""
    sql = f"SELECT first_{kind}, last_{kind} FROM intake WHERE kind = 'log' AND last_{kind} >= first_{kind}"
    ranges = sorted(connection.execute(f"{sql} ORDER BY 1").fetchall())
    return [first for first, _ in ranges], [last for _, last in ranges]


def _let_go(
    versions: Sequence[tuple[int, int]], written: tuple[list[int], list[int]]
) -> tuple[tuple[int, ...], tuple[Earlier, ...]]:
    """Tell the versions (row_id, content) of one row apart: contents still held, and versions the log replaced."""
    first, last = written
    corrected: set[int] = set()  # contents that a person gave it, also where a delivery put them back
    runs: list[list[tuple[int, int]]] = []  # what a log said, and what persons made of it
    for row_id, content in versions:
        at = bisect_right(first, row_id) - 1
        by_log = at >= 0 and row_id <= last[at] and content not in corrected
        if by_log or not runs:
            runs.append([])
        else:
            corrected.add(content)
        runs[-1].append((row_id, content))
    earlier = [
        Earlier(row_id, content, run[-1][0] if row_id != run[-1][0] else -1)
        for run in runs[:-1]
        for row_id, content in run
    ]
    return tuple(content for _, content in runs[-1]), tuple(earlier)


def held_elsewhere(connection: sqlite3.Connection, kind: str, held: Sequence[HeldRow], identity: Ids) -> set[int]:
    """Give the contents of rows with these identities that are not among those `held` of one log."""
    own = {row.first_id for row in held}
    sql = f"SELECT t.content, coalesce(t.{kind}_id, t.row_id) FROM json_each(?) w JOIN {kind} t ON t.identity = w.value"
    rows = connection.execute(sql, (json.dumps(np.unique(identity).tolist()),))
    return {content for content, first in rows if first not in own}


def held_share(held: Sequence[HeldRow], contents: Ids) -> float:
    """Share of the rows held whose content the delivery holds, 0 to 1; 1 when none are held."""
    return 1.0 if not held else len(_found_again(held, contents)) / len(held)


def compare_delivery(
    held: Sequence[HeldRow], *, keys: RowKeys, row_number: Ids, lap: Sequence[str], sort_us: Ids, clock: Mask,
    now_us: int, reread: bool, elsewhere: Callable[[Ids], Set[int]],
) -> Comparison:  # fmt: skip
    """
    Find the rows of a delivery that change rows held.

    Parameters
    ----------
    held : sequence of HeldRow
    keys : RowKeys
        Of the delivery's rows, each array of shape (n_rows,).
    row_number, sort_us : ndarray of int64, shape (n_rows,)
    lap : sequence of str, length n_rows
    clock : ndarray of bool, shape (n_rows,)
        Which rows carry a time of day.
    now_us : int
        The moment of the delivery; rows held that lie later than `AHEAD_US` after it are dated wrong.
    reread : bool
        Another column map, other settings or a new alias read the delivery: the very words of a row may stand for
        another lap or moment than they did. One that a person corrected stands.
    elsewhere : callable
        Takes identities and gives the contents of such rows that other logs hold: a row in their words is known, and
        its place alone makes it no changed row of this log.

    Returns
    -------
    Comparison
    """
    found = _found_again(held, keys.content)
    gone = [row for at, row in enumerate(held) if at not in found]
    again = set(found.values())
    renamed, stands = _read_otherwise(held, found, keys) if reread else ({}, [])
    shift = {int(row_number[place]): held[at].row_number for at, place in found.items()}
    replaces, corrections = _changed_back(gone, keys.content, again)
    back = set(replaces.values())
    n_gone = len(gone)
    gone = [row for row in gone if row.row_id not in back]
    by_identity: dict[int, list[HeldRow]] = defaultdict(list)
    by_moment: dict[tuple[str, int], list[HeldRow]] = defaultdict(list)
    by_place: dict[int, HeldRow] = {}
    for row in gone:
        by_identity[row.identity].append(row)
        by_moment[row.lap, row.sort_us].append(row)
        by_place.setdefault(row.row_number, row)
    new = [place for place in range(len(keys.content)) if place not in again] if gone else []
    known = elsewhere(keys.identity[new]) if new else set()
    moments = Counter(zip(lap, sort_us.tolist(), strict=True) if gone else ())
    below = _offsets_below(row_number, again, shift) if gone else []
    offset = 0
    for place in range(len(keys.content) if gone else 0):
        number = int(row_number[place])
        if place in again:
            offset = shift[number] - number
            continue
        if place in replaces:
            continue
        old = None
        if not keys.weak[place]:
            near = by_identity.get(int(keys.identity[place]), [])
            old = next((row for row in near if _same_time(row, int(sort_us[place]), bool(clock[place]))), None)
        at = lap[place], int(sort_us[place])
        if old is None and clock[place] and moments[at] == 1 and len(by_moment[at]) == 1:
            old = by_moment[at][0]
        there = by_place.get(number + offset) or by_place.get(number + below[place])
        if old is None and there is not None:
            same_moment = bool(clock[place]) and there.sort_us == at[1]
            misdated = there.sort_us > now_us + AHEAD_US
            weak = bool(keys.weak[place]) and there.identity in there.contents
            told = misdated or weak or _between_the_same(place, again, len(keys.content))
            told = told and int(keys.content[place]) not in known
            old = there if same_moment or (there.lap == at[0] and told) else None
        if old is not None:
            by_identity[old.identity].remove(old)
            by_moment[old.lap, old.sort_us].remove(old)
            if by_place.get(old.row_number) is old:
                del by_place[old.row_number]
        if old is not None and old.row_id > 0:
            replaces[place] = old.row_id
    return Comparison(replaces, n_gone - len(replaces), shift, corrections, renamed, stands)


def _offsets_below(row_number: Ids, again: Set[int], shift: Mapping[int, int]) -> list[int]:
    """Tell for each row how far the next one found again has moved; 0 where none follows."""
    out, offset = [0] * len(row_number), 0
    for place in reversed(range(len(row_number))):
        if place in again:
            number = int(row_number[place])
            offset = shift[number] - number
        out[place] = offset
    return out


def _between_the_same(place: int, again: Set[int], n: int) -> bool:
    """Whether the rows beside a row of a delivery, at least one, are as they were."""
    beside = [one for one in (place - 1, place + 1) if 0 <= one < n]
    return bool(beside) and all(one in again for one in beside)


def _read_otherwise(held: Sequence[HeldRow], found: dict[int, int], keys: RowKeys) -> tuple[dict[int, int], list[int]]:
    """Places of words held that are read as another lap or moment now, with their rows; those that a person settled."""
    renamed, stands = {}, []
    for at, place in found.items():
        row = held[at]
        if row.row_id < 0 or row.contents[-1] != keys.content[place]:
            stands.append(place)
        elif row.identity != keys.identity[place]:
            renamed[place] = row.row_id
    return renamed, stands


def _same_time(row: HeldRow, sort_us: int, clock: bool) -> bool:
    return not clock or abs(row.sort_us - sort_us) <= SAME_FACE_WITHIN_US


def _changed_back(gone: Sequence[HeldRow], contents: Ids, again: set[int]) -> tuple[dict[int, int], dict[int, int]]:
    """Places in the words of an earlier version of a row that is gone: the row each changes, and its correction."""
    by_words: dict[int, list[tuple[HeldRow, Earlier]]] = defaultdict(list)
    for row in gone:
        for content, old in {old.content: old for old in row.earlier}.items():  # the last time it was said so
            by_words[content].append((row, old))
    replaces: dict[int, int] = {}
    corrections: dict[int, int] = {}
    used: set[int] = set()
    for place, content in enumerate(contents.tolist() if by_words else ()):
        if place in again:
            continue
        found = next((one for one in by_words.get(content, ()) if one[0].row_id not in used), None)
        if found is not None:
            row, old = found
            used.add(row.row_id)
            replaces[place] = row.row_id
            if old.correction > 0:
                corrections[place] = old.correction
    return replaces, corrections


def _found_again(held: Sequence[HeldRow], contents: Ids) -> dict[int, int]:
    """Place in `held` -> place in the delivery, each used once, in order."""
    n = min(len(held), len(contents))
    first = np.fromiter((row.contents[0] for row in held), dtype=np.int64, count=len(held))
    same = np.zeros(max(len(held), len(contents)), dtype=bool)
    same[:n] = first[:n] == contents[:n]
    in_place = np.flatnonzero(
        same
    ).tolist()  # rows in the same place first: words that occur twice stay where they were
    found = dict(zip(in_place, in_place, strict=True))
    places: dict[int, list[int]] = defaultdict(list)
    for place in np.flatnonzero(~same[: len(contents)]).tolist()[::-1]:
        places[int(contents[place])].append(place)
    left = Counter({content: len(where) for content, where in places.items()})
    for at in np.flatnonzero(~same[: len(held)]).tolist():
        for content in held[at].contents:
            if left[content]:
                left[content] -= 1
                found[at] = places[content].pop()
                break
    return found
