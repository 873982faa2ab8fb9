"""An invented lap for tests: half-band readings that grow with age, minutes that depend on the part; all made up."""

import numpy as np
import pandas as pd

from spc.store.frames import EVENTS, FACES, frame
from spc.store.store import Store

DAY_US = 86_400_000_000
START_US = 1_767_603_600_000_000  # 5 January 2026, 09:00 UTC
BAND_UM = 0.2938


def faces_of(lap, n, rng, *, a_day=12, growth=0.0, jump_at=None, jump=1.0, per_cycle=40, start_us=START_US, first_id=1):
    """Faces frame of one lap."""
    i = np.arange(n)
    age = i % per_cycle
    true = 0.8 * np.exp(growth * age + 0.4 * rng.normal(size=n))
    minutes = np.where(i % 2 == 0, 12.0, 18.0) * np.exp(0.12 * rng.normal(size=n))
    if jump_at is not None:
        true[jump_at:] *= jump
        minutes[jump_at:] *= jump
    bands = np.round(true / 0.5) * 0.5
    removed = 0.4 * minutes * np.exp(0.1 * rng.normal(size=n))
    us = start_us + (i // a_day) * DAY_US + (i % a_day) * 1_800_000_000
    columns = {
        "face_id": first_id + i,
        "kind": ["face"] * n,
        "lap": [lap] * n,
        "operator": ["B. Loom"] * n,
        "grit": ["9 um"] * n,
        "grit_um": [9.0] * n,
        "part": np.where(i % 2 == 0, "ring seal", "gauge pin").tolist(),
        "serial": [f"S{k}" for k in i],
        "face": ["A"] * n,
        "attempt": [1] * n,
        "minutes": minutes,
        "time_utc": us,
        "time_text": [pd.Timestamp(int(u), unit="us").isoformat(sep=" ") for u in us],
        "sort_us": us,
        "flatness_low_um": np.maximum(0.0, bands - 0.25) * BAND_UM,
        "flatness_high_um": (bands + 0.25) * BAND_UM,
        "flatness_text": [f"{b:g}" for b in bands],
        "flatness_unit": ["band"] * n,
        "lamp": ["helium"] * n,
        "thickness_before_low_um": 5000.0 + removed - 0.05,
        "thickness_before_high_um": 5000.0 + removed + 0.05,
        "thickness_low_um": np.full(n, 4999.95),
        "thickness_high_um": np.full(n, 5000.05),
        "intake_id": [1] * n,
        "row_number": first_id + i,
        "version": [1] * n,
    }
    blank = {"str": "", "int64": 0, "float64": np.nan, "bool": False}
    return frame(FACES, {c: columns.get(c, [blank.get(kind)] * n) for c, kind in FACES.items()})


def events_of(lap, n, *, per_cycle=40, a_day=12, start_us=START_US):
    """One reconditioning before each cycle."""
    at = [k for k in range(0, n, per_cycle)]
    us = [start_us + (k // a_day) * DAY_US + (k % a_day) * 1_800_000_000 - 60_000_000 for k in at]
    columns = {
        "event_id": list(range(1, len(at) + 1)),
        "lap": [lap] * len(at),
        "event": ["reconditioned"] * len(at),
        "time_utc": us,
        "time_text": [pd.Timestamp(u, unit="us").isoformat(sep=" ") for u in us],
        "sort_us": us,
        "reason": ["planned"] * len(at),
    }
    blank = {"str": "", "int64": 0, "float64": np.nan, "bool": False}
    return frame(EVENTS, {c: columns.get(c, [blank.get(kind)] * len(at)) for c, kind in EVENTS.items()})


LOG = {
    "time": "time_text",
    "lap": "lap",
    "operator": "operator",
    "grit": "grit",
    "part": "part",
    "serial": "serial",
    "face": "face",
    "attempt": "attempt",
    "minutes": "minutes",
    "flatness (bands)": "flatness_text",
    "shape": "shape",
}


def laps_in_use(path, laps, n):
    """Make a store of alike laps that wear, n faces each, with a limit."""
    rng = np.random.default_rng(6)
    with Store.open(path) as store:
        faces = [faces_of(lap, n, rng, growth=0.01, first_id=1 + k * n) for k, lap in enumerate(laps)]
        fill(store, pd.concat(faces, ignore_index=True), pd.concat([events_of(lap, n) for lap in laps]))
        store.set_limit("*", "flatness", upper_um=6 * BAND_UM, upper_text="6 bands", who="QE")
        for lap in laps:
            store.set_lap(lap, material="cast iron", home_grit="9 um", who="QE")
    return path


def fill(store, faces, events):
    """Take the faces in as a log, and type the events."""
    from spc.log.intake import ingest
    from spc.settings import Settings

    log = faces[list(LOG.values())].set_axis(list(LOG), axis=1)
    log["thickness before (um)"] = (faces["thickness_before_low_um"] + 0.05).round(1)
    log["thickness after (um)"] = 5000.0
    settings = Settings(flatness_unit="band", lamp="helium", step_bands=0.5, zero_means="half step", date_order="ymd")
    taken = ingest(store, log.to_csv(index=False).encode(), name="invented.csv", settings=settings, who="test")
    assert (taken.refused, taken.faces, taken.quarantined) == (False, len(faces), 0), taken
    for event in events.to_dict("records"):
        kept = ("lap", "event", "time_text", "reason")
        moment = pd.Timestamp(event["sort_us"], unit="us", tz="UTC")
        store.append_event({k: event[k] for k in kept} | {"time_utc": moment}, who="test")
