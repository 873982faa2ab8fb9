"""What was taken in: the deliveries with their counts, those of a form counted from the rows typed into it."""

import sqlite3

import pandas as pd

from spc.store.frames import INTAKES, frame

__all__ = ["deliveries"]

# A form writes its delivery with the first row typed into it, and goes on; a correction is no row of the form.
_TYPED = """
SELECT intake_id, sum(what = 'face'), sum(what = 'repeat'), sum(what = 'event') FROM (
    SELECT f.intake_id, h.kind AS what FROM face f JOIN hand h ON h.id = f.hand_id WHERE f.version = 1
    UNION ALL SELECT intake_id, 'event' FROM event WHERE version = 1
) WHERE intake_id IN (SELECT intake_id FROM intake WHERE kind = 'form') GROUP BY intake_id
"""


def deliveries(connection: sqlite3.Connection) -> pd.DataFrame:
    """Every delivery taken in, oldest first; columns and types as `spc.store.frames.INTAKES`."""
    names = ", ".join("at_us" if name == "at" else name for name in INTAKES)
    table = frame(INTAKES, connection.execute(f"SELECT {names} FROM intake ORDER BY intake_id").fetchall())
    if not (table["kind"] == "form").any():
        return table
    typed = pd.DataFrame(connection.execute(_TYPED).fetchall(), columns=["intake_id", "faces", "repeats", "events"])
    counts = typed.set_index("intake_id").assign(rows=lambda t: t.sum(axis=1))
    at = table.index[table["intake_id"].isin(counts.index)]
    table.loc[at, counts.columns] = counts.loc[table.loc[at, "intake_id"]].to_numpy()
    return table
