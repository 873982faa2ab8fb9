"""Limits of the laps as frozen in the store: freeze a revision, list and show them, play a past day again.

A revision judges from its own moment on. A later revision may not begin before what has been judged already, so the
past is never drawn again.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from spc.board.cell_view import counted_until_us
from spc.board.false_calls import BudgetPlan, plan_budget
from spc.board.stream_memory import basis_frozen
from spc.chart.baseline import REDRAWN, Analysis, RulesInUse, analyse, fingerprint_of, model_from_json, model_to_json
from spc.chart.need import Need, need_of_revision
from spc.chart.replay import ChartSignal, Replayed, Revision, digest_of, replay, signals_of
from spc.chart.stream import SIGNS, stream_of
from spc.log.moments import shown_time, with_shown_times
from spc.settings import Settings
from spc.store.known_then import Known, known_when_closed, known_when_frozen, rows_since
from spc.store.registers import Baseline
from spc.store.store import Store
from spc.wear.cycle import number_cycles

__all__ = [
    "DayReplay",
    "Freezing",
    "ShownRevision",
    "NOT_FROZEN",
    "OF_THE_CYCLE",
    "budget_of_cell",
    "freeze_limits",
    "iso_of",
    "judges_words",
    "moment_us",
    "numbered_faces",
    "replay_day",
    "replayed_lap",
    "revision_of",
    "rules_of",
    "show_revision",
]

WEEK_US = 7 * 86_400_000_000
_FIRST_DAY_US = 86_400_000_000  # of 1970: where faces without times stand
# Charts of the running cycle as a whole, and why no limits of theirs are frozen.
OF_THE_CYCLE = ("wear", "re-lap share")
NOT_FROZEN = (
    "The wear and re-lap charts have nothing to freeze: they judge the running cycle by the past cycles of the lap "
    "under its grit, and a cycle that has ended takes no more faces. What is usual moves only when a cycle ends, its "
    "rows are corrected or a question about it is answered. A slow change from cycle to cycle becomes usual that way; "
    "the flatness chart shows it where it is judged by frozen limits."
)
BUDGET_WEEKS = 8  # of the newest faces, from which the points a week are counted [our choice]


@dataclass(frozen=True, slots=True)
class Freezing:
    """What came of asking to freeze limits."""

    status: str  # 'frozen', 'doubtful' (nothing frozen: say that you know) or 'refused'
    analysis: Analysis
    revision: int  # 0 = nothing frozen
    valid_from: str  # ISO
    sentence: str


@dataclass(frozen=True, slots=True)
class ShownRevision:
    """One frozen revision with what the store says of its data today."""

    record: Baseline
    revision: Revision
    same_data: bool  # the readings of the list are, to the last bit, those it was frozen from
    changed: str  # '' or a sentence
    need: Need | None  # only for the newest revision


@dataclass(frozen=True, slots=True)
class DayReplay:
    """The signals of one day, as the limits valid then give them."""

    day: str  # ISO date, or the two moments
    signals: tuple[ChartSignal, ...]
    faces: int  # judged that day
    unjudged: int  # readings of that day on which no limits were valid
    since: int  # faces of that day or before that were corrected or came in later: they do not count here
    digest: str  # SHA-256 over the signals: equal digests are equal days
    sentence: str


def numbered_faces(
    store: Store, *, lap: str | None = None, until_us: int | None = None, part: str | None = None
) -> pd.DataFrame:
    """Faces with their clocks, up to and not including `until_us`; `part` narrows after counting."""
    numbered = number_cycles(store.faces(lap=lap, until_us=until_us), store.events(lap=lap))
    return numbered if part is None else numbered[numbered["part"] == part]


def budget_of_cell(store: Store, settings: Settings) -> BudgetPlan:
    """Widths of all charts from the cell's false-call budget and its points a week.

    Points are counted over the eight weeks before the newest face: one per reading of each sign of each lap.
    """
    counted_us = counted_until_us(settings)
    newest = store.faces(last=1, until_us=counted_us)
    if newest.empty:
        return plan_budget([], false_calls_per_week=settings.false_calls_per_week)
    until = int(newest["sort_us"].iloc[0])
    faces = store.faces(since_us=until - BUDGET_WEEKS * WEEK_US, until_us=counted_us)
    faces = faces[faces["kind"] == "face"].assign(first_pass=faces["attempt"] <= 1)
    faces = faces.assign(age_faces=0.0, faces_since_charge=1.0, cycle=1, stream=1)
    span = max(1.0, (until - int(faces["sort_us"].min())) / WEEK_US) if len(faces) else 1.0
    points = [
        len(stream_of(of_lap, lap=str(lap), sign=sign)) / span for lap, of_lap in faces.groupby("lap") for sign in SIGNS
    ]
    return plan_budget(
        points,
        false_calls_per_week=settings.false_calls_per_week,
        room_tests_per_week=7.0 * max(1, len(settings.shifts)),
    )


def rules_of(plan: BudgetPlan) -> RulesInUse:
    """Widths of a plan in the form that is frozen; refuses a plan that has none."""
    if plan.widths is None:
        raise ValueError(f"no limits can be set: {plan.sentence}")
    w = plan.widths
    return RulesInUse(w.alpha, w.weight, w.average_limit_z, w.points_between, w.sees_one_sd, w.sees_two_sd)


def freeze_limits(
    store: Store,
    settings: Settings,
    *,
    lap: str,
    sign: str,
    who: str,
    why: str,
    since_us: int | None = None,
    until_us: int | None = None,
    last: int | None = None,
    excluded: Mapping[int, str] | None = None,
    knowingly: bool = False,
    valid_from_us: int | None = None,
    guarantee: bool = False,
) -> Freezing:
    """Analyse a closed list of faces and freeze its limits as a new revision.

    Parameters
    ----------
    store : Store
    settings : Settings
    lap, sign : str
    who, why : str
        Both must be said.
    since_us, until_us : int, optional
        The list: readings from `since_us` up to, not including, `until_us`.
    last : int, optional
        Only the newest so many readings of that stretch.
    excluded : mapping of face id to cause, optional
    knowingly : bool
        Freeze although the analysis has doubts; they are kept with the revision.
    valid_from_us : int, optional
        Default: just after the last face of the list for a first revision, just after the newest face for a later one.
    guarantee : bool
        Widen the limit; see `spc.chart.baseline.analyse`.

    Returns
    -------
    Freezing

    Raises
    ------
    ValueError
        If `who` or `why` is empty, the lap is unknown, the sign has nothing to freeze, or the revision would judge
        again what has been judged.
    """
    if sign in OF_THE_CYCLE:
        raise ValueError(NOT_FROZEN)
    if not who.strip() or not why.strip():
        raise ValueError("`who` and `why` must be said: frozen limits are signed and explained")
    before = store.baselines(lap=lap, sign=sign)
    basis = basis_frozen(before, lap, sign)
    counted = with_shown_times(numbered_faces(store, lap=lap, until_us=counted_until_us(settings)), settings)
    stream = stream_of(counted, lap=lap, sign=sign, basis=basis)
    if len(stream) == 0:
        raise ValueError(f"no readings of {SIGNS[sign].words} on lap {lap!r}; check the name with `lapcell laps`")
    keep = np.ones(len(stream), dtype=bool)
    if since_us is not None:
        keep &= stream.sort_us >= since_us
    if until_us is not None:
        keep &= stream.sort_us < until_us
    if last is not None:
        keep &= np.cumsum(keep[::-1])[::-1] <= last
    listed = stream.where(keep)
    analysis = analyse(
        listed, rules_of(budget_of_cell(store, settings)), excluded=excluded, redrawn=REDRAWN, guarantee=guarantee
    )
    if analysis.model is None:
        return Freezing("refused", analysis, 0, "", analysis.sentence)
    if analysis.status == "doubtful" and not knowingly:
        return Freezing("doubtful", analysis, 0, "", f"Nothing frozen: {'; '.join(analysis.doubts)}.")
    last_judged = stream if before else listed
    earliest = int(last_judged.sort_us[-1]) + 1
    begins = earliest if valid_from_us is None else valid_from_us
    if begins < earliest:
        raise ValueError(
            f"`valid_from` must be after {'the newest face judged' if before else 'the last face of the list'} "
            f"({iso_of(earliest - 1)}), got {iso_of(begins)}: what has been judged is not judged again"
        )
    facts = {
        "valid_from_us": begins,
        "after_face": int(last_judged.face_id[-1]) if begins == earliest else 0,
        "remarks": list(analysis.remarks),
    }
    model = model_to_json(analysis.model) | facts
    record = store.freeze_baseline(
        lap=lap, sign=sign, model=model, fingerprint=analysis.model.fingerprint, who=who, why=why,
        valid_from=iso_of(begins),
    )  # fmt: skip
    judges = judges_words(revision_of(record), settings.time_zone)
    sentence = f"Revision {record.revision} frozen: {analysis.sentence}; judges {judges}."
    return Freezing("frozen", analysis, record.revision, record.valid_from, sentence)


def show_revision(store: Store, *, lap: str, sign: str, number: int | None = None) -> ShownRevision:
    """Show one revision (default: the newest) and whether its data are still what it was frozen from.

    Raises
    ------
    ValueError
        If there is no such revision.
    """
    records = store.baselines(lap=lap, sign=sign)
    wanted = records[-1:] if number is None else [r for r in records if r.revision == number]
    if not wanted:
        which = "no limits are frozen" if not records else f"revisions 1 to {len(records)} are frozen"
        raise ValueError(f"for lap {lap!r} and {sign!r} {which}, got revision {number or 'newest'}")
    record = wanted[0]
    revision = revision_of(record)
    basis = revision.model.basis
    stream = stream_of(numbered_faces(store, lap=lap), lap=lap, sign=sign, basis=basis)
    listed = stream.where(np.isin(stream.face_id, revision.model.face_ids))
    same = fingerprint_of(listed) == record.fingerprint
    changed = ""
    if not same:
        missing = len(revision.model.face_ids) - len(listed)
        changed = "readings of the list were corrected since it was frozen" + (
            f" ({missing} no longer count)" if missing else ""
        )
    need = None
    if record.revision == records[-1].revision:
        judged = replay(stream, (revision,))
        signalling = int(np.count_nonzero(judged.beyond | judged.drifting))
        since = stream.where(judged.revision > 0)
        need = need_of_revision(listed, since, revision.model, signalling=signalling)
    return ShownRevision(record, revision, same, changed, need)


def replayed_lap(numbered: pd.DataFrame, revisions: tuple[Revision, ...], *, lap: str, sign: str) -> Replayed:
    """Judge all readings of one sign of one lap by the limits valid at their time."""
    basis = revisions[0].model.basis if revisions else None
    return replay(stream_of(numbered, lap=lap, sign=sign, basis=basis), revisions)


def replay_day(
    store: Store,
    *,
    since_us: int,
    until_us: int,
    day: str = "",
    lap: str | None = None,
    sign: str | None = None,
    as_corrected: bool = False,
) -> DayReplay:
    """Play a stretch of the past again: same faces, limits valid then, same signals.

    Parameters
    ----------
    store : Store
    since_us, until_us : int
        Faces from `since_us` up to, not including, `until_us`, microseconds since 1970.
    day : str, optional
        How the stretch is called.
    lap, sign : str, optional
        Only this lap, this sign.
    as_corrected : bool, default False
        Judge the faces as the log gives them today, corrections and late rows included.

    Notes
    -----
    Each lap is judged on its log as it stood when the stretch was over: when its first later face was written, or the
    limits were frozen if that came after. What was logged, corrected or taken back since then changes nothing.
    """
    records = store.baselines(lap=lap, sign=sign)
    charts = sorted({(r.lap, r.sign) for r in records})
    signals: list[ChartSignal] = []
    faces = unjudged = 0
    numbered: dict[tuple[str, Known | None], pd.DataFrame] = {}
    late: dict[str, int] = {}
    for name, what in charts:
        own = [r for r in records if (r.lap, r.sign) == (name, what)]
        known = None if as_corrected else _known_then(store, name, what, own, until_us)
        if (name, known) not in numbered:
            numbered[name, known] = _numbered_then(store, name, until_us, known)
        if known is not None:
            found = rows_since(store.connection, lap=name, until_us=until_us, known=known)
            late[name] = max(late.get(name, 0), found)
        judged = replayed_lap(numbered[name, known], tuple(revision_of(r) for r in own), lap=name, sign=what)
        of_day = judged.stream.sort_us >= since_us
        faces += int(np.count_nonzero(of_day & (judged.revision > 0)))
        unjudged += int(np.count_nonzero(of_day & (judged.revision == 0)))
        signals += signals_of(judged, since_us=since_us, until_us=until_us)
    signals.sort(key=lambda s: (s.sort_us, s.lap, s.sign, s.rule))
    called, since = day or f"{iso_of(since_us)} to {iso_of(until_us)}", sum(late.values())
    told = "1 signal" if len(signals) == 1 else f"{len(signals):,} signals"
    read = "1 judged reading" if faces == 1 else f"{faces:,} judged readings"
    sentence = f"{called}: {told} from {read}" + (f"; on {unjudged:,} no limits were valid" if unjudged else "")
    if since:
        some = ("1 face", "was", "does") if since == 1 else (f"{since:,} faces", "were", "do")
        sentence += "; {} of that day or before {} corrected or came in later and {} not count here".format(*some)
    if not charts:
        sentence = f"{called}: no limits are frozen, so nothing was judged."
    return DayReplay(called, tuple(signals), faces, unjudged, since, digest_of(tuple(signals)), sentence)


def _known_then(store: Store, lap: str, sign: str, records: list[Baseline], until_us: int) -> Known | None:
    """Find the later of two points: the log had passed the stretch, the limits that judge it were frozen."""
    points = [known_when_closed(store.connection, lap=lap, until_us=until_us)]
    points += [
        known_when_frozen(store.connection, lap=lap, sign=sign, revision=r.revision)
        for r in records
        if int(r.model["valid_from_us"]) < until_us
    ]
    known = [point for point in points if point is not None]
    return max(known) if len(known) == len(points) else None


def _numbered_then(store: Store, lap: str, until_us: int, known: Known | None) -> pd.DataFrame:
    """Faces of a lap with their clocks, as the record held them at that point; None = as it holds them today."""
    if known is None:
        return numbered_faces(store, lap=lap, until_us=until_us)
    faces = store.face_table.as_known(lap=lap, until_us=until_us, known=known)
    return number_cycles(faces, store.event_table.as_known(lap=lap, known=known))


def moment_us(text: str, zone: str = "") -> int:
    """Microseconds since 1970 of an ISO date or moment; without a zone of its own it is read in `zone`, else as UTC."""
    from zoneinfo import ZoneInfo

    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(
            f"`moment` must be an ISO date or time like 2026-03-04 or 2026-03-04T14:30, got {text!r}"
        ) from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=ZoneInfo(zone) if zone else UTC)
    return round((moment - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds() * 1e6)


def iso_of(us: int) -> str:
    """ISO moment, UTC, of microseconds since 1970."""
    return pd.Timestamp(us, unit="us", tz="UTC").isoformat()


def judges_words(revision: Revision, zone: str) -> str:
    """Say from where on a revision judges: a moment, or a face where the log carries no times."""
    if revision.valid_from_us < _FIRST_DAY_US and revision.after_face:
        return f"faces after face {revision.after_face}"
    return f"faces from {shown_time(revision.valid_from_us, zone)} on"


def revision_of(record: Baseline) -> Revision:
    """Read a stored record back as the revision that judges."""
    data = {k: v for k, v in record.model.items() if k not in ("valid_from_us", "after_face", "remarks")}
    return Revision(
        record.revision,
        int(record.model["valid_from_us"]),
        model_from_json(data),
        int(record.model.get("after_face", 0)),
    )
