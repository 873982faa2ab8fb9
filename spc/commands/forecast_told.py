"""What `lapcell forecast` tells of units and of forecasts held: as parts of one document, and in words."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from spc.commands.output import counted, print_table

if TYPE_CHECKING:
    from spc.wear.backtest import Backtest
    from spc.wear.time_to_limit import TimeToLimit
    from spc.wear.wear_path import WearPath

__all__ = ["back_again", "backtest_document", "print_forecast", "unit_document"]


def back_again(own: "WearPath", clock_unit: str, *, falls: bool) -> str:
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


def unit_document(
    own: "WearPath", answer: "TimeToLimit", clock_unit: str, *, origin: float, falls: dict[str, float], wanted: str
) -> dict[str, Any]:
    """Lay out one unit's forecast; `wanted` says what would give it a limit where it has none."""
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


def backtest_document(held: "Backtest") -> dict[str, Any]:
    """Lay out the forecasts held at one share of life."""
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


def print_forecast(document: dict[str, Any], clock_unit: str) -> None:
    """Print the document in words: what was read, then each unit, or the forecasts held."""
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
    for why, names in _by_reason(document["not_held"]).items():
        click.echo(f"Not held against what came: {', '.join(names)} ({why}).")
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


def _by_reason(units: Sequence[Mapping[str, str]]) -> dict[str, list[str]]:
    told: dict[str, list[str]] = {}
    for unit in units:
        told.setdefault(unit["reason"], []).append(unit["unit"])
    return told
