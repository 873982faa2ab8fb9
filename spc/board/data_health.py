"""What the log itself cannot carry: readings that repeat, heap, stop at the limit, were copied, warm or missing.

A finding never names a person: a reader effect is told as a share, and the reading is widened for what it is.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.log.moments import has_clock
from spc.measure.reading import parse_typed
from spc.measure.shown import typed_words

__all__ = [
    "HealthFinding",
    "check_data_health",
    "heaping_readers",
    "whole_band_counts",
    "widen_readings",
]


@dataclass(frozen=True, slots=True)
class HealthFinding:
    """One thing the readings of a lap cannot be trusted for."""

    # 'identical', 'heaping', 'minutes missing', 'batch typing', 'copied', 'warm', 'too fine', 'zero reading',
    # 'far off', 'zero apart', 'two at once'
    kind: str
    sentence: str
    cure: str
    share: float  # of the readings looked at, 0 to 1
    count: int
    of: int


_LEAST = 12  # readings before a share is worth telling; our own rule
_ALPHA = 0.01
_WARM_K = 2.0  # above 20 degrees C plus what the room does; our own rule
_REFERENCE_C = 20.0  # ISO 1 standard reference temperature
_FAR_TIMES = 20.0  # a reading so many times those around it is asked about; our own rule
_AROUND, _LEAST_AROUND = 4, 4  # readings of the part number on either side, and how many there must be in all

_AT_ONCE = 0.5  # share of the faces that follow one of another log from which two are taken as lapped at once
_AT_ONCE_ANYHOW = 0.1  # share in one log alone up to which its laps take one face at a time; our own rules

_APART_TIMES = 5.0  # the least reading, so many times the most that a 0 stands for; our own rule
_APART_STEPS = 2.0  # and so many times the least step between two others: 0 is not the next below it; our own rule

# Finest flatness each method can tell on a lapped face, micrometres; common practice, no published source.
_FINEST_UM = {"optical flat": 0.02, "indicator": 0.2, "interferometer": 0.002}


def check_data_health(faces: pd.DataFrame, *, last: int = 0) -> tuple[HealthFinding, ...]:
    """Check the readings of one lap.

    Parameters
    ----------
    faces : DataFrame, shape (n_rows, ...)
        Faces frame of one lap in order.
    last : int, default 0
        Look at the newest so many rows only, and say so where there are more; 0 = all.

    Returns
    -------
    tuple of HealthFinding
        Gravest first; empty when nothing was found.

    Notes
    -----
    Whether final flatness is cut off at the limit is told by `spc.wear.lead_sign.choose_lead_sign`.
    """
    newest = faces.iloc[-last:]
    own, of_last = newest[newest["kind"] == "face"], "the last " if len(newest) < len(faces) else ""
    findings = (
        _two_at_once(own),
        _far_off(own),
        _identical(own),
        _heaping(own, of_last),
        _copied(own, of_last),
        _batch_typing(own, of_last),
        _missing_minutes(own, of_last),
        _warm(own, of_last),
        _too_fine(own, of_last),
        _zero(own, of_last),
        _zero_apart(own, of_last),
    )
    return tuple(f for f in findings if f is not None)


def whole_band_counts(faces: pd.DataFrame) -> dict[str, tuple[int, int]]:
    """Count each reader's whole-band readings, and all of theirs that could tell less than a band.

    Parameters
    ----------
    faces : DataFrame, shape (n_faces, ...)
        Faces frame; rows in bands are looked at, reader by reader.
    """
    whole, one_band, _ = _whole_bands(faces)
    names = faces["operator"].to_numpy()
    return {
        str(names[rows[0]]): (int(whole[rows].sum()), int(rows.size))
        for rows in _by_reader(faces, np.isfinite(one_band))
        if rows.size
    }


def heaping_readers(counts: Iterable[Mapping[str, tuple[int, int]]]) -> frozenset[str]:
    """Name the readers who give whole bands only, from the counts of `whole_band_counts` of some laps together."""
    total: dict[str, tuple[int, int]] = {}
    for one in counts:
        for reader, (whole, of) in one.items():
            before = total.get(reader, (0, 0))
            total[reader] = before[0] + whole, before[1] + of
    return frozenset(reader for reader, (whole, of) in total.items() if _heaps(whole, of))


def widen_readings(faces: pd.DataFrame, readers: Collection[str]) -> pd.DataFrame:
    """Let every whole-band reading of these readers span half a band either way, from 0 up; gives a copy.

    Parameters
    ----------
    faces : DataFrame, shape (n_faces, ...)
        Faces frame.
    readers : collection of str
        From `heaping_readers`.

    Returns
    -------
    DataFrame, shape (n_faces, ...)
    """
    whole, one_band, step = _whole_bands(faces)
    widen = whole & faces["operator"].isin(readers).to_numpy()
    low, high = faces["flatness_low_um"].to_numpy(np.float64), faces["flatness_high_um"].to_numpy(np.float64)
    extra = np.where(widen, np.maximum(0.5 * one_band - step / 2, 0.0), 0.0)
    return faces.assign(flatness_low_um=np.maximum(low - extra, 0.0), flatness_high_um=high + extra)


def _whole_bands(faces: pd.DataFrame) -> tuple[NDArray[np.bool_], NDArray[np.float64], NDArray[np.float64]]:
    """Whether each reading stands on a whole band, one band in micrometres, the step; NaN where it cannot be told."""
    codes, texts = pd.factorize(faces["flatness_text"])
    typed = np.array([*map(_typed_value, texts), np.nan])[codes]  # a missing text has the last place
    low, high = faces["flatness_low_um"].to_numpy(np.float64), faces["flatness_high_um"].to_numpy(np.float64)
    bands = (faces["flatness_unit"] == "band").to_numpy() & (typed > 0) & np.isfinite(high) & (low > 0)
    one_band = np.where(bands, (low + high) / 2 / np.where(typed > 0, typed, 1.0), np.nan)
    return bands & (np.abs(typed - np.round(typed)) < 1e-9), one_band, high - low


def _typed_value(text: str) -> float:
    """Read the number a cell holds, fractions such as 1½ too; NaN for a range, a bound or a word."""
    try:
        typed = parse_typed(text.replace(",", "."))
    except ValueError:
        return float("nan")
    return float(typed.low) if typed.kind == "value" else float("nan")


def _by_reader(faces: pd.DataFrame, usable: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    readers = pd.factorize(faces["operator"])[0]
    return [np.flatnonzero(usable & (readers == r)) for r in range(int(readers.max(initial=-1)) + 1)]


def _heaps(whole: int, of: int) -> bool:
    """Whether whole bands come far oftener than half of the time, the share a half-band reader would give."""
    return of >= _LEAST and bool(_at_least(whole, of, 0.65) < _ALPHA)  # 0.65 allows for where the faces lie


def _heaping(own: pd.DataFrame, of_last: str) -> HealthFinding | None:
    whole, one_band, step = _whole_bands(own)
    finer = np.isfinite(one_band) & (step < 0.9 * one_band)
    readers = [rows for rows in _by_reader(own, finer) if rows.size >= _LEAST]
    heaping = [rows for rows in readers if _heaps(int(whole[rows].sum()), rows.size)]
    if not heaping:
        return None
    count, of = sum(int(whole[r].sum()) for r in heaping), sum(r.size for r in heaping)
    give = "gives" if len(heaping) == 1 else "give"
    text = (
        f"{len(heaping)} of {len(readers)} readers {give} whole bands almost only ({count:,} of {of_last}{of:,} of "
        "those readings), so these readings count as plus or minus half a band."
    )
    cure = "A short gauge study tells whether halves can be read here."
    return HealthFinding("heaping", text, cure, count / of, count, of)


def _identical(own: pd.DataFrame) -> HealthFinding | None:
    read = own["flatness_low_um"].notna()
    texts, units = own["flatness_text"][read].to_numpy(), own["flatness_unit"][read].to_numpy()
    if texts.size < _LEAST:
        return None
    last = texts[-_LEAST:]
    if len(set(last)) > 1:
        return None
    run = int(np.argmax(np.append(texts[::-1] != last[0], True)))
    unit = str(units[-1]) if len(set(units[-run:])) == 1 else ""
    text = f"The last {run:,} flatness readings all say {typed_words(str(last[0]), unit)}."
    cure = (
        "The step may be too coarse, the value copied, or the face lapped until it reads so: chart minutes and passes."
    )
    return HealthFinding("identical", text, cure, run / texts.size, run, int(texts.size))


def _two_at_once(own: pd.DataFrame) -> HealthFinding | None:
    """Ask about faces of one log that were lapped while another log has another face on the same lap."""
    timed = own[has_clock(own["time_text"]) & (own["minutes"] > 0)].sort_values("sort_us", kind="stable")
    log = timed["intake_id"].to_numpy(np.int64)

    def at_once(rows: pd.DataFrame) -> NDArray[np.bool_]:  # whether the time of a face be its start or its end
        minutes = rows["minutes"].to_numpy(np.float64)
        apart_us = np.diff(rows["sort_us"].to_numpy(np.int64))
        return np.asarray(apart_us < np.minimum(minutes[1:], minutes[:-1]) * 60e6, dtype=np.bool_)

    across = np.diff(log) != 0
    both = across & at_once(timed)
    count, of = int(both.sum()), int(across.sum())
    if count < _LEAST or count < _AT_ONCE * of:
        return None
    alone = np.concatenate([at_once(rows) for _, rows in timed.groupby("intake_id", sort=False)])
    if alone.mean() > _AT_ONCE_ANYHOW:
        return None
    text = (
        f"{count:,} times two logs have a face on this lap at once: the same faces may be written in both, or two laps "
        "go by one name."
    )
    cure = (
        "Of the same faces write the serial numbers in both logs, by which a second reading is known; name two laps "
        "apart in a column map (values of columns.lap). Then take the logs in again."
    )
    return HealthFinding("two at once", text, cure, count / of, count, of)


def _far_off(own: pd.DataFrame) -> HealthFinding | None:
    """Ask about readings tens of times those around them, part by part: a decimal mark or a unit may be wrong."""
    rows = np.flatnonzero(own["flatness_high_um"].notna() & np.isfinite(own["flatness_high_um"]))
    low, high = (own[name].to_numpy(np.float64) for name in ("flatness_low_um", "flatness_high_um"))
    parts = own["part"].to_numpy()
    far: list[tuple[int, float]] = []
    for part in pd.unique(parts[rows]):
        of = rows[parts[rows] == part]
        for at in np.flatnonzero(low[of] >= _FAR_TIMES * float(np.median(high[of]))).tolist():
            around = np.concatenate((of[max(0, at - _AROUND) : at], of[at + 1 : at + 1 + _AROUND]))
            usual = float(np.median(high[around])) if around.size >= _LEAST_AROUND else 0.0
            if 0 < usual <= low[of[at]] / _FAR_TIMES:
                middle = float(np.median((low + high)[around]))
                far.append((int(of[at]), float((low + high)[of[at]]) / middle))
    if not far:
        return None
    newest, times = max(far)
    row = own.iloc[newest]
    when = f"at {row['time_text']}" if row["time_text"] else f"in row {row['row_number']} of its log"
    more = f" ({len(far) - 1} more like it before)" if len(far) > 1 else ""
    text = (
        f"The flatness of {typed_words(str(row['flatness_text']), str(row['flatness_unit']))} {when} is about "
        f"{float(f'{times:.1g}'):,.0f} times that of the faces around it{more}: look at its decimal mark and unit."
    )
    cure = (
        "If it was mistyped: the lap page corrects the newest face; one that came in a file is put right there, and "
        "the file is taken in again."
    )
    return HealthFinding("far off", text, cure, len(far) / rows.size, len(far), int(rows.size))


def _copied(own: pd.DataFrame, of_last: str) -> HealthFinding | None:
    """Rows whose minutes, flatness and finish all equal the row before, far oftener than by chance."""
    full = own[own["minutes"].notna() & own["flatness_low_um"].notna()]
    if len(full) < _LEAST:
        return None
    fields = [full["minutes"], full["flatness_text"], full["finish_text"], full["thickness_text"]]
    codes = np.stack([pd.factorize(f)[0] for f in fields])
    same = (codes[:, 1:] == codes[:, :-1]).all(axis=0)
    share = np.unique(codes, axis=1, return_counts=True)[1] / codes.shape[1]
    by_chance = float(np.sum(share**2))
    count, of = int(same.sum()), int(same.size)
    if count < 3 or _at_least(count, of, by_chance) >= _ALPHA:
        return None
    text = (
        f"{count:,} of {of_last}{of:,} rows repeat every value of the row before (minutes, flatness, finish, "
        f"thickness); about {by_chance * of:.0f} would by chance."
    )
    return HealthFinding("copied", text, "Ask whether values are typed per face or filled down.", count / of, count, of)


def _batch_typing(own: pd.DataFrame, of_last: str) -> HealthFinding | None:
    timed = own[has_clock(own["time_text"])]  # faces of one day share no time
    if len(timed) < _LEAST:
        return None
    run = (timed["sort_us"].diff() != 0).cumsum()
    size = run.map(run.value_counts()).to_numpy()
    count = int(np.sum(size >= 3))
    if count < 3:
        return None
    text = f"{count:,} of {of_last}{len(timed):,} faces share one time with two or more others: typed in one go."
    cure = "Their order is kept; nothing is computed from the time between them."
    return HealthFinding("batch typing", text, cure, count / len(timed), count, len(timed))


def _missing_minutes(own: pd.DataFrame, of_last: str) -> HealthFinding | None:
    missing, of = int((~(own["minutes"] > 0)).sum()), len(own)
    if of < _LEAST or missing / of < 0.1:
        return None
    text = f"Minutes are missing on {missing:,} of {of_last}{of:,} faces ({missing / of:.0%})."
    cure = "Missing is not zero: pace and removal rate are told from the others only."
    return HealthFinding("minutes missing", text, cure, missing / of, missing, of)


def _warm(own: pd.DataFrame, of_last: str) -> HealthFinding | None:
    known = own["temperature_c"].dropna()
    if len(known) == 0:
        return None
    room = min(float(known.median()), _REFERENCE_C + _WARM_K)
    count = int((known > room + _WARM_K).sum())
    if count == 0:
        return None
    text = (
        f"{count:,} of {of_last}{len(known):,} readings were taken more than {_WARM_K:g} K above {room:.1f} degrees C."
    )
    cure = "A face read warm reads false: let it cool on an iron plate and read it again."
    return HealthFinding("warm", text, cure, count / len(known), count, len(known))


def _too_fine(own: pd.DataFrame, of_last: str) -> HealthFinding | None:
    finest = own["method"].map(_FINEST_UM).to_numpy(np.float64)
    low, high = own["flatness_low_um"].to_numpy(np.float64), own["flatness_high_um"].to_numpy(np.float64)
    known = np.isfinite(finest) & np.isfinite(high)
    fine = known & (high < finest) & (low >= 0)
    if not fine.any():
        return None
    method = own["method"].to_numpy()[np.flatnonzero(fine)[0]]
    count, of = int(fine.sum()), int(known.sum())
    finest_text = f"{method}: about {_FINEST_UM[method]:g} um"
    text = f"{count:,} of {of_last}{of:,} flatness readings are finer than the method can tell ({finest_text})."
    return HealthFinding("too fine", text, "Check unit and method of those rows.", count / of, count, of)


def _zero(own: pd.DataFrame, of_last: str) -> HealthFinding | None:
    high = own["flatness_high_um"]
    read = high.notna()
    count, of = int((high[read] == 0).sum()), int(read.sum())
    if count == 0:
        return None
    text = f"{count:,} of {of_last}{of:,} flatness readings are exactly 0, which no method can tell."
    cure = "State the reading step, so that 0 becomes 'below the step'."
    return HealthFinding("zero reading", text, cure, count / of, count, of)


def _zero_apart(own: pd.DataFrame, of_last: str) -> HealthFinding | None:
    """Ask about readings typed 0 that stand far below all others: 0 may have been typed for what was not measured."""
    told, count, of = [], 0, 0
    for name in ("flatness", "finish", "thickness_before", "thickness"):
        low, high = (own[f"{name}_{end}_um"].to_numpy(np.float64) for end in ("low", "high"))
        codes, texts = pd.factorize(own[f"{name}_text"])
        zero = np.array([*map(_typed_value, texts), np.nan])[codes] == 0
        rest = low[~zero & np.isfinite(low)]
        if not (zero & (low == 0)).any() or rest.size < _LEAST or rest.min() < _APART_TIMES * high[zero].max():
            continue
        steps = np.diff(np.unique(rest.round(9)))
        if steps.size and rest.min() < _APART_STEPS * steps.min():
            continue
        count, of = count + int(zero.sum()), of + rest.size + int(zero.sum())
        told.append(
            f"{int(zero.sum()):,} of {of_last}{rest.size + int(zero.sum()):,} readings of {name.replace('_', ' ')}"
        )
    if not told:
        return None
    are = "is" if count == 1 else "are"
    text = f"{' and '.join(told)} {are} 0, and no other comes near it: 0 may stand for what was not measured."
    cure = (
        "Leave such a cell blank and take the log in again: a flatness or finish of 0 counts as below the reading "
        "step, and only of a thickness is it taken as missing."
    )
    return HealthFinding("zero apart", text, cure, count / of, count, of)


def _at_least(count: int, n: int, share: float) -> float:
    """Binomial chance of `count` or more of `n`."""
    from scipy.special import bdtrc

    return 1.0 if count <= 0 else float(bdtrc(count - 1, n, share))
