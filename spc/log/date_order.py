"""Which of the numbers of a date is day, month or year, where the way of writing leaves it open."""

from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

__all__ = ["DASHED_SHORT", "DOTTED", "LONG_YEAR", "SLASHED_SHORT", "decide_order"]

LONG_YEAR, DOTTED, SLASHED_SHORT, DASHED_SHORT = 1, 2, 3, 4  # 3/4/2026, 3.4.26, 3/4/26, 3-4-26


def decide_order(
    part: dict[str, NDArray[Any]], open_order: NDArray[np.int8], known: NDArray[np.bool_], faults: list[str],
    texts: pa.Array, date_order: str,
) -> str:  # fmt: skip
    """
    Put day, month and year in place; where nothing decides them, fault the text.

    Parameters
    ----------
    part : dict of str to ndarray, each of shape (n,)
        Of each text: 'a', 'b' and 'Y' as they stand one after the other; 'Y', 'M', 'D' are filled in.
    open_order : ndarray of int8, shape (n,)
        How a date whose order is open is written, 0 = none; set to 0 where the year stands in front.
    known : ndarray of bool, shape (n,)
        Texts that are dates; set to False where the order stays open.
    faults : list of str, length n
        Half sentences, filled in.
    texts : pyarrow.Array
        As typed.
    date_order : {"", "dmy", "mdy", "ymd"}
        As the map or the site states it; '' = only what the texts themselves prove.

    Returns
    -------
    str
        How the order was decided, '' where nothing had to be.
    """
    if not open_order.any():
        return ""
    year_first = _put_year_first(part, open_order, known, faults, texts, date_order)
    a, b = part["a"], part["b"]
    dotted = open_order == DOTTED
    slashed = (open_order > 0) & ~dotted
    day_first, month_first = slashed & (a > 12) & (b <= 12), slashed & (b > 12) & (a <= 12)
    remark = "dates with dots are day first" if dotted.any() else ""
    order = date_order if date_order in ("dmy", "mdy") else ""
    if slashed.any() and not order:
        if day_first.any() != month_first.any():
            order = "dmy" if day_first.any() else "mdy"
            sample = texts[int(np.flatnonzero(day_first if day_first.any() else month_first)[0])].as_py()
            remark = f"dates are {'day' if order == 'dmy' else 'month'} first: {sample} proves it"
        elif day_first.any():
            remark = "dates come day first and month first in this file; only those that can be read one way are taken"
    # A date that only one order makes possible is taken as that where nothing is stated.
    first = dotted | (slashed & ((order == "dmy") | ((order == "") & day_first)))
    second = slashed & ((order == "mdy") | ((order == "") & month_first))
    part["D"][first], part["M"][first] = a[first], b[first]
    part["D"][second], part["M"][second] = b[second], a[second]
    same = slashed & ~first & ~second & (a == b)
    part["D"][same], part["M"][same] = a[same], b[same]
    for row in np.flatnonzero(slashed & ~first & ~second & ~same).tolist():
        text = texts[row].as_py()
        possible = 1 <= a[row] <= 31 and 1 <= b[row] <= 31 and min(a[row], b[row]) <= 12
        faults[row] = (
            f"could be day first or month first: {text!r}; set date_order in the settings or the column map"
            if possible
            else f"is no possible date: {text!r}"
        )
        known[row] = False
    return "; ".join(said for said in (year_first, remark) if said)


def _put_year_first(
    part: dict[str, NDArray[Any]], open_order: NDArray[np.int8], known: NDArray[np.bool_], faults: list[str],
    texts: pa.Array, date_order: str,
) -> str:  # fmt: skip
    """Find the dates with a short year in front and put them in place; nothing of their order is then open."""
    a, b, last = part["a"], part["b"], part["Y"] - 2000
    dashed = open_order == DASHED_SHORT
    remark = ""
    if date_order == "ymd":
        first = dashed | (open_order == SLASHED_SHORT)
    elif date_order or not dashed.any():
        return ""
    else:
        can = dashed & (b >= 1) & (b <= 12) & (last >= 1) & (last <= 31)
        must = can & ((a < 1) | (a > 31))
        spans = [int(np.ptp(values[dashed])) for values in (a, last)]  # of a log, years differ least
        if spans[1] <= 1 < spans[0] and not must.any():
            return ""
        first = can if spans[0] <= 1 < spans[1] else must
        if first.any():
            sample = texts[int(np.flatnonzero(first)[0])].as_py()
            remark = f"dates such as {sample} are year first, as their first number changes least"
        for row in np.flatnonzero(can & ~first).tolist():
            faults[row] = (
                f"could have the day or the year in front: {texts[row].as_py()!r}; set date_order in the settings or "
                "the column map"
            )
            known[row], open_order[row] = False, 0
    part["Y"][first], part["M"][first], part["D"][first] = 2000 + a[first].astype(np.int16), b[first], last[first]
    open_order[first] = 0
    return remark
