"""`lapcell age`: how long cycles last, by which clock wear is foretold, and when reconditioning costs least."""

import math
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

import click

from spc.cli import DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.output import counted, one_line, print_json, print_table, records
from spc.log.name_list import name_list

if TYPE_CHECKING:
    from spc.board.lap_age import LapAge
    from spc.settings import Settings
    from spc.wear.clock_choice import ClockChoice

__all__ = ["command"]

_COSTS = (1.0, 4.0)  # planned and worn, where nobody has said what they are
_SHOWN = ["lap", "cycle", "life", "grit", "start_known", "start_event", "start_text", "end_event", "end_text", "ended",
          "reason", "reason_given", "said_too", "over_limit", "resting", "faces", "minutes", "removed_um",
          "good_faces", "low_faces", "high_faces"]  # fmt: skip


@click.command("age")
@click.argument("lap")
@click.option("--planned-cost", type=float, help="Of one planned reconditioning; default from the settings, else 1.")
@click.option("--worn-cost", type=float, help="Of one lap found worn too late; default from the settings, else 4.")
@click.option(
    "--clock",
    type=click.Choice(["faces", "minutes"]),
    help="What ages are counted in; default faces, or minutes where they clearly foretell wear better.",
)
@common_options
def command(
    session: Session, *, lap: str, planned_cost: float | None, worn_cost: float | None, clock: str | None
) -> int:
    """Say how long the cycles of LAP and its sisters last, and at which age reconditioning costs least.

    Costs are in any unit of yours; those of the settings that cannot be weighed refuse the age alone. Only cycles under
    the grit that runs now are pooled; where they go through several as a habit, those that go through the same. Under
    five cycles that wore out there are only counts. With --json one document: lap, laps (those pooled), grit (of the
    cycles), clock, costs (planned, worn: null where none can be weighed, from), sentence, remarks (laps that do not
    last alike, what nobody logged), counts (worn, planned, running, unsure, left_out), cycles (lap, cycle, life, grit:
    all that it ran with, in order, start, end, how it ended, faces, minutes, removed_um, good_faces, said_too where
    another ending says otherwise, low_faces, high_faces between which wear became due, null being not yet, and
    over_limit where the readings tell that), curve (status, reason, method, median, level, and by age: age, at_risk,
    events, survival, low, high; low_before is the lower end of the band before the first age), law (status, reason,
    family, shape, scale), least_cost (status, age, flat_low, flat_high, cost_per_face, limit_cost_per_face, saving_low,
    saving_high, no_age_share, sentence) and clocks (which clock foretells wear best: status, clock, scores, left_out,
    cycles, readings, sentence).
    """
    from spc.board.lap_age import age_of_lap
    from spc.board.lap_clocks import clocks_of_lap
    from spc.board.lap_report import known_lap
    from spc.board.missing import first_doubts
    from spc.wear.clock_choice import age_clock, other_clock_words

    settings = session.settings()
    fault = settings.costs_fault if None in (planned_cost, worn_cost) else ""
    planned, worn, said_by = (
        (None, None, "none that can be weighed") if fault else _costs(settings, planned_cost, worn_cost)
    )
    view, _, room = session.board().look()
    known_lap(view, lap)
    clocks = clocks_of_lap(view, lap, until=first_doubts(view, lap, room))
    clock = clock or age_clock(clocks)
    found = age_of_lap(view, lap, room=room, planned_cost=planned, worn_cost=worn, clock=clock)
    cure = f"{fault}. Put it right there, or give both costs with --planned-cost and --worn-cost."
    found = replace(found, remarks=(*((cure,) if fault else ()), *other_clock_words(clocks, clock), *found.remarks))
    costs = {"planned": planned, "worn": worn, "from": said_by}
    if session.as_json:
        print_json(_document(lap, found, costs) | {"clocks": asdict(clocks)})
    else:
        _print(found, clocks, costs)
    return NEEDS_A_PERSON if fault else DONE


