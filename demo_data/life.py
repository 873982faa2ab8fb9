"""Four months of the invented cell, face by face, from one seed: how its laps wear and what its people write down."""

from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta

import numpy as np

from demo_data.cell import FIRST_DAY, LAPS, LAST_DAY, OPERATORS, PARTS, SEED, DemoLap, DemoPart, Operator

__all__ = ["CellLife", "Event", "Face", "live"]

BAND_UM = 0.29378  # half the helium wavelength 587.56 nm
SHIFT_STARTS = {"early": time(6, 0), "late": time(14, 0)}
WARM_DAY = date(2026, 5, 20)  # the room warms in the late shift: every lap reads worse, none has changed

# The planted stories, each with the working day on which it begins.
HOLLOW_LAP, HOLLOW_FROM, HOLLOW_AFTER_FACES, HOLLOW_FACTOR = "CI-2", date(2026, 6, 19), 12, 2.25
HEALTHY_LAP, HEALTHY_FROM = "CU-1", date(2026, 6, 18)
GLAZED_LAP, GLAZED_FROM = "DI-1", date(2026, 6, 23)
DIRTY_WASH_LAP, DIRTY_WASH_FROM = "CE-1", datetime(2026, 6, 26, 6, 0)
FRESH_STARTS = {
    HOLLOW_LAP: HOLLOW_FROM,
    HEALTHY_LAP: HEALTHY_FROM,
    GLAZED_LAP: date(2026, 6, 12),
    "CE-1": date(2026, 6, 10),
}


@dataclass(frozen=True, slots=True)
class Face:
    """One logged pass on one face: what happened and what was written."""

    start: datetime
    end: datetime
    shift: str
    operator: str
    lap: str
    grit_um: float
    part: str
    serial: str
    attempt: int
    minutes: float
    before_mm: float
    after_mm: float
    reading: str
    unit: str
    shape: str
    method: str
    ra_um: float
    outcome: str
    temperature_c: float
    note: str
    true_bands: float  # what nobody in the cell knows; helium bands


@dataclass(frozen=True, slots=True)
class Event:
    """One logged event of a lap."""

    when: datetime
    lap: str
    event: str
    operator: str
    reason: str = ""
    planned: str = ""
    method: str = ""
    minutes: str = ""
    shape: str = ""
    before_um: str = ""
    after_um: str = ""
    note: str = ""


@dataclass(slots=True)
class _Lap:
    spec: DemoLap
    rate: float = 0.0
    start_bow: float = 0.0
    wear: float = 0.0
    age: int = 0
    since_charge: int = 0
    cut: float = 1.0
    recent: list[float] = field(default_factory=list)
    fresh_on: date | None = None


@dataclass(frozen=True, slots=True)
class CellLife:
    """Everything the cell wrote down, in order of time."""

    faces: tuple[Face, ...]
    events: tuple[Event, ...]


def live(seed: int = SEED) -> CellLife:
    """Run the cell from its first to its last day; the same seed gives the same log to the last character."""
    rng = np.random.default_rng(seed)
    laps = {spec.lap: _Lap(spec) for spec in LAPS}
    faces: list[Face] = []
    events: list[Event] = []
    serials = dict.fromkeys(PARTS, 0)
    day = FIRST_DAY
    while day <= LAST_DAY:
        if day.weekday() < 5:
            for shift in SHIFT_STARTS:
                _shift(day, shift, laps, serials, faces, events, rng)
        day += timedelta(days=1)
    order = sorted(range(len(faces)), key=lambda i: faces[i].end)
    return CellLife(tuple(faces[i] for i in order), tuple(sorted(events, key=lambda e: e.when)))


