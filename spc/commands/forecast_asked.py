"""What `lapcell forecast` is asked: its columns, its limit, and how far along the clock it may read."""

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from spc.log.wear_table import WearColumns

__all__ = ["columns_asked", "limit_wanted", "moment_asked", "refuse_idle", "shares_asked"]


def refuse_idle(options: dict[str, Any]) -> None:
    """Refuse options beside which others would do nothing.

    Raises
    ------
    click.UsageError
        With the two that do not go together.
    """
    for one, other in (("limit", "limit_column"), ("backtest", "unit_id"), ("backtest", "at")):
        if options[one] and options[other]:
            names = [f"`--{name.replace('_', '-')}`" for name in (one, other)]
            raise click.UsageError(f"{names[0]} and {names[1]} do not go together: give one of them")
    if options["backtest"] and options["crossing"] != "reading":
        raise click.UsageError(
            "`--backtest` holds forecasts against the readings that came, and these show when a reading reached the "
            f"limit: leave `--crossing {options['crossing']}` out"
        )


def limit_wanted(columns: "WearColumns", cell: str) -> str:
    """Say what would give a unit without a limit its limit.

    Parameters
    ----------
    columns : WearColumns
    cell : str
        What the unit has in the column that chooses or holds its limit.
    """
    if columns.limit_by:
        named = f"{columns.limit_by} {cell}" if cell else f"an empty {columns.limit_by}"
        return f"no limit is known for {named}: add {cell or 'VALUE'}=LIMIT to --limit, or to [limits] of the map"
    if columns.limit_column:
        return f"no limit is known: its cell under {columns.limit_column} is empty"
    return "no limit is known: give it with --limit, --limit-column or a map"


def columns_asked(options: dict[str, Any]) -> "WearColumns":
    """Say which columns hold what: the options, before what a map says.

    Raises
    ------
    ValueError
        If the map cannot be read.
    click.UsageError
        If the limit asked is none.
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
    if options["limit_column"]:
        given |= {"limit": math.nan, "limit_by": ""}
    if options["limit"]:
        given |= _limit_option(*options["limit"])
    return replace(columns, **given)


def moment_asked(text: str) -> tuple[float | None, float | None]:
    """Read how far readings are used: a share of the life, or a value of the clock; both None = all of them.

    Raises
    ------
    click.UsageError
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
    raise click.UsageError(
        f"`--at` must be a clock value of 0 or more, or a share of life between 0% and 100%, got {text!r}"
    )


def _limit_option(text: str, *more: str) -> dict[str, Any]:
    if more:
        raise click.UsageError(
            f"`--limit` must be given once, got {', '.join((text, *more))}; where there is a limit on either side, ask "
            "for each by itself, for the lower one with --falls"
        )
    column, colon, pairs = text.rpartition(":")
    try:
        if not colon:
            return {"limit": _finite(text), "limit_column": "", "limit_by": ""}
        if not column.strip():
            raise ValueError
        chosen = [(k.strip(), _finite(v)) for k, v in (pair.split("=") for pair in pairs.split(","))]
    except ValueError:
        raise click.UsageError(
            "`--limit` must be a number with a decimal point and without a unit, or COLUMN:VALUE=LIMIT,VALUE=LIMIT, "
            f"got {text!r}"
        ) from None
    limits = dict(chosen)
    if len(limits) < len(chosen):
        raise click.UsageError(f"`--limit` must give each value of {column} one limit, got {text!r}")
    return {"limit_by": column, "limits": limits, "limit_column": ""}


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError
    return value


def shares_asked(text: str) -> list[float]:
    """Read the shares of life at which forecasts are held against the truth; each between 0 and 1.

    Raises
    ------
    click.UsageError
        If one is none.
    """
    try:
        shares = [float(part.strip().rstrip("%")) / 100 for part in text.split(",")]
    except ValueError:
        shares = []
    if not shares or not all(0.01 <= share < 1 for share in shares):
        raise click.UsageError(
            f"`--backtest` must be shares of life in per cent, from 1 up, such as 50,75, got {text!r}"
        )
    return shares
