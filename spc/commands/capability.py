"""`lapcell capability`: an index with its bound for one part number, or a refusal with its reasons and cures."""

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

import click

from spc.board.study import Study
from spc.board.study_cycles import AtAge
from spc.cli import DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.output import plain, print_json, print_table

__all__ = ["command", "excluded_faces", "plan_options", "study_document"]

_SIGNALS_SHOWN = 5


_OPTIONS = (
    click.option(
        "--characteristic", default="flatness", show_default=True, help="flatness, finish, parallelism, squareness."
    ),
    click.option("--lap", "laps", multiple=True, help="Only this lap; may be repeated."),
    click.option("--since", default="", help="First day taken, ISO."),
    click.option("--until", default="", help="Last day taken, ISO."),
    click.option("--readings", default="first pass", show_default=True, help="'first pass' or 'final'."),
    click.option("--level", default=0.95, show_default=True, help="One-sided confidence of the bounds."),
    click.option("--limit-um", type=float, default=None, help="Limit in micrometres, in place of the register's."),
    click.option("--planned-age", "planned_age_faces", type=float, default=None, help="Reconditioning age, faces."),
    click.option("--exclude", "excluded", multiple=True, help="FACE_ID=CAUSE; may be repeated."),
)


def plan_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that make a study's plan, by the names of its fields."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


@click.command("capability")
@click.argument("part")
@plan_options
@common_options
def command(session: Session, *, part: str, excluded: tuple[str, ...], **options: Any) -> int:
    """Give the capability index of one part number, or refuse with the reason and its cure.

    Exit code 1 when the word 'capability' is refused. With --json one document: plan, status ('computed' or
    'refused'), word ('capability', 'performance' or ''), sentence, limit_um, n, fingerprint, index (index, lower
    bounds, ppm over the limit with bounds, family, median, 99.865% point; null where refused), refusals (name,
    sentence, cure, bars), time_model, whole_cycles, at_planned_age, spread_um, laws (AICc of every law), fit, trend
    and cut_off sentences.

    With --characteristic thickness: a dimension with a limit on one side or both, held against them by the normal law
    if its readings follow it; always performance, never capability. JSON: part, characteristic, laps, status, word,
    sentence, limit_text, lower_um, upper_um, n, index (index, lower_bound, to_upper, to_lower, mean_um, sd_um, n,
    beyond, fit_p_value, phi, level; null where there is nothing to study).
    """
    if options["characteristic"] in ("thickness",):
        return _dimension(session, part, excluded=excluded, **options)
    from spc.board.cell_view import look_at_cell
    from spc.board.study import run_study
    from spc.board.study_plan import StudyPlan

    plan = StudyPlan(part=part, excluded=excluded_faces(excluded), **options)
    with session.store() as store:
        study = run_study(look_at_cell(store, session.settings(), rows=None), plan)
    if session.as_json:
        print_json(study_document(study))
    else:
        _print(study)
    return DONE if study.index is not None and study.index.word == "capability" else NEEDS_A_PERSON


def _dimension(session: Session, part: str, *, laps: tuple[str, ...], level: float, **options: Any) -> int:
    from spc.board.cell_view import look_at_cell
    from spc.board.dimension import study_dimension

    usual = {"since": "", "until": "", "readings": "first pass", "limit_um": None, "planned_age_faces": None}
    given = [name for name, value in usual.items() if options[name] != value] + ["exclude"] * bool(options["excluded"])
    if given:
        raise ValueError(f"`{given[0]}` does not go with a dimension; only --lap and --level do")
    with session.store() as store:
        view = look_at_cell(store, session.settings(), rows=None)
    study = study_dimension(view, part, options["characteristic"], laps=laps, level=level)
    index = study.index
    if session.as_json:
        print_json(
            {
                "part": part,
                "characteristic": study.characteristic,
                "laps": laps,
                "status": "refused" if index is None else index.status,
                "word": "" if index is None else index.word,
                "sentence": study.sentence,
                "limit_text": study.limit_text,
                "lower_um": study.lower_um,
                "upper_um": study.upper_um,
                "n": len(study.face_ids),
                "index": None if index is None else asdict(index),
            }
        )
    else:
        click.echo(f"{plain(part) or '(no part number)'}, {study.characteristic}: {study.sentence}.")
        if study.limit_text:
            click.echo(f"  limits {study.limit_text}; {len(study.face_ids):,} readings")
    return NEEDS_A_PERSON


