"""`lapcell forecast`: from a CSV of wear readings, when each unit reaches its limit; no store is needed."""

from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spc.cli import DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.forecast_asked import columns_asked, limit_wanted, moment_asked, refuse_idle, shares_asked
from spc.commands.output import counted, print_json, print_table, progress_bar

if TYPE_CHECKING:
    from spc.log.wear_table import WearTable
    from spc.wear.backtest import Backtest
    from spc.wear.time_to_limit import TimeToLimit
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
low, median, high, error, inside, score, shape, sentence).
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
    paths, unused = _paths(table, sort=options["sort"])
    began = {unit.unit: unit.origin for unit in units}
    origins = [began[path.label] for path in paths]
    problems += unused
    document = _opening(options["file"], table, paths, problems, falls=bool(falls))
    if not paths:
        raise ValueError(f"no unit of the file has a clock and a wear reading that can be used; {_why_none(document)}")
    if options["backtest"]:
        document["backtest"] = _backtest(paths, origins, options, table.clock_unit)
    else:
        wanted = {unit.unit: limit_wanted(columns, unit.limit_cell) for unit in table.units if unit.limit != unit.limit}
        document["units"] = _forecasts(paths, origins, options, table.clock_unit, falls=falls, wanted=wanted)
    if session.as_json:
        print_json(document)
    else:
        _print(document, table.clock_unit)
    limitless = any(unit["limit"] != unit["limit"] for unit in document.get("units", ()))
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


def _paths(table: "WearTable", *, sort: bool) -> tuple[list["WearPath"], list[dict[str, Any]]]:
    import numpy as np

    from spc.log.covariates import covariate_values
    from spc.wear.wear_path import wear_path

    covariates, remarks = covariate_values(table)
    paths: list[WearPath] = []
    problems: list[dict[str, Any]] = [{"row": None, "text": "", "reason": remark} for remark in remarks]
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
            problems.append({"row": row, "text": "", "reason": reason})
    return paths, problems


def _why_none(document: dict[str, Any]) -> str:
    """Say why nothing could be used: the first row that could not, else what the rows are."""
    for problem in document["problems"]:
        return problem["reason"] if problem["row"] is None else f"row {problem['row']}: {problem['reason']}"
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
    origins: Sequence[float],
    options: dict[str, Any],
    clock_unit: str,
    *,
    falls: dict[str, float],
    wanted: dict[str, str],
) -> list[dict[str, Any]]:
    import numpy as np

    from spc.wear.backtest import crossing_age, cut_path
    from spc.wear.unit_forecast import UnitPools

    asked = [at for at, p in enumerate(paths) if not options["unit_id"] or p.label == options["unit_id"]]
    if not asked:
        names = ", ".join(p.label for p in paths[:12])
        raise ValueError(f"there is no unit {options['unit_id']!r}; the file has {names}")
    share, age = moment_asked(options["at"])
    pools = UnitPools(paths, seed=options["seed"], origins=origins)
    out = []
    with progress_bar("forecast") as bar:
        for done, at in enumerate(asked):
            path = paths[at]
            whole = False  # the share of a life that has not ended is not known
            if share is not None:
                ends = crossing_age(path, path.limit)
                whole = not np.isfinite(ends)
                own = path if whole else cut_path(path, origins[at] + share * (ends - origins[at]))
            else:
                own = path if age is None else cut_path(path, age)
            answer = pools.forecast(
                at, own, level=options["level"], crossing=options["crossing"], unit=clock_unit
            )  # fmt: skip
            unit = _unit_document(
                own, answer, clock_unit, origin=origins[at], falls=falls, wanted=wanted.get(path.label, "")
            )  # fmt: skip
            if whole and np.isfinite(path.limit):
                unit["sentence"] += (
                    f"; it never reached its limit, so all its readings are used, not {options['at']} of a life"
                )
            if answer.status == "range":
                unit["sentence"] += _back_again(own, clock_unit, falls=bool(falls))
                if age is not None and age > answer.now:
                    unit["sentence"] += f"; from its last reading at {answer.now:g} on, not from {age:g}"
            out.append(unit)
            bar(done + 1, len(asked))
    return out


def _back_again(own: "WearPath", clock_unit: str, *, falls: bool) -> str:
    """Name the first reading that had reached the limit although the last one has not: it may be a slip of the pen."""
    import numpy as np

    over = np.flatnonzero(own.low >= own.limit)
    if not over.size or own.low[-1] >= own.limit:
        return ""
    side = "under" if falls else "over"
    at = f"{own.age[over[0]]:g} {clock_unit}"
    return f"; the reading at {at} was at or {side} the limit, the last one is not: look at it"


