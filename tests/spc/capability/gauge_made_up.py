"""Made-up gauge studies with known spreads."""

import numpy as np

from spc.capability.gauge_readings import gauge_readings

__all__ = ["made_up"]


def made_up(rng, *, faces=10, readers=2, repeats=2, sd=0.2, reader_sd=0.0, step=0.5, median=1.0, log_sd=0.5):
    """Faces lognormal, readers offset, readings rounded to the step (0 = exact)."""
    true = median * np.exp(log_sd * rng.normal(size=faces))
    offset = reader_sd * rng.normal(size=readers)
    f = np.repeat(np.arange(faces), readers * repeats)
    r = np.tile(np.repeat(np.arange(readers), repeats), faces)
    x = true[f] + offset[r] + sd * rng.normal(size=f.size)
    if step == 0:
        return gauge_readings(f.tolist(), [f"reader {k}" for k in r], np.maximum(x, 0))
    read = np.maximum(np.round(x / step), 0) * step
    return gauge_readings(
        f.tolist(), [f"reader {k}" for k in r], np.maximum(read - step / 2, 0), read + step / 2
    )  # fmt: skip
