"""Parts whose usual size a lap's charts do not know yet, in words: no face of theirs is judged as another part's."""

from collections.abc import Iterable

import numpy as np

from spc.chart.replay import Replayed
from spc.wear.sign_moves import RECENT_FACES

__all__ = ["new_part_words"]

_SIZES = {"minutes": "lapping time"}


def new_part_words(charts: Iterable[Replayed]) -> tuple[str, ...]:
    """Say which parts among the last faces have no usual size yet, and how they are judged.

    Parameters
    ----------
    charts : iterable of Replayed
        Of one lap, a sign each.

    Returns
    -------
    tuple of str
        A sentence for each such part.
    """
    found: dict[str, list[str]] = {}
    for judged in charts:
        stream, last = judged.stream, max(0, len(judged.stream) - RECENT_FACES)
        if not judged.revisions or np.isnan(judged.z[last:]).all():
            continue
        part = stream.part[last:]
        for name in dict.fromkeys(part[judged.revisions[-1].model.norm.unknown(part)].tolist()):
            found.setdefault(name, []).append(_SIZES.get(stream.sign, stream.sign))
    return tuple(
        f"{name or 'A part without a number'} has no usual {_or(sizes)} here yet: each face of it is put against its "
        "own before."
        for name, sizes in found.items()
    )


def _or(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
