"""Names of laps that differ in capitals, blanks, dashes or dots only: one lap written in several ways, it may be."""

import re
from collections.abc import Iterable, Sequence

from spc.log.name_list import name_list

__all__ = ["are_they_one", "laps_written_alike"]


def laps_written_alike(names: Iterable[str]) -> list[tuple[str, ...]]:
    """Group the names that may be one name, two or more in each group.

    Parameters
    ----------
    names : iterable of str

    Returns
    -------
    list of tuple of str
        'CI-1', 'CI 1', 'ci1' go together; 'K1-1' and 'K11' do not: between two digits a sign parts two numbers.
    """
    groups: dict[str, list[str]] = {}
    for name in names:
        plain = re.sub(r"[\W_]+", "-", name.casefold()).strip("-")
        groups.setdefault(re.sub(r"(?<!\d)-|-(?!\d)", "", plain), []).append(name)
    return [tuple(group) for group in groups.values() if len(group) > 1]


def are_they_one(names: Sequence[str]) -> str:
    """Ask whether laps of such names are one.

    Parameters
    ----------
    names : sequence of str, length 2 or more
    """
    return (
        f"{name_list(names)} are written alike and taken as {len(names)} laps. Are they one? Then "
        "approve the other ways of writing it with `lapcell laps alias` and take the log in again; if not, describe "
        "each with `lapcell laps set`."
    )
