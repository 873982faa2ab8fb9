"""A made-up log with repeats: two laps, crossed operators, half-band readings, ten faces read again by two readers."""

from datetime import datetime, timedelta

import numpy as np

from spc.log.intake import ingest
from spc.settings import Settings
from spc.store.store import Store

__all__ = ["BAND_UM", "SETTINGS", "gauge_store", "log_text"]

BAND_UM = 0.29378
SETTINGS = Settings(time_zone="UTC", lamp="helium", step_bands=0.5, zero_means="half step", date_order="ymd")
HEAD = "time,operator,lap,grit um,part number,serial,minutes,flatness (bands),method\n"


def log_text(rng, *, faces=80, confounded=False, repeats=True, sd=0.12, part="R-1"):
    """CSV text; readings in half bands, sd in bands; `confounded` gives each operator a lap alone."""
    start = datetime(2026, 3, 2, 6, 0)
    lines, true = [], []
    for k in range(faces):
        lap = k // 10 % 2
        person = lap if confounded else k % 2
        x = 0.9 * np.exp(0.35 * rng.normal()) + 0.2 * lap
        true.append(x)
        read = _read(x, 0.0, sd, rng)
        when = start + timedelta(hours=0.2 * k)
        lines.append(f"{when:%Y-%m-%d %H:%M},P{person},L{lap},9,{part},S{k},6,{read},optical flat")
    if repeats:
        when = start + timedelta(days=4)
        for person in (0, 1, 0, 1):
            for k in range(10):
                when += timedelta(minutes=3)
                read = _read(true[k], 0.05 * (2 * person - 1), sd, rng)
                lines.append(f"{when:%Y-%m-%d %H:%M},P{person},L{k // 10 % 2},9,{part},S{k},,{read},")
    return HEAD + "\n".join(lines) + "\n"


def gauge_store(path, text, *, limit_um=2 * BAND_UM, part="R-1"):
    """Open a store that holds the log and a limit."""
    store = Store.open(path)
    taken = ingest(store, text.encode(), name="made up.csv", settings=SETTINGS, who="test")
    assert taken.quarantined == 0, taken
    if limit_um is not None:
        store.set_limit(part, "flatness", upper_um=limit_um, upper_text=f"{limit_um:.3g} um", who="test", why="drawing")
    return store


def _read(true, habit, sd, rng):
    steps = max(round((true + habit + sd * float(rng.normal())) / 0.5), 0)
    return f"{steps / 2:g}" if steps else "<0.5"