def _shift(
    day: date,
    shift: str,
    laps: dict[str, _Lap],
    serials: dict[str, int],
    faces: list[Face],
    events: list[Event],
    rng: np.random.Generator,
) -> None:
    people = [o for o in OPERATORS if o.shift == shift]
    clocks = {o.name: datetime.combine(day, SHIFT_STARTS[shift]) + timedelta(minutes=15) for o in people}
    for name in rng.permutation(list(laps)):
        lap = laps[str(name)]
        if day < lap.spec.since:
            continue
        if lap.spec.lap == "CI-3" and date(2026, 4, 13) <= day < date(2026, 4, 27):
            continue  # resting: swapped out for two weeks
        person = min(people, key=lambda o: clocks[o.name])
        now = clocks[person.name]
        if lap.rate == 0.0:
            _fresh(lap, rng)
            events.append(Event(now - timedelta(minutes=5), lap.spec.lap, "charged", person.name, note="first charge"))
        now = _care(day, now, lap, person, events, rng)
        count = int(rng.poisson(lap.spec.faces_per_shift))
        part = PARTS[lap.spec.parts[int(rng.integers(len(lap.spec.parts)))]]
        for _ in range(count):
            serials[part.part] += 1
            now = _face(now, shift, person, lap, part, serials[part.part], faces, rng)
        clocks[person.name] = now


def _fresh(lap: _Lap, rng: np.random.Generator) -> None:
    lap.rate = lap.spec.wear_bands * float(rng.lognormal(0.0, 0.25))
    lap.start_bow = float(rng.normal(0.0, 0.06))
    lap.wear, lap.age, lap.since_charge, lap.recent, lap.cut = 0.0, 0, 0, [], 1.0


def _care(
    day: date, now: datetime, lap: _Lap, person: Operator, events: list[Event], rng: np.random.Generator
) -> datetime:
    spec = lap.spec
    limit = min(PARTS[p].flatness_bands for p in spec.parts)
    worn = len(lap.recent) >= 5 and float(np.mean(lap.recent[-5:])) > 0.86 * limit
    planned = spec.planned_after is not None and lap.age >= spec.planned_after
    story = FRESH_STARTS.get(spec.lap)
    fresh_start = story == day and lap.fresh_on != day
    held_back = story is not None and day > story  # the story's cycle runs to the end of the demonstration
    if fresh_start or (not held_back and (worn or planned)):
        paper = spec.material == "paper on plate"
        before = lap.start_bow + lap.rate * lap.wear
        took = int(rng.integers(5, 9)) if paper else int(rng.integers(20, 60)) * (2 if "ring" in spec.kind else 1)
        method = "fresh paper" if paper else "rings" if "ring" in spec.kind else "three-plate"
        events.append(
            Event(
                now,
                spec.lap,
                "reconditioned",
                person.name,
                reason="worn" if worn and not fresh_start else "planned",
                planned="no" if worn and not fresh_start else "yes",
                method=method,
                minutes=str(took),
                shape="" if paper else "concave" if before > 0 else "convex",
                before_um="" if paper else f"{abs(before) * BAND_UM:.2f}",
                after_um="" if paper else f"{abs(float(rng.normal(0, 0.05))) * BAND_UM + 0.02:.2f}",
            )
        )
        now += timedelta(minutes=took)
        _fresh(lap, rng)
        lap.fresh_on = day
        if not paper:
            events.append(Event(now, spec.lap, "charged", person.name))
            now += timedelta(minutes=6)
    elif lap.since_charge >= spec.recharge_after and spec.material != "paper on plate":
        kind = "dressed" if spec.material == "diamond-impregnated" else "recharged"
        if not (spec.lap == GLAZED_LAP and day >= GLAZED_FROM):  # nobody dressed it: that is the story
            events.append(Event(now, spec.lap, kind, person.name))
            now += timedelta(minutes=4)
            lap.since_charge, lap.cut = 0, 1.0
    if spec.lap == DIRTY_WASH_LAP and now.date() == DIRTY_WASH_FROM.date() and now.hour < 12:
        wash = now - timedelta(minutes=4)
        events.append(
            Event(wash - timedelta(minutes=25), "PP-1", "cleaned", person.name, "routine", note="wash tank 2")
        )
        events.append(Event(wash, spec.lap, "cleaned", person.name, "routine", note="wash tank 2"))
    return now


