"""`lapcell limits`: freeze limits from a closed list of faces, list and show revisions, play a past day again."""

from typing import TYPE_CHECKING, Any

import click

from spc.cli import DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.moments import time_head, with_times
from spc.commands.output import plain, print_json, print_table
from spc.settings import Settings

if TYPE_CHECKING:
    from spc.board.frozen_limits import ShownRevision
    from spc.chart.baseline import ChartModel

__all__ = ["command"]

SIGN_HELP = "flatness, minutes, removal rate or finish."


@click.group("limits")
def command() -> None:
    """Freeze, list, show and replay chart limits.

    A frozen revision never changes; a later one judges later faces only.
    """


@command.command("freeze")
@click.argument("lap")
@click.option("--sign", default="flatness", show_default=True, help=SIGN_HELP)
@click.option("--since", default="", help="First moment of the list, ISO; default the first face.")
@click.option("--until", default="", help="Moment after the list, ISO; default the newest face.")
@click.option("--last", type=click.IntRange(1), help="Only so many newest readings of that stretch.")
@click.option(
    "--leave-out",
    "left_out",
    multiple=True,
    metavar="FACE=CAUSE",
    help="A face to leave out, with its cause; may repeat.",
)
@click.option("--valid-from", default="", help="Moment from which the revision judges, ISO; default at once.")
@click.option("--knowingly", is_flag=True, help="Freeze although the list raises doubts; they are kept with it.")
@click.option("--guarantee", is_flag=True, help="Widen the limit: 9 of 10 such lists keep its rate within 1.2 times.")
@click.option("--who", required=True, help="Who freezes.")
@click.option("--why", required=True, help="Why.")
@common_options
def freeze(
    session: Session,
    *,
    lap: str,
    sign: str,
    since: str,
    until: str,
    last: int | None,
    left_out: tuple[str, ...],
    valid_from: str,
    knowingly: bool,
    guarantee: bool,
    who: str,
    why: str,
) -> int:
    """Analyse a closed list of faces and freeze its limits."""
    from spc.board.frozen_limits import freeze_limits, moment_us

    settings = session.settings()

    def moment(text: str) -> int | None:
        return moment_us(text, settings.time_zone) if text else None

    with session.store() as store:
        done = freeze_limits(
            store,
            settings,
            lap=lap,
            sign=sign,
            who=who,
            why=why,
            since_us=moment(since),
            until_us=moment(until),
            last=last,
            excluded=dict(_face_and_cause(text) for text in left_out),
            knowingly=knowingly,
            valid_from_us=moment(valid_from),
            guarantee=guarantee,
        )
    if done.status == "refused":
        raise ValueError(done.sentence)
    if session.as_json:
        print_json(
            {
                "status": done.status,
                "revision": done.revision or None,
                "valid_from": done.valid_from or None,
                "sentence": done.sentence,
                "remarks": done.analysis.remarks,
                "outliers": [
                    {"face_id": o.face_id, "p_value": o.p_value, "sentence": o.sentence} for o in done.analysis.outliers
                ],
            }
        )
    else:
        click.echo(done.sentence)
        for words in done.analysis.remarks:
            click.echo(f"Note: {words}.")
        for outlier in done.analysis.outliers:
            click.echo(f"* {outlier.sentence}")
        if done.status == "doubtful":
            click.echo("To freeze all the same, say --knowingly.")
    return DONE if done.status == "frozen" else NEEDS_A_PERSON


@command.command("list")
@click.option("--lap", help="Only this lap.")
@click.option("--sign", help="Only this sign: " + SIGN_HELP)
@common_options
def list_revisions(session: Session, *, lap: str | None, sign: str | None) -> None:
    """List frozen revisions, oldest first.

    Where parts differ each has its own limit: the list gives the smallest and the largest, `lapcell limits show` all.
    With --json one document: revisions (lap, sign, revision, valid_from, frozen_at, who, why, faces, left_out, limit,
    null where parts differ, part_limits by part number, and data, the beginning of its seal).
    """
    from spc.board.frozen_limits import revision_of

    with session.store() as store:
        records = store.baselines(lap=lap, sign=sign)
        models = [revision_of(r).model for r in records]
        rows = [
            {
                "lap": r.lap,
                "sign": r.sign,
                "revision": r.revision,
                "valid_from": r.valid_from,
                "frozen_at": r.frozen_at,
                "who": r.who,
                "why": r.why,
                "faces": len(r.model["face_ids"]),
                "left_out": len(r.model["excluded"]),
                "limit": None if model.part_limits else model.limit,
                "part_limits": model.part_limits,
                "data": r.fingerprint[:12],
            }
            for r, model in zip(records, models, strict=True)
        ]
    if session.as_json:
        print_json({"revisions": rows})
        return
    settings = session.settings()
    told = [row | {"limit": _limits_told(model)} for row, model in zip(rows, models, strict=True)]
    print_table(
        with_times(told, ["valid_from"], settings),
        {
            "lap": "lap",
            "sign": "sign",
            "revision": "revision",
            "limit": "limit",
            "faces": "faces",
            "left_out": "left out",
            "valid_from": time_head("valid from", settings),
            "who": "who",
            "why": "why",
            "data": "data",
        },
        nothing="No limits are frozen; `lapcell limits freeze LAP` freezes some.",
    )


