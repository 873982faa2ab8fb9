"""What a person calls a cause: the table's own name for it, or their own words, said to be so."""

import difflib
import re
from collections.abc import Sequence

from spc.board.cause_table import CAUSES, UNKNOWN
from spc.board.results import Cause

__all__ = ["NOT_A_READING", "NOT_FOUND", "SOMETHING_ELSE", "cause_cured_by", "cause_meant", "short_words"]

NOT_FOUND = "not found"  # counted as unknown
NOT_A_READING = ("bad wipe", "bad reading")  # strike the reading out
SOMETHING_ELSE = "something else: "  # before a cause in a person's own words

_ALIKE = 0.75  # letters in common from which a word is taken for a slip of the pen [our choice]
_LEAST_LETTERS = 4  # of a name, from which its beginning stands for it [our choice]


def cause_meant(words: str) -> str:
    """Give the name under which a finding is counted.

    Parameters
    ----------
    words : str
        A cause of the table, its words on a button, the beginning of either, a word that one cause alone has, 'not
        found', 'bad wipe' or 'bad reading'; capitals and slips of the pen make no difference. 'something else: ...' is
        kept as it is.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        If it is like none of them, or like several; the sentence lists all.
    """
    asked = " ".join(words.split())
    if asked.casefold().startswith(SOMETHING_ELSE.strip()):
        own = asked[len(SOMETHING_ELSE.strip()) :].strip()
        if not own:
            raise ValueError("`cause` must say in words what else it was: 'something else: spilt paste'")
        return SOMETHING_ELSE + own
    known = {name: name for name in (NOT_FOUND, *NOT_A_READING)} | {UNKNOWN: NOT_FOUND}
    for cause in CAUSES:
        if cause.name != UNKNOWN:
            known |= {cause.name.casefold(): cause.name, cause.short.casefold(): cause.name}
    folded = asked.casefold()
    if folded in known:
        return known[folded]
    words_of = {key: re.findall(r"\w+", key) for key in known}
    begun_or_held = {name for key, name in known.items() if key.startswith(folded) or folded in words_of[key]}
    told = begun_or_held if len(folded) >= _LEAST_LETTERS else set()
    if len(told) == 1:
        return told.pop()
    near = difflib.get_close_matches(folded, known, n=1, cutoff=_ALIKE)
    if near and not told:
        return known[near[0]]
    names = "; ".join((*(c.name for c in CAUSES if c.name != UNKNOWN), *NOT_A_READING, NOT_FOUND))
    raise ValueError(
        f"`cause` must be one of: {names}; got {words!r}. What none of them is: 'something else: ' and your own words"
    )


def short_words(cause: str) -> str:
    """Words on a button for a cause; one that the table does not know stands by its own."""
    return next((c.short for c in CAUSES if c.name == cause), cause)


def cause_cured_by(event: str, causes: Sequence[Cause], *, default: str) -> str:
    """Which of the likely causes, the likeliest first, an event puts right.

    Parameters
    ----------
    event : str
        'recharged' or 'reconditioned'.
    causes : sequence of Cause
        From a lap's report.
    default : str
        Where it is none of them.

    Returns
    -------
    str
        Name of a cause.
    """
    cured = {c.name for c in CAUSES if event in c.cured_by}
    return next((c.name for c in causes if c.name in cured), default)
