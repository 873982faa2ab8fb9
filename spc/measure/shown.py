"""The unit a length is said in, and sentences brought from micrometres into it."""

import re
from dataclasses import dataclass

__all__ = ["ShownLength", "said_in"]

_NUMBER = r"\d[\d,]*(?:\.\d+)?(?:e[+-]\d+)?"
_LENGTH = re.compile(
    rf"(?<![\w.,])(?<!grit )(?:(?P<first>{_NUMBER})(?P<join> to | and ))?(?P<last>{_NUMBER}) um(?![\w/])(?! grit)"
)


@dataclass(frozen=True, slots=True)
class ShownLength:
    """The unit a length is said in."""

    name: str  # 'bands', 'um' or 'uin'
    um_per_unit: float


def said_in(text: str, unit: ShownLength) -> str:
    """Say the lengths of a sentence about form, written in micrometres, in the unit shown; grit stays as it is.

    Parameters
    ----------
    text : str
        'half of the faces at 0.294 um or under, from 0.147 to 0.441 um'.
    unit : ShownLength

    Notes
    -----
    Only for sentences whose lengths are all of form (flatness, parallelism, squareness) or of grit.
    """
    if unit.name == "um":
        return text
    return _LENGTH.sub(lambda found: _said(found, unit), text)


def _said(found: re.Match[str], unit: ShownLength) -> str:
    first, join = found["first"], found["join"] or ""
    if first is None:
        last = _other(found["last"], unit)
        return f"{last} band" if (last, unit.name) == ("1", "bands") else f"{last} {unit.name}"
    between = join == " to " or found.string[: found.start()].endswith("between ")
    return f"{_other(first, unit) if between else first}{join}{_other(found['last'], unit)} {unit.name}"


def _other(number: str, unit: ShownLength) -> str:
    value = float(number.replace(",", "")) / unit.um_per_unit
    return f"{value:,.0f}" if value >= 1000 else f"{value:.3g}"