@command.command("show")
@click.argument("lap")
@click.option("--sign", default="flatness", show_default=True, help=SIGN_HELP)
@click.option("--revision", type=click.IntRange(1), help="Which; default the newest.")
@common_options
def show(session: Session, *, lap: str, sign: str, revision: int | None) -> int:
    """Show one revision, whether its data still stand, and whether a new one is needed."""
    from spc.board.frozen_limits import show_revision

    with session.store() as store:
        shown = show_revision(store, lap=lap, sign=sign, number=revision)
    needed = shown.need is not None and shown.need.status == "needed"
    if session.as_json:
        print_json(_shown_document(shown))
    else:
        _print_shown(shown, session.settings())
    return NEEDS_A_PERSON if needed or not shown.same_data else DONE


@command.command("replay")
@click.argument("day")
@click.option("--lap", help="Only this lap.")
@click.option("--sign", help="Only this sign: " + SIGN_HELP)
@click.option("--as-corrected", is_flag=True, help="With the corrections and late rows that came since.")
@common_options
def replay(session: Session, *, day: str, lap: str | None, sign: str | None, as_corrected: bool) -> None:
    """Play a past DAY (ISO date) again: same faces, limits valid then, same signals.

    Each lap's log counts as it stood when the day was over, or when its limits were frozen if that came after.
    """
    from datetime import date, timedelta

    from spc.board.frozen_limits import moment_us, replay_day

    settings = session.settings()
    try:
        wanted = date.fromisoformat(day)
    except ValueError:
        raise ValueError(f"`day` must be an ISO date like 2026-03-04, got {day!r}") from None
    begin, end = (moment_us(d.isoformat(), settings.time_zone) for d in (wanted, wanted + timedelta(days=1)))
    with session.store() as store:
        played = replay_day(store, since_us=begin, until_us=end, day=day, lap=lap, sign=sign, as_corrected=as_corrected)
    rows = [
        {
            "time": s.time_text,
            "lap": s.lap,
            "sign": s.sign,
            "rule": s.rule,
            "face": s.face_id,
            "since": s.since_face_id,
            "p_value": s.p_value,
            "revision": s.revision,
        }
        for s in played.signals
    ]
    if session.as_json:
        print_json(
            {
                "day": day,
                "sentence": played.sentence,
                "faces": played.faces,
                "not_judged": played.unjudged,
                "corrected_or_late": played.since,
                "digest": played.digest,
                "signals": rows,
            }
        )
        return
    click.echo(played.sentence)
    names = ("time", "lap", "sign", "rule", "face", "since", "revision")
    heads = {name: name for name in names} | {"time": time_head("time", settings)}
    print_table(with_times(rows, ["time"], settings), heads, nothing="No signals.")
    click.echo(f"Seal of these signals: {played.digest}")


def _face_and_cause(text: str) -> tuple[int, str]:
    face, _, cause = text.partition("=")
    if not face.strip().isdigit() or not cause.strip():
        raise ValueError(f"`--leave-out` must be FACE=CAUSE, such as 214=bad wipe, got {text!r}")
    return int(face), cause.strip()


def _limits_told(model: "ChartModel") -> str:
    """Write the one limit, or the smallest and the largest of those by part."""
    from spc.chart.stream import rate_unit

    unit, of_part = rate_unit(model.sign, model.basis), model.part_limits.values()
    if not of_part:
        return f"{model.limit:.4g} {unit}"
    return f"{min(of_part):.4g} to {max(of_part):.4g} {unit} by part"


def _shown_document(shown: "ShownRevision") -> dict[str, Any]:
    record, need = shown.record, shown.need
    return {
        "lap": record.lap,
        "sign": record.sign,
        "revision": record.revision,
        "who": record.who,
        "why": record.why,
        "frozen_at": record.frozen_at,
        "valid_from": record.valid_from,
        "fingerprint": record.fingerprint,
        "same_data": shown.same_data,
        "changed": shown.changed,
        "model": dict(record.model),
        "need": None if need is None else {"status": need.status, "p_value": need.p_value, "sentence": need.sentence},
    }


def _print_shown(shown: "ShownRevision", settings: Settings) -> None:
    from spc.board.frozen_limits import judges_words
    from spc.chart.stream import SIGNS, rate_unit
    from spc.log.moments import shown_text

    record, model = shown.record, shown.revision.model
    sign, unit = SIGNS[model.sign], rate_unit(model.sign, model.basis)
    click.echo(
        f"{plain(record.lap)}, {sign.words}: revision {record.revision}, by {plain(record.who)}: {plain(record.why)}"
    )
    click.echo(
        f"Frozen {shown_text(record.frozen_at, settings)}, judges {judges_words(shown.revision, settings.time_zone)}."
    )
    if model.part_limits:
        click.echo(f"Each part has its own limit; law: {model.norm.family}.")
    else:
        click.echo(f"Limit {model.limit:.4g} {unit} (usual {model.typical:.4g}); law: {model.norm.family}.")
    for part, limit in model.part_limits.items():
        usual = model.typical * model.norm.part_factors[part]
        click.echo(f"  {f'part {plain(part)}' if part else 'no part'}: limit {limit:.4g} {unit} (usual {usual:.4g})")
    if model.norm.growth_per_face:
        click.echo(f"The limit follows the lap's age: {model.norm.growth_per_face:+.2%} a face.")
    click.echo(f"Data: {len(model.face_ids):,} faces, seal {record.fingerprint}.")
    click.echo(
        "The readings are, to the last bit, those it was frozen from." if shown.same_data else f"{shown.changed}."
    )
    for face, cause in model.excluded:
        click.echo(f"  left out: face {face}, {plain(cause)}")
    for words in record.model.get("remarks", ()):
        click.echo(f"Note: {words}.")
    if shown.need is not None:
        click.echo(shown.need.sentence)