def excluded_faces(texts: tuple[str, ...]) -> dict[int, str]:
    """Read what `--exclude` was given: face id -> cause.

    Raises
    ------
    ValueError
        If a text is not FACE_ID=CAUSE.
    """
    faces = {}
    for text in texts:
        face_id, _, cause = text.partition("=")
        if not face_id.strip().isdecimal() or not cause.strip():
            raise ValueError(f"`--exclude` must be FACE_ID=CAUSE, such as 412=bad wipe, got {text!r}")
        faces[int(face_id)] = cause.strip()
    return faces


def study_document(study: Study) -> dict[str, Any]:
    """Turn a study into plain values."""
    index = study.index
    return {
        "plan": study.plan.as_json(),
        "status": study.status,
        "word": index.word if index is not None else "",
        "sentence": study.sentence,
        "limit_um": study.limit_um,
        "limit_text": study.limit_text,
        "n": len(study.data),
        "left_out": [asdict(item) for item in study.left_out],
        "not_taken": [{"why": why, "readings": n} for why, n in study.not_taken],
        "fingerprint": study.fingerprint,
        "index": None if index is None or index.status != "computed" else asdict(index) | {"refusals": None},
        "refusals": [asdict(r) for r in study.refusals],
        "time_model": study.time_model,
        "chart_limits": [asdict(limits) for limits in study.chart_limits],
        "signals": study.signals,
        "whole_cycles": None if study.whole_cycles is None else asdict(study.whole_cycles),
        "planned_age": asdict(study.planned_age),
        "at_planned_age": None if study.at_planned_age is None else _at_age(study.at_planned_age),
        "spread": [asdict(one) for one in study.spread],
        "laws": [] if study.choice is None else [{"family": f.family, "aicc": f.aicc} for f in study.choice.fits],
        "fit": "" if study.fit is None else study.fit.sentence,
        "trend": "" if study.trend is None else study.trend.sentence,
        "cut_off": "" if study.cut_off is None else study.cut_off.sentence,
    }


def _at_age(at: AtAge) -> dict[str, Any]:
    plain = {name: getattr(at, name) for name in ("status", "sentence", "age_faces", "source")}
    index = at.index
    return plain | {"index": None if index is None or index.status != "computed" else index.index}


def _print(study: Study) -> None:
    plan = study.plan
    click.echo(
        f"{plain(plan.part) or '(no part number)'}, {plan.characteristic}, {plan.readings} readings: {study.sentence}"
    )
    if study.limit_text:
        of = f"{len(study.data):,} readings, data fingerprint {study.fingerprint[:16]}"
        click.echo(f"  limit {study.limit_text}; {of}")
    for name in ("choice", "fit", "trend", "cut_off"):
        part = getattr(study, name)
        if part is not None:
            click.echo(f"  {part.sentence}")
    if study.time_model:
        click.echo(f"  time model: {study.time_model}")
    for told in (study.whole_cycles, study.at_planned_age):
        if told is not None:
            click.echo(f"  {told.sentence}")
    if study.spread:
        click.echo("  standard deviations: " + ", ".join(f"{one.name} {one.sd_um:.3g} um" for one in study.spread))
    for signal in study.signals[:_SIGNALS_SHOWN]:
        click.echo(f"  signal not answered: {signal}")
    if study.refusals:
        click.echo("\nWhy it is not called capability:")
        rows = [{"why": r.sentence, "cure": r.cure} for r in study.refusals]
        for row in rows:
            click.echo(f"  - {row['why']}\n    cure: {row['cure']}")
    if study.index is not None and study.index.near:
        click.echo()
        laws = [
            {
                "law": n.family,
                "index": n.index,
                "low": n.index_lower_bound,
                "ppm": n.beyond_ppm,
                "most": n.beyond_upper_bound_ppm,
            }
            for n in study.index.near
        ]
        heads = {"law": "Law", "index": "Index", "low": "Lower bound", "ppm": "ppm over", "most": "ppm, upper bound"}
        print_table(laws, heads)
