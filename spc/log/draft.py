"""The rows of one log while they are being understood: columns by distinct case, reasons and remarks per row."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from spc.log.coded import Coded, Sentences
from spc.log.columns import ColumnUse, FieldSource
from spc.settings import Settings

__all__ = ["Draft", "Picked"]

_MANY = 20_000  # distinct texts beyond which they stay packed until a chunk is asked for


@dataclass(frozen=True, slots=True)
class Picked:
    """One column of the result: `values[codes]`, made only for the rows asked for."""

    codes: NDArray[np.integer]
    values: NDArray[np.generic] | NDArray[np.object_] | pa.Array

    def take(self, rows: slice) -> NDArray[np.generic]:
        """Return the column for some rows."""
        codes = self.codes[rows]
        if isinstance(self.values, pa.Array):
            out = np.empty(len(codes), dtype=object)
            out[:] = pc.take(self.values, pa.array(codes, mask=codes < 0)).to_numpy(zero_copy_only=False)
            out[codes < 0] = ""
            return out
        return np.asarray(self.values[codes])

    def coded(self, rows: slice) -> "NDArray[np.generic] | pd.Categorical":
        """Return the column for some rows, as categories where few texts come many times."""
        if isinstance(self.values, pa.Array) or self.values.dtype != object or len(self.values) > _MANY:
            return self.take(rows)
        merged, texts = pd.factorize(self.values)
        if (merged < 0).any():  # some value is None
            return self.take(rows)
        return pd.Categorical.from_codes(
            merged[self.codes[rows]], categories=pd.Index(texts, dtype=object), validate=False
        )


@dataclass(slots=True)
class Draft:
    """Everything known so far of one log's rows."""

    n: int
    settings: Settings
    decimal: str
    cells: dict[str, Coded]  # by field
    uses: dict[str, ColumnUse]  # by field
    reasons: Sentences
    row_remarks: Sentences
    usable: NDArray[np.bool_]  # rows that are neither blank nor broken
    remarks: list[str] = field(default_factory=list)  # of the whole file
    columns: dict[str, Picked] = field(default_factory=dict)
    days: NDArray[np.bool_] | None = None  # rows that carry but a day; None where no time is read
    times: NDArray[np.bool_] | None = None  # rows that carry a time of day too

    def source(self, name: str) -> FieldSource:
        """How the field's text is to be read."""
        return self.uses[name].source

    def label(self, name: str) -> str:
        """Name the field and the column it came from, for a sentence."""
        header = self.uses[name].header
        plain = header.strip().lower() == name or not header
        return name.replace("_", " ") if plain else f"{name.replace('_', ' ')} (column {header[:60]!r})"

    def blank(self, name: str) -> NDArray[np.bool_]:
        """Per row, whether the field says nothing."""
        return self.cells[name].blank() if name in self.cells else np.ones(self.n, dtype=bool)

    def refuse(self, name: str, codes: NDArray[np.integer], faults: list[str]) -> None:
        """Add each case's fault as a reason of its rows."""
        at = [i for i, f in enumerate(faults) if f]
        if at:
            self.reasons.add(_map(codes, at, len(faults)), [f"{self.label(name)} {faults[i]}" for i in at])

    def remark(self, codes: NDArray[np.integer], texts: list[str]) -> None:
        """Add each case's remark to its rows."""
        at = [i for i, t in enumerate(texts) if t]
        if at:
            self.row_remarks.add(_map(codes, at, len(texts)), [texts[i] for i in at])

    def numbers(self, name: str, read: Callable[[str], float]) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
        """Read a field of numbers: codes, and one float per distinct text (NaN where blank or refused)."""
        if name not in self.cells:
            return np.zeros(self.n, dtype=np.int32), np.array([np.nan])
        codes, values, _ = self.read(name, read)
        return codes, np.array([np.nan if v is None else v for v in values], dtype=float)

    def read(
        self, name: str, read: Callable[[str], object]
    ) -> tuple[NDArray[np.int32], NDArray[np.object_], NDArray[np.object_]]:
        """Read a field's distinct texts once; faults become reasons. Returns codes, values and texts."""
        column = self.cells[name]
        texts = column.objects()
        values, faults = np.empty(len(texts), dtype=object), [""] * len(texts)
        for at, text in enumerate(texts.tolist()):
            if text:
                try:
                    values[at] = read(text)
                except ValueError as error:
                    faults[at] = str(error)
        self.refuse(name, column.codes, faults)
        return column.codes, values, texts

    def text(self, name: str, *, longest: int, as_column: str = "") -> None:
        """Keep a field as text; too long a text is refused."""
        if name not in self.cells:
            return
        column = self.cells[name]
        lengths = np.append(pc.utf8_length(column.texts).to_numpy(zero_copy_only=False), 0)
        long = np.flatnonzero(lengths > longest)
        if len(long):
            faults = [""] * len(lengths)
            for at in long.tolist():
                faults[at] = f"is {lengths[at]:,} characters long; at most {longest} are kept"
            self.refuse(name, column.codes, faults)
        values = column.texts if len(column.texts) > _MANY else column.objects()
        self.columns[as_column or name] = Picked(column.codes, values)


def _map(codes: NDArray[np.integer], at: list[int], n: int) -> NDArray[np.int64]:
    number = np.zeros(n, dtype=np.int64)
    number[at] = np.arange(1, len(at) + 1)
    return np.asarray(number[codes])
