"""What `lapcell forecast` is asked: its columns, its limit, and how far along the clock it may read."""

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spc.log.wear_table import WearColumns

__all__ = ["columns_asked", "moment_asked"]


def columns_asked(options: dict[str, Any]) -> "WearColumns":
    """Say which columns hold what: the options, before what a map says.

    Raises
    ------
    ValueError
        If the map cannot be read, or the limit is none.
    """
    from spc.log.wear_map import load_wear_columns
    from spc.log.wear_table import WearColumns

    columns = load_wear_columns(options["map_path"]) if options["map_path"] else WearColumns()
    given: dict[str, Any] = {
        k: options[k] for k in ("clock", "clock_kind", "wear", "clock_unit", "limit_column") if options[k]
    }
    if options["unit"]:
        given["unit"] = tuple(options["unit"])
    if options["covariate"]:
        given["covariates"] = tuple(options["covariate"])
    if options["falls"] is not None:
        given["falls"] = options["falls"]
    if options["decimal"]:
        given["file"] = dict(columns.file) | {"decimal": options["decimal"]}
    if options["limit"]:
        given |= _limit_option(*options["limit"])
    return replace(columns, **given)


def moment_asked(text: str) -> tuple[float | None, float | None]:
    """Read how far readings are used: a share of the life, or a value of the clock; both None = all of them.

    Raises
    ------
    ValueError
        If it is neither.
    """
    try:
        if text.endswith("%"):
            share = float(text[:-1]) / 100
            if 0 < share < 1:
                return share, None
        elif text:
            age = float(text)
            if 0 <= age < float("inf"):
                return None, age
        else:
            return None, None
    except ValueError:
        pass
    raise ValueError(f"`--at` must be a clock value of 0 or more, or a share of life between 0% and 100%, got {text!r}")


def _limit_option(text: str, *more: str) -> dict[str, Any]:
    if more:
        raise ValueError(
            f"`--limit` must be given once, got {', '.join((text, *more))}; where there is a limit on either side, ask "
            "for each by itself, for the lower one with --falls"
        )
    column, colon, pairs = text.rpartition(":")
    try:
        if not colon:
            return {"limit": _finite(text), "limit_column": "", "limit_by": ""}
        limits = {k.strip(): _finite(v) for k, v in (pair.split("=") for pair in pairs.split(","))}
    except ValueError:
        raise ValueError(
            "`--limit` must be a number with a decimal point and without a unit, or COLUMN:VALUE=LIMIT,VALUE=LIMIT, "
            f"got {text!r}"
        ) from None
    return {"limit_by": column, "limits": limits, "limit_column": ""}


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError
    return value
