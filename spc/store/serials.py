"""A row with the serial number of earlier ones: a double entry, a repeat reading, or a face lapped again."""

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from spc.log.moments import has_clock
from spc.store.coding import listed
from spc.store.frames import NO_ATTEMPT
from spc.store.versions import ANOTHER_ATTEMPT, ANOTHER_PART, COUNTED_AS

__all__ = ["LAPPED_AGAIN_AFTER_US", "Seen", "judge", "seen"]

DOUBLE_WITHIN_US = 10 * 60 * 1_000_000  # common practice, no source
LAPPED_AGAIN_AFTER_US = 12 * 3600 * 1_000_000  # common practice, no source

_COLUMNS = [
    "kind", "attempt", "sort_us", "minutes", "outcome", "operator", "flatness_low_um", "flatness_high_um",
    "finish_low_um",
]  # fmt: skip


@dataclass(slots=True)
class Seen:
    """One row with a serial number, as later rows with the same one are compared with it; settled when admitted."""

    row_id: int  # below 0: row -row_id - 1 of the chunk being admitted
    clock: bool
    counted: bool  # no log said its attempt number: it was counted as another attempt, or as the first of another part
    kind: str
    attempt: int  # NO_ATTEMPT: no log said one
    sort_us: int
    minutes: float
    outcome: str
    operator: str
    values: tuple[float, ...]


def seen(rows: pd.DataFrame, row_ids: Sequence[int]) -> list[Seen]:
    """Give rows, faces columns, as they are compared; `row_ids` has one number per row."""
    clock = has_clock(rows["time_text"]).tolist()
    counted = [COUNTED_AS in said for said in listed(rows["remarks"])]
    columns = [listed(rows[name]) for name in _COLUMNS]
    return [
        Seen(row_id, known, no_log, kind, attempt, sort_us, minutes, outcome, operator, tuple(values))
        for row_id, known, no_log, kind, attempt, sort_us, minutes, outcome, operator, *values in zip(
            row_ids, clock, counted, *columns, strict=True
        )
    ]


def judge(row: Seen, past: list[Seen]) -> tuple[str, int, str]:
    """
    Tell what a row is beside the earlier ones of its serial number, and put it to them unless it is a double.

    Parameters
    ----------
    row : Seen
        Its kind and attempt are set: what a log says of the attempt stands, else it is counted.
    past : list of Seen
        In the order in which they came.

    Returns
    -------
    tuple of (str, int, str)
        'face', 'repeat' or 'double'; the row it is a double of, or -1; the remark on a repeat, or on a face whose
        attempt no log says.
    """
    verdict, other, why = _compare(row, past)
    if verdict == "double":
        return verdict, other, why
    row.kind = verdict
    if verdict == "face":
        row.counted = row.attempt == NO_ATTEMPT and bool(past)
        why = why if row.counted else ""
    row.attempt = _counted_attempt(past, why) if row.counted else max(row.attempt, 1)
    past.append(row)
    return verdict, other, why


def _compare(row: Seen, past: Sequence[Seen]) -> tuple[str, int, str]:
    # A number that was counted may be too high: the serial number may have been used again.
    same = [
        one for one in past if row.attempt in (NO_ATTEMPT, one.attempt) or (one.counted and one.attempt > row.attempt)
    ]
    for one in [*same, *(one for one in past if one.counted and one.attempt == 1)]:  # that may be no first one
        near = one.clock and row.clock and abs(row.sort_us - one.sort_us) <= DOUBLE_WITHIN_US
        if near and _same_values(row, one):
            return "double", one.row_id, ""
    if not same:
        return "face", -1, ""
    last = _before(row, same) if row.clock else same[-1]
    gap = row.sort_us - last.sort_us if row.clock and last.clock else None
    if last.outcome in ("re-lap", "regrind") and (gap is None or gap > 0):
        return "face", -1, f"{ANOTHER_ATTEMPT}: the one before was sent to {last.outcome}"
    lapped = row.minutes == row.minutes and row.minutes > 0
    if gap is not None and (lapped or last.minutes != last.minutes) and abs(gap) > LAPPED_AGAIN_AFTER_US:
        return "face", -1, f"{ANOTHER_PART}: the same serial number, more than 12 hours later"
    differs = last.minutes == last.minutes and row.minutes != last.minutes
    if gap is not None and lapped and differs and gap >= row.minutes * 60_000_000:
        return "face", -1, f"{ANOTHER_ATTEMPT}: other minutes, which fit between the two times"
    if not lapped or differs:
        return "repeat", -1, "a second reading of the same face"
    attempt = "" if row.attempt == NO_ATTEMPT else ", attempt"
    alike = f"its serial number{attempt} and minutes are those of the one before"
    return "repeat", -1, f"a second reading of the same face, as {alike}"


def _before(row: Seen, same: Sequence[Seen]) -> Seen:
    """Give the newest row that is not later, of rows that all are later the oldest: files come in any order."""
    earlier = [one for one in same if one.sort_us <= row.sort_us]
    return max(earlier, key=lambda one: one.sort_us) if earlier else min(same, key=lambda one: one.sort_us)


def _counted_attempt(past: Sequence[Seen], why: str) -> int:
    """Count the attempt number of a face: 1 of another part, else since the last first attempt, which begins a face."""
    if why.startswith(ANOTHER_PART):
        return 1
    begins = max((at for at, one in enumerate(past) if one.kind == "face" and one.attempt == 1), default=0)
    return max(one.attempt for one in past[begins:]) + 1


def _same_values(one: Seen, other: Seen) -> bool:
    def same(a: float, b: float) -> bool:
        return a == b or (a != a and b != b)

    minutes = one.minutes != one.minutes or other.minutes != other.minutes or one.minutes == other.minutes
    pairs = ((one.outcome, other.outcome), (one.operator, other.operator))
    words = all(not a or not b or a == b for a, b in pairs)
    return minutes and words and all(same(a, b) for a, b in zip(one.values, other.values, strict=True))
