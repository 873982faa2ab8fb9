"""Names told in a row: one that could be read as two stands in quotation marks."""

import re
from collections.abc import Iterable

__all__ = ["name_list"]

_AS_TWO = re.compile(r"[,;]|\band\b")


def name_list(names: Iterable[str], *, more: str = "") -> str:
    """Return names as a list in words.

    Parameters
    ----------
    names : iterable of str
    more : str, default ''
        What is said after the names, '4 more'.

    Returns
    -------
    str
        'A, B and C'; 'A and "B, old"'; '' for none.
    """
    told = [f'"{name}"' if _AS_TWO.search(name) else name for name in names] + [more] * bool(more)
    return f"{', '.join(told[:-1])} and {told[-1]}" if len(told) > 1 else "".join(told)
