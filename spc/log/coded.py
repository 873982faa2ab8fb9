"""A text column as distinct texts and one code per row, so that each distinct text is understood only once."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

__all__ = ["Coded", "Sentences", "as_written", "constant", "joined"]

_UNSEEN = "[\u00ad\u200b\u2060\ufeff]"  # soft hyphen, and spaces and joints without width
_SPACES = "[\u00a0\u2007\u2009\u202f]"  # that do not break, or are narrow: programs write them for a plain one


Codes = NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Coded:
    """One text column; texts have their ends trimmed."""

    codes: Codes  # (n_rows,), index into `texts`, -1 where the row could not be split into columns
    texts: pa.Array  # distinct texts

    def objects(self) -> NDArray[np.object_]:
        """Distinct texts as Python strings, with '' at the end for code -1."""
        out = np.empty(len(self.texts) + 1, dtype=object)
        out[:-1] = self.texts.to_numpy(zero_copy_only=False)
        out[-1] = ""
        return out

    def blank(self) -> NDArray[np.bool_]:
        """Per row: is the cell empty or the row not split."""
        empty = np.append(np.asarray(pc.equal(self.texts, "").to_numpy(zero_copy_only=False), dtype=bool), True)
        return np.asarray(empty[self.codes], dtype=bool)


class Sentences:
    """Sentences gathered per row: rows with the same set share one text, so a million rows cost a few objects."""

    def __init__(self, n_rows: int) -> None:
        self.keys: NDArray[np.int64] = np.zeros(n_rows, dtype=np.int64)
        self.sets: list[tuple[str, ...]] = [()]

    def add(self, codes: NDArray[np.integer], texts: Sequence[str]) -> None:
        """Add `texts[code - 1]` to every row whose code is above 0; an empty text adds nothing."""
        if not len(codes) or not codes.any():
            return
        key = self.keys * (len(texts) + 1) + codes
        self.keys, found = pd.factorize(key)
        sets = []
        for one in found:
            at, code = divmod(int(one), len(texts) + 1)
            sets.append((*self.sets[at], texts[code - 1]) if code and texts[code - 1] else self.sets[at])
        self.sets = sets

    def add_where(self, mask: NDArray[np.bool_], text: str) -> None:
        """Add one sentence to the rows of `mask`."""
        self.add(mask.astype(np.int64), [text])

    def any(self) -> NDArray[np.bool_]:
        """Per row: is there a sentence."""
        return np.asarray(np.array([bool(s) for s in self.sets], dtype=bool)[self.keys], dtype=bool)

    def texts(self, rows: slice) -> NDArray[np.object_]:
        """Per row of `rows`, the sentences joined by '; '."""
        out = np.empty(len(self.sets), dtype=object)
        out[:] = ["; ".join(s) for s in self.sets]
        return np.asarray(out[self.keys[rows]], dtype=object)


def as_written(column: Coded) -> Coded:
    """Give a column as a reader sees it: a letter and its accent one sign, plain spaces, nothing that nobody sees."""
    if pc.all(pc.string_is_ascii(column.texts)).as_py() is not False:
        return column
    texts = pc.replace_substring_regex(pc.utf8_normalize(column.texts, form="NFC"), pattern=_UNSEEN, replacement="")
    texts = pc.replace_substring_regex(texts, pattern=_SPACES, replacement=" ")
    return Coded(column.codes, pc.utf8_trim_whitespace(texts))


def constant(text: str, n_rows: int) -> Coded:
    """One text in every row."""
    return Coded(np.zeros(n_rows, dtype=np.int32), pa.array([text.strip()], pa.string()))


def joined(parts: Sequence[Coded], separator: str) -> Coded:
    """Several columns joined into one text per row, empty parts left out."""
    if len(parts) == 1:
        return parts[0]
    key = np.zeros(len(parts[0].codes), dtype=np.int64)
    for part in parts:
        key = key * (len(part.texts) + 1) + part.codes + 1
    codes, found = pd.factorize(key)
    texts, rest = [], found.copy()
    columns = []
    for part in reversed(parts):
        rest, code = np.divmod(rest, len(part.texts) + 1)
        columns.append(part.objects()[code - 1])
    for cells in zip(*reversed(columns), strict=True):
        texts.append(separator.join(c for c in cells if c))
    return Coded(codes.astype(np.int32), pa.array(texts, pa.string()))