def _costs(settings: "Settings", planned: float | None, worn: float | None) -> tuple[float, float, str]:
    known = (settings.planned_cost, settings.unplanned_cost)
    asked = (planned, worn)
    said_by = "as given" if None not in asked else "one as given, the other from the site's settings"
    if asked == (None, None):
        said_by = "the site's settings"
    first, second = (given if given is not None else site for given, site in zip((planned, worn), known, strict=True))
    if first is None or second is None:
        one = (
            "one cost is given, the other not" if asked != (None, None) or known != (None, None) else "no costs are set"
        )
        said_by = f"{one}: as if one found worn cost four planned ones"
    first = _COSTS[0] * (second or _COSTS[1]) / _COSTS[1] if first is None else first
    second = first * _COSTS[1] / _COSTS[0] if second is None else second
    if asked != (None, None) and not (math.isfinite(second) and second > first > 0):
        raise click.UsageError(
            "`--worn-cost` must be greater than `--planned-cost`, and both greater than 0; "
            f"got {second:g} and {first:g}"
        )
    return first, second, said_by


def _document(lap: str, found: "LapAge", costs: dict[str, Any]) -> dict[str, Any]:
    plan = found.plan
    lives, curve, law, age = plan.lifetimes, plan.curve, plan.fit, plan.age
    return {
        "lap": lap,
        "laps": found.laps,
        "grit": found.grit,
        "clock": lives.clock,
        "costs": costs,
        "sentence": plan.sentence,
        "remarks": found.remarks,
        "counts": {
            name: getattr(lives, name) for name in ("worn", "planned", "running", "unsure", "left_out")
        },
        "cycles": records(found.cycles[_SHOWN]),
        "curve": {
            "status": curve.status,
            "reason": curve.reason,
            "method": curve.method,
            "median": curve.median(),
            "level": curve.level,
            "age": curve.age,
            "at_risk": curve.at_risk,
            "events": curve.events,
            "survival": curve.survival,
            "low_before": curve.low_before,
            "low": curve.low,
            "high": curve.high,
        },
        "law": {
            "status": law.status,
            "reason": law.reason,
            "family": law.family,
            "shape": law.shape if law.status == "fitted" else None,
            "scale": law.scale if law.status == "fitted" else None,
        },
        "least_cost": {
            name: getattr(age, name)
            for name in (
                "status", "age", "flat_low", "flat_high", "cost_per_face", "limit_cost_per_face", "saving_low",
                "saving_high", "no_age_share", "sentence",
            )
        },
    }  # fmt: skip


def _lives(found: "LapAge") -> list[str]:
    """Say up to which face of each cycle the lap was good, as the lives are taken."""
    told = []
    for low, high in zip(found.cycles["low_faces"], found.cycles["high_faces"], strict=True):
        exact = f"{high:.0f}" if low == high else f"{low:.0f} to {high:.0f}"
        told.append(exact if math.isfinite(high) else f"{low:.0f} or more")
    return told


def _print(found: "LapAge", clocks: "ClockChoice", costs: dict[str, Any]) -> None:
    plan = found.plan
    click.echo(one_line(plan.sentence))
    for line in (*found.remarks, clocks.sentence):
        click.echo(f"  {one_line(line)}")
    said_by = costs["from"]
    if plan.age.status != "no costs":
        said_by = f"{costs['planned']:g} planned, {costs['worn']:g} worn ({said_by})"
    click.echo(f"  costs: {said_by}")
    click.echo(f"  {counted(len(found.cycles), 'cycle')} of {one_line(name_list(found.laps))}\n")
    rows = records(found.cycles[_SHOWN].assign(missed=~found.cycles["start_known"], life=_lives(found)))
    heads = {"lap": "Lap", "cycle": "Cycle", "grit": "Grit", "end_event": "Ended by", "ended": "How", "faces": "Faces",
             "life": "Good until", "minutes": "Minutes", "removed_um": "Removed um",
             "missed": "Start not logged"}  # fmt: skip
    print_table(rows, heads, nothing="No cycle yet.")
    curve = plan.curve
    if curve.status == "counts only":
        click.echo(f"\nNo curve: {curve.reason}.")
        return
    click.echo(f"\nStill good at each age ({curve.method}, {curve.level:.0%} band):")
    steps = [
        {"age": float(t), "share": f"{s:.0%}", "band": f"{a:.0%} to {b:.0%}"}
        for t, s, a, b in zip(curve.age, curve.survival, curve.low, curve.high, strict=True)
    ]
    print_table(steps, {"age": plan.lifetimes.clock.capitalize(), "share": "Still good", "band": "Band"})
