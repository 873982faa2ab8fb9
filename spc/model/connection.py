"""Can a table of readings tell its factors apart, and if not, which reading would make it so."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Connection", "confounded_factors", "connection"]

Array = NDArray[np.float64]

_SAME = 1e-8  # share of a factor's pattern that no other explains, below which it is not its own


@dataclass(frozen=True, slots=True)
class Connection:
    """How the levels of two factors meet."""

    connected: bool
    groups: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]  # sets of levels that meet only among themselves
    sentence: str  # what would connect them; '' when connected


def connection(first: Sequence[object], second: Sequence[object], *, names: tuple[str, str]) -> Connection:
    """Find the sets of levels of two factors that never meet, and the crossing that would join them.

    Parameters
    ----------
    first, second : sequence, (n,)
        Level of each factor at each reading, such as operator and lap.
    names : tuple of str
        Names of the two factors, for the sentence.

    References
    ----------
    Searle (1987), Linear Models for Unbalanced Data, section 5.3 (connectedness).
    """
    a, b = [str(v) for v in first], [str(v) for v in second]
    if len(a) != len(b):
        raise ValueError(f"`first` and `second` must be of one length, got {len(a)} and {len(b)}")
    parent: dict[tuple[int, str], tuple[int, str]] = {}

    def find(node: tuple[int, str]) -> tuple[int, str]:
        parent.setdefault(node, node)
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node

    for left, right in zip(a, b, strict=True):
        parent[find((0, left))] = find((1, right))
    sets: dict[tuple[int, str], tuple[set[str], set[str]]] = {}
    for node in parent:
        sets.setdefault(find(node), (set(), set()))[node[0]].add(node[1])
    groups = tuple(sorted((tuple(sorted(x)), tuple(sorted(y))) for x, y in sets.values()))
    if len(groups) < 2:
        return Connection(True, groups, "")
    here, there = groups[0], groups[1]
    more = f" and so on for {len(groups)} sets" if len(groups) > 2 else ""
    sentence = (
        f"{names[0]} and {names[1]} cannot be told apart: {names[0]} {', '.join(here[0])} never met {names[1]} "
        f"{', '.join(there[1])}; one lot with {names[0]} {here[0][0]} on {names[1]} {there[1][0]} would join them{more}"
    )
    return Connection(False, groups, sentence)


def confounded_factors(codes: Mapping[str, NDArray[np.int64]], fixed: Array) -> str:
    """Sentence on factors whose components the table cannot tell apart, '' if it can.

    Parameters
    ----------
    codes : mapping of str to ndarray of int64, (n,)
    fixed : (n, p)
        Fixed terms, the mean among them.

    Notes
    -----
    A component is its own if its covariance pattern, the fixed terms taken out, is no mixture of the other patterns and
    of independent readings (Gram matrix of the patterns of full rank).
    """
    n = fixed.shape[0]
    basis = np.linalg.qr(fixed)[0]
    names = list(codes)
    tables = []
    for c in codes.values():
        z = np.zeros((n, int(c.max()) + 1))
        z[np.arange(n), c] = 1.0
        tables.append(z - basis @ (basis.T @ z))
    size = len(names) + 1
    gram = np.empty((size, size))
    for i, z in enumerate(tables):
        for j, w in enumerate(tables):
            gram[i, j] = float(((z.T @ w) ** 2).sum())
        gram[i, -1] = gram[-1, i] = float((z**2).sum())
    gram[-1, -1] = n - basis.shape[1]
    if (np.diag(gram)[:-1] < 1e-9).any():
        k = int(np.argmin(np.diag(gram)[:-1]))
        return f"{names[k]} cannot be told from the known differences taken out first"
    unit = gram / np.sqrt(np.outer(np.diag(gram), np.diag(gram)))
    values, vectors = np.linalg.eigh(unit)
    if values[0] > _SAME:
        return ""
    culprits = [i for i in range(size) if abs(vectors[i, 0]) > 1e-4]
    named = [names[i] for i in culprits if i < len(names)]
    if size - 1 in culprits and len(named) == 1:
        return f"every reading has its own {named[0]}: read some of them twice, then the two can be told apart"
    for first, second in combinations(named, 2):
        met = connection(list(codes[first]), list(codes[second]), names=(first, second))
        if not met.connected:
            return f"{first} and {second} cannot be told apart: each {first} has its own {second}; cross them"
    return (
        f"{' and '.join(named)} cannot be told apart in this table: cross them, so that each meets several of the other"
    )