def _since(own: "WearPath", at: float, clock_unit: str) -> str:
    """Say when a unit whose last reading is at or over its limit came there."""
    figure = f"{at:.4g}" if at < 1e4 else f"{at:.0f}"
    if own.low[0] >= own.limit:
        return f", since its first reading at {figure} {clock_unit}"
    back = bool((own.high[own.age > at] < own.limit).any())
    return f"{'; the readings first reached it at' if back else ', since'} about {figure} {clock_unit}"


def _unit_document(
    own: "WearPath", answer: "TimeToLimit", clock_unit: str, *, origin: float, falls: dict[str, float], wanted: str
) -> dict[str, Any]:
    from spc.wear.backtest import crossing_age

    left = {"low": answer.low, "median": answer.median, "high": answer.high}
    at_clock = {k: None if v is None else answer.now + v for k, v in left.items()}
    sentence = answer.sentence.replace("at or over the limit", "at or under the limit") if falls else answer.sentence
    if answer.status == "over" and answer.crossing == "reading":
        at = crossing_age(own, own.limit)
        at_clock = dict.fromkeys(left, at)
        sentence += _since(own, at, clock_unit)
    sentence = wanted or sentence
    return {
        "unit": own.label,
        "status": answer.status,
        "limit": falls.get(own.label, own.limit),
        "origin": origin,
        "now": answer.now,
        "level": answer.level,
        "crossing": answer.crossing,
        "remaining": left,
        "at_clock": at_clock,
        "horizon": answer.horizon,
        "own_readings": answer.own_readings,
        "past_units": answer.past_cycles,
        "shape": answer.shape,
        "shape_share": answer.shape_share,
        "own_way_share": answer.own_way_share,
        "sentence": sentence,
        "borrowed": answer.borrowed,
    }


def _backtest(
    paths: Sequence["WearPath"], origins: Sequence[float], options: dict[str, Any], clock_unit: str
) -> list[dict[str, Any]]:
    from spc.wear.backtest import backtest

    shares = shares_asked(options["backtest"])
    with progress_bar("backtest") as bar:
        held = backtest(
            paths, shares=shares, level=options["level"], crossing=options["crossing"], unit=clock_unit,
            seed=options["seed"], origins=origins, tick=bar,
        )  # fmt: skip
    return [_backtest_document(b) for b in held]


def _backtest_document(held: "Backtest") -> dict[str, Any]:
    return {
        "share_of_life": held.share,
        "level": held.level,
        "predicted": held.predicted,
        "median_abs_error": held.median_abs_error,
        "covered": held.covered,
        "coverage": held.covered / held.predicted if held.predicted else None,
        "mean_interval_score": held.mean_score,
        "median_width": held.median_width,
        "units": [asdict(u) for u in held.units],
    }


def _print(document: dict[str, Any], clock_unit: str) -> None:
    rows = document["rows"]
    click.echo(
        f"{counted(rows['read'], 'row')}, {rows['used']} used, {len(rows['not_measured'])} not measured, "
        f"{rows['blank']} blank, {counted(len(document['problems']), 'problem')}."
    )
    for problem in document["problems"]:
        where = "" if problem["row"] is None else f"row {problem['row']}: "
        click.echo(f"  {where}{problem['reason']}")
    for remark in document["remarks"]:
        click.echo(f"  {remark}")
    if "units" in document:
        for unit in document["units"]:
            behind = f" ({unit['borrowed']}; shape {unit['shape'] or 'none'})" if unit["borrowed"] else ""
            click.echo(f"{unit['unit']}: {unit['sentence']}{behind}")
        return
    for held in document["backtest"]:
        if not held["predicted"]:
            why = f": {held['units'][0]['unit']}: {held['units'][0]['sentence']}" if held["units"] else ""
            none = "no unit that reached its limit could be predicted" if why else "no unit reached its limit"
            click.echo(f"\nAt {100 * held['share_of_life']:g}% of life: {none}{why}.")
            continue
        click.echo(
            f"\nAt {100 * held['share_of_life']:g}% of life: median error {held['median_abs_error']:.4g} {clock_unit}, "
            f"{held['covered']} of {held['predicted']} inside the {held['level']:.0%} range, "
            f"mean interval score {held['mean_interval_score']:.4g}, median width {held['median_width']:.4g}."
        )
        heads = {"unit": "Unit", "own_readings": "Own", "truth": "Truth", "median": "Median", "low": "Low",
                 "high": "High", "error": "Error", "inside": "Inside", "shape": "Shape"}  # fmt: skip
        print_table(held["units"], heads, nothing="No unit reached its limit.")
