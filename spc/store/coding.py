"""Columns as distinct values and one code per row, whatever array they come in: str, object, number or category."""

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["coded", "hashed", "listed", "said", "texts_of"]

_STR: Any = pd.Series(
    [], dtype="str"
).dtype  # looked up once: finding a type by its name costs more than a short column


def coded(column: "pd.Series[Any]") -> tuple[NDArray[np.int64], Any]:
    """
    Split a column into codes and distinct values.

    Parameters
    ----------
    column : pandas.Series, shape (n_rows,)

    Returns
    -------
    tuple of (ndarray of int64 with shape (n_rows,), array of distinct values)
    """
    if isinstance(column.dtype, pd.CategoricalDtype):
        return np.asarray(column.cat.codes, dtype=np.int64), column.cat.categories.to_numpy(dtype=object)
    if column.dtype == "str":
        codes, values = pd.factorize(column.array)
    else:
        plain = column.to_numpy()
        if plain.dtype != object and len(plain) and (plain == plain[0]).all():
            return np.zeros(len(plain), dtype=np.int64), plain[:1]
        codes, values = pd.factorize(plain)
    return np.asarray(codes, dtype=np.int64), values


def hashed(column: "pd.Series[Any]") -> NDArray[np.uint64]:
    """Hash the text of each row; the same text gives the same hash in any process and from any kind of array."""
    if not isinstance(column.dtype, pd.CategoricalDtype):
        return pd.util.hash_array(column.to_numpy(dtype=object), categorize=False)
    codes, values = coded(column)
    return pd.util.hash_array(values, categorize=False)[codes]


def texts_of(values: Sequence[str]) -> pd.api.extensions.ExtensionArray:
    """Make a text column of Python strings."""
    if len(values) == 1:
        return _text_of(values[0]).copy()
    column: pd.api.extensions.ExtensionArray = pd.array(values, dtype=_STR)
    return column


@lru_cache(maxsize=512, typed=True)
def _text_of(value: str) -> pd.api.extensions.ExtensionArray:
    """Make a column of one text: a row typed into a form has two dozen of them, most of them blank."""
    column: pd.api.extensions.ExtensionArray = pd.array([value], dtype=_STR)
    return column


def listed(column: "pd.Series[Any]") -> list[Any]:
    """Give the values as Python objects."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        categories = column.cat.categories.to_numpy(dtype=object)
        return list(categories[column.cat.codes.to_numpy()].tolist())
    return list(column.tolist())


def said(column: "pd.Series[Any]") -> NDArray[np.bool_]:
    """Per row, whether a text column says anything."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return np.asarray(column.cat.categories != "", dtype=bool)[column.cat.codes.to_numpy()]
    return np.asarray(column.to_numpy(dtype=object) != "", dtype=bool)
