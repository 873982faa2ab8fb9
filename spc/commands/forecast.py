"""`lapcell forecast`: from a CSV of wear readings, when each unit reaches its limit; no store is needed."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spc.cli import DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.forecast_asked import columns_asked, limit_wanted, moment_asked, refuse_idle, shares_asked
from spc.commands.forecast_told import back_again, backtest_document, print_forecast, unit_document
from spc.commands.output import counted, print_json, progress_bar

if TYPE_CHECKING:
    from spc.log.wear_table import WearTable
    from spc.wear.wear_path import WearPath

__all__ = ["command"]

HELP = """Say when each unit's wear in FILE reaches its limit, as a range.

FILE is any CSV with one row per reading: a unit (lap and cycle, specimen), a clock and a wear reading. Rows that
cannot be used are listed with the reason; the exit code is then 1, and where a unit has no limit. Its columns are named
in one of three ways; options come before what a map says:

\b
- by options: --unit case --clock time --wear VB --limit 0.45
- by a wear map, --map wear.toml, the options as keys:
    unit = "unit"
    clock = "cycles"
    wear = "microns"
    covariates = ["grams"]
    limit_by = "grams"        # or: limit = 14, or: limit_column = "..."
    falls = false             # true: the reading falls to a lower limit
    [limits]
    10 = 6
    50 = 14
- by a column map of `lapcell ingest` (it has a table [columns]): lap is the unit, minutes the clock (rows are
  counted where it has none), flatness, else finish, the wear. It holds no limit: give --limit.

A clock that runs counts from 0 where the unit was new; where most units begin further from 0 than any lasts (machine
hours, a date as a number) it is taken as a meter, ages count from each unit's first reading, and that is said.
--clock-kind age or meter says which.

Limits and readings are numbers in the unit of the wear column; a header may be named without the unit in brackets
behind it, and a reading written in another unit is not used. Where most units begin above their limits and fall, they
are taken as falling to a lower limit, and that is said; where the readings do not tell, --falls or --rises is asked
for. A unit borrows from 200 others at most; of more than 20 units, one in twenty share what they borrow from, which
holds none of them; one whose readings do not go as theirs goes its own way, and that is said. The order of the units
changes nothing. The store is neither read nor written.