def _face(
    now: datetime,
    shift: str,
    person: Operator,
    lap: _Lap,
    part: DemoPart,
    number: int,
    faces: list[Face],
    rng: np.random.Generator,
) -> datetime:
    spec = lap.spec
    glazed = spec.lap == GLAZED_LAP and now.date() >= GLAZED_FROM
    scratched_lap = spec.lap == DIRTY_WASH_LAP and now >= DIRTY_WASH_FROM
    warm = now.date() == WARM_DAY and shift == "late"
    before_mm = part.thickness_mm + 0.012 + float(rng.normal(0.0, 0.002))
    serial = f"{number:05d}"
    for attempt in (1, 2, 3):
        if glazed:
            lap.cut *= 0.975
        rate = spec.rate_um_min * lap.cut * (1.0 - 0.012 * lap.since_charge) * float(rng.lognormal(0.0, 0.10))
        usual = part.minutes * (1.0 if attempt == 1 else 0.6)
        minutes = usual / max(lap.cut * (1.0 - 0.012 * lap.since_charge), 0.2) * float(rng.lognormal(0.0, 0.10))
        after_mm = before_mm - rate * minutes / 1000.0
        bow = lap.start_bow + lap.rate * lap.wear + float(rng.normal(0.0, 0.10 * max(1.0, spec.form_bands)))
        spread = float(rng.lognormal(0.0, 0.22 if spec.material != "paper on plate" else 0.10))
        flat_bands = spec.form_bands * spread * (0.85 if attempt > 1 else 1.0) + max(abs(bow) - 0.1, 0.0)
        flat_bands += 0.6 if warm else 0.0
        ra_um = spec.ra_um * float(rng.lognormal(0.0, 0.10))
        ra_um *= 0.85 if glazed else 1.0
        scratch = rng.random() < (0.55 if scratched_lap else 0.006)
        ra_um *= 2.1 if scratched_lap else 1.0
        reading, unit, shown_bands = _write(flat_bands, spec, person, rng)
        if attempt == 1:
            lap.recent.append(shown_bands)
        over = shown_bands > part.flatness_bands or ra_um > part.ra_um or scratch
        outcome = ("re-lap" if attempt < 3 else "regrind") if over else "ok"
        end = now + timedelta(minutes=round(minutes))
        faces.append(
            Face(
                start=now,
                end=end,
                shift=shift,
                operator=person.name,
                lap=spec.lap,
                grit_um=spec.grit_um,
                part=part.part,
                serial=serial,
                attempt=attempt,
                minutes=round(minutes, 1),
                before_mm=round(before_mm, 4),
                after_mm=round(after_mm, 4),
                reading=reading,
                unit=unit,
                shape="convex" if bow > 0.15 else "concave" if bow < -0.15 else "",
                method={"bands": "optical flat", "um": "interferometer"}[spec.reads]
                if spec.material != "paper on plate"
                else "indicator",
                ra_um=round(ra_um, 3),
                outcome=outcome,
                temperature_c=round(20.5 + float(rng.normal(0.0, 0.3)) + (5.5 if warm else 0.0), 1),
                note="random deep scratch" if scratch else "",
                true_bands=flat_bands,
            )
        )
        before_mm = after_mm
        lap.since_charge += 1
        now = end + timedelta(minutes=float(rng.integers(3, 7)))
        if not over:
            break
    extra = (
        HOLLOW_FACTOR if spec.lap == HOLLOW_LAP and now.date() >= HOLLOW_FROM and lap.age >= HOLLOW_AFTER_FACES else 1.0
    )
    if spec.lap == HEALTHY_LAP and now.date() >= HEALTHY_FROM:
        extra = 0.8
    lap.wear += part.wear * extra
    lap.age += 1
    return now


def _write(bands: float, spec: DemoLap, person: Operator, rng: np.random.Generator) -> tuple[str, str, float]:
    if spec.reads == "um":
        step = 0.5 if spec.material == "paper on plate" else 0.01
        value = round(round(bands * BAND_UM / step) * step, 2)
        return f"{value:.1f}" if step == 0.5 else f"{value:.2f}", "um", value / BAND_UM
    step = 1.0 if person.whole_bands_only else 0.5
    value = round(bands / step) * step
    if value == 0.0:
        return ("<1" if person.whole_bands_only else "<0.5"), "bands", 0.25
    if not person.whole_bands_only and rng.random() < 0.02:
        return f"{max(value - 0.5, 0.5):g}-{value + 0.5:g}", "bands", value
    text = f"{value:g}"
    if person.writes_fractions and value % 1 == 0.5:
        text = f"{int(value)}½" if value > 1 else "½"
    return text, "bands", value