With --json one document: file, clock_unit, falls, rows (read, used, blank, not_measured), problems (row, text, reason),
remarks, and units (unit, status, limit, origin, the clock value from which its age counts, now, level, crossing,
remaining and at_clock with low, median, high (null = past the horizon; all three where status is refused; where it is
over, at_clock is where the readings crossed), horizon, own_readings, past_units, shape, shape_share, own_way_share,
sentence, borrowed); with --backtest instead of units: backtest, a list with share_of_life, level, predicted,
median_abs_error, covered, coverage, mean_interval_score, median_width and units (unit, status, own_readings, truth,
low, median, high, error, inside, score, shape, sentence), and not_held (unit, reason), those without a truth. Where
row is null a problem is of no one row.
"""


@click.command("forecast", help=HELP)
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--map",
    "map_path",
    type=click.Path(exists=True, path_type=Path),
    help="TOML: a wear map, or a column map of `ingest`.",
)
@click.option("--unit", multiple=True, help="Column that names the unit (cycle); may be given more than once.")
@click.option("--clock", default="", help="Column of the clock: faces, minutes, cycles.")
@click.option(
    "--clock-kind",
    type=click.Choice(["runs", "age", "meter", "adds", "counts"]),
    help="The clock column runs on (as it does unless said), the unit's age or a meter; holds what each row adds; or "
    "there is none, rows count.",
)
@click.option("--wear", default="", help="Column of the wear reading.")
@click.option("--clock-unit", default="", help="Unit of the clock, for the sentences.")
@click.option("--limit", multiple=True, help="A number, or COLUMN:VALUE=LIMIT,VALUE=LIMIT for limits by a column.")
@click.option("--falls/--rises", default=None, help="Whether the reading falls to its limit or rises to it.")
@click.option("--decimal", type=click.Choice([".", ","]), help="The decimal mark, where the file leaves it open.")
@click.option("--limit-column", default="", help="Column that holds each unit's limit.")
@click.option(
    "--covariate", multiple=True, help="Column that units differ by (load, feed); may be given more than once."
)
@click.option("--unit-id", default="", help="Forecast only this unit; the others are what it borrows from.")
@click.option(
    "--at",
    default="",
    help="Use each unit's own readings up to this clock value, or this share of its life (50%); the others stay whole.",
)
@click.option(
    "--crossing",
    type=click.Choice(["reading", "path", "next face"]),
    default="reading",
    show_default=True,
    help="What must reach the limit: a reading; the wear without reading error; or the next reading, in one of ten.",
)
@click.option(
    "--level", type=click.FloatRange(0.5, 0.99), default=0.9, show_default=True, help="Coverage of the range."
)
@click.option("--backtest", default="", help="Shares of life at which to hold forecasts against the truth: 50,75.")
@click.option("--sort", is_flag=True, help="Rows may be in any order: sort each unit by its clock.")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Seed of the draws.")
@common_options
def command(session: Session, **options: Any) -> int:
    """Say when the units of a file reach their limit."""
    from spc.log.clock_origin import with_origins
    from spc.log.covariates import beyond_others
    from spc.log.wear_table import read_wear_table

    refuse_idle(options)
    columns = columns_asked(options)
    table = read_wear_table(options["file"], columns)
    table = replace(table, remarks=(*table.remarks, *beyond_others(table, unit_id=options["unit_id"])))
    table, falls, problems = _turned(table, columns.falls)
    units, remark = with_origins(table.units, clock_kind=columns.clock_kind)
    table = replace(table, units=units, remarks=(*table.remarks, remark) if remark else table.remarks)
    paths, idle, without = _paths(table, sort=options["sort"])
    began = {unit.unit: unit.origin for unit in units}
    origins = [began[path.label] for path in paths]
    problems += [{"row": row, "text": "", "reason": why} for row, why in (*idle, *without.values())]
    document = _opening(options["file"], table, paths, problems, falls=bool(falls))
    if not paths:
        raise ValueError(f"no unit of the file has a clock and a wear reading that can be used; {_why_none(document)}")
    asked = [at for at, path in enumerate(paths) if options["unit_id"] in ("", path.label)]
    if not asked:
        raise ValueError(_no_such_unit(options["unit_id"], paths, without))
    wanted = {unit.unit: limit_wanted(columns, unit.limit_cell) for unit in table.units if unit.limit != unit.limit}
    if options["backtest"]:
        document["backtest"] = _backtest(paths, origins, options, table.clock_unit)
        document["not_held"] = _not_held(paths, document["backtest"], wanted)
    else:
        document["units"] = _forecasts(paths, asked, origins, options, table.clock_unit, falls=falls, wanted=wanted)
    if session.as_json:
        print_json(document)
    else:
        print_forecast(document, table.clock_unit)
    limitless = any(paths[at].label in wanted for at in asked)
    return NEEDS_A_PERSON if document["problems"] or limitless else DONE


def _turned(table: "WearTable", falls: bool | None) -> tuple["WearTable", dict[str, float], list[dict[str, Any]]]:
    """Turn a falling quantity round, so that it rises, and give the limits it falls to; none where it rises.

    Where the readings, not a person, tell which, it is said what speaks against it.
    """
    from spc.log.falling_wear import WayToLimit, turned_round, way_to_limit

    way = way_to_limit(table.units) if falls is None else WayToLimit(falls, "")
    if way.remark:
        table = replace(table, remarks=(*table.remarks, way.remark))
    if not way.falls:
        return table, {}, []
    units, open_rows = turned_round(table.units)
    why = "a reading open above cannot be used where the wear falls"
    problems = [{"row": row, "text": "", "reason": why} for row in open_rows]
    used = sum(u.clock.size for u in units)
    limits = {u.unit: u.limit for u in table.units}
    return replace(table, units=units, used=used), limits, problems


def _paths(
    table: "WearTable", *, sort: bool
) -> tuple[list["WearPath"], list[tuple[None, str]], dict[str, tuple[int | None, str]]]:
    """Give the path of each unit, why covariates are not used, and in which row and why units are not."""
    import numpy as np

    from spc.log.covariates import covariate_values
    from spc.wear.wear_path import wear_path

    covariates, remarks = covariate_values(table)
    paths: list[WearPath] = []
    without: dict[str, tuple[int | None, str]] = {
        name: (None, f"unit {name} is not used: none of its rows has a clock and a wear reading that can be used")
        for name in table.unread
    }
    for unit in table.units:
        order = np.lexsort((unit.high, unit.low, unit.clock)) if sort else np.arange(unit.clock.size)
        try:
            paths.append(
                wear_path(
                    unit.unit,
                    unit.clock[order],
                    unit.low[order],
                    unit.high[order],
                    limit=unit.limit,
                    covariates=covariates[unit.unit],
                )  # fmt: skip
            )
        except ValueError as error:
            row = int(unit.row_number[np.flatnonzero(np.diff(unit.clock[order]) < 0)[0] + 1])
            reason = f"unit {unit.unit} is not used: {error}; or give --sort if the rows are only out of order"
            without[unit.unit] = (row, reason)
    return paths, [(None, remark) for remark in remarks], without


def _no_such_unit(asked: str, paths: Sequence["WearPath"], without: Mapping[str, tuple[int | None, str]]) -> str:
    """Say why the unit asked for is not among those that can be forecast."""
    if asked in without:
        row, why = without[asked]
        return why if row is None else f"row {row}: {why}"
    more = f" and {counted(len(paths) - 12, 'other')}" if len(paths) > 12 else ""
    return f"there is no unit {asked!r}; the file has {', '.join(path.label for path in paths[:12])}{more}"


def _why_none(document: dict[str, Any]) -> str:
    """Say why nothing could be used: the first row that could not, else what the rows are."""
    for problem in document["problems"]:
        if problem["row"] is not None:
            return f"row {problem['row']}: {problem['reason']}"
    rows = document["rows"]
    if rows["not_measured"]:
        return f"the wear is blank in all {counted(len(rows['not_measured']), 'row')} that are not blank altogether"
    return "there is no row below the header" if not rows["read"] else "every row below the header is blank"


def _opening(
    file: Path, table: "WearTable", paths: Sequence["WearPath"], problems: list[dict[str, Any]], *, falls: bool
) -> dict[str, Any]:
    rows: list[dict[str, Any]] = [{"row": row, "text": text, "reason": why} for row, text, why in table.problems]
    return {
        "file": str(file),
        "clock_unit": table.clock_unit,
        "falls": falls,
        "rows": {
            "read": table.rows,
            "used": sum(p.age.size for p in paths),
            "blank": table.blank,
            "not_measured": list(table.not_measured),
        },
        "problems": rows + problems,
        "remarks": [*table.remarks, *_slips(paths, falls=falls)],
    }


def _slips(paths: Sequence["WearPath"], *, falls: bool) -> list[str]:
    from spc.wear.path_slips import without_slips

    _, notes = without_slips(paths, turned=falls)
    return [f"{note}: look at it; the other units' forecasts leave it out" for note in notes]


def _forecasts(
    paths: Sequence["WearPath"],
    asked: Sequence[int],
    origins: Sequence[float],
    options: dict[str, Any],
    clock_unit: str,
    *,
    falls: dict[str, float],
    wanted: dict[str, str],
) -> list[dict[str, Any]]:
    import numpy as np

    from spc.wear.backtest import cut_path, life_end
    from spc.wear.unit_forecast import UnitPools

    share, age = moment_asked(options["at"])
    pools = UnitPools(paths, seed=options["seed"], origins=origins)
    out = []
    with progress_bar("forecast") as bar:
        for done, at in enumerate(asked):
            path = paths[at]
            whole = False  # the share of a life that has not ended is not known
            if share is not None:
                ends = life_end(path)
                whole = not np.isfinite(ends)
                own = path if whole else cut_path(path, origins[at] + share * (ends - origins[at]))
            else:
                own = path if age is None else cut_path(path, age)
            answer = pools.forecast(
                at, own, level=options["level"], crossing=options["crossing"], unit=clock_unit
            )  # fmt: skip
            unit = unit_document(
                own, answer, clock_unit, origin=origins[at], falls=falls, wanted=wanted.get(path.label, "")
            )  # fmt: skip
            if whole and np.isfinite(path.limit):
                unit["sentence"] += f"; {_no_life(path)}, so all its readings are used, not {options['at']} of a life"
            if answer.status == "range":
                unit["sentence"] += back_again(own, clock_unit, falls=bool(falls))
                if age is not None and age > answer.now:
                    unit["sentence"] += (
                        f"; from its last reading at {answer.now:g} on, not from {age:g}"
                        if own.age.size
                        else f"; it has no reading by then: from {answer.now:g} on, where its age begins, not {age:g}"
                    )
            out.append(unit)
            bar(done + 1, len(asked))
    return out


def _backtest(
    paths: Sequence["WearPath"], origins: Sequence[float], options: dict[str, Any], clock_unit: str
) -> list[dict[str, Any]]:
    from spc.wear.backtest import backtest

    shares = shares_asked(options["backtest"])
    with progress_bar("backtest") as bar:
        held = backtest(
            paths, shares=shares, level=options["level"], unit=clock_unit, seed=options["seed"], origins=origins,
            tick=bar,
        )  # fmt: skip
    return [backtest_document(b) for b in held]


def _not_held(
    paths: Sequence["WearPath"], held: Sequence[dict[str, Any]], wanted: Mapping[str, str]
) -> list[dict[str, str]]:
    """Say of each unit that no forecast is held against why there is none."""
    with_truth = {unit["unit"] for unit in held[0]["units"]}
    without = [path for path in paths if path.label not in with_truth]
    return [{"unit": path.label, "reason": wanted.get(path.label) or _no_life(path)} for path in without]


def _no_life(path: "WearPath") -> str:
    """Say why it is not known how long a unit with a limit lasted."""
    from spc.wear.backtest import crossing_age

    reached = math.isfinite(crossing_age(path, path.limit))
    return "its first reading is at its limit already" if reached else "it never reached its limit"
