"""`lapcell report`: capability studies written out, kept by name, and written again to the same bytes."""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from spc.cli import DONE, NEEDS_A_PERSON, Session, common_options
from spc.commands.capability import excluded_faces, plan_options
from spc.commands.files import file_name, formats, write_file
from spc.commands.moments import time_head, with_times
from spc.commands.output import clean, one_line, plain, print_json, print_table, progress_bar

if TYPE_CHECKING:
    from spc.board.cell_view import CellView
    from spc.board.kept_studies import KeptStudy
    from spc.board.study import Study
    from spc.board.study_material import StudyMaterial
    from spc.report.locale import Locale
    from spc.report.made import Made
    from spc.report.units import ReportUnit
    from spc.settings import Settings
    from spc.store.store import Store

__all__ = ["command"]

_PER_WORKER = 6  # reports that pay for the start of a processor's own work


@dataclass(frozen=True, slots=True)
class _Look:
    """How the reports are to be written."""

    unit: "ReportUnit"
    locale: "Locale"
    paper: str
    formats: tuple[str, ...]
    out: Path


@click.command("report")
@click.argument("parts", nargs=-1, metavar="[PART]...")
@plan_options
@click.option("--risk", default=0.005, show_default=True, help="Largest share of bad faces among the accepted ones.")
@click.option("--flat-error-um", type=float, default=None, help="Largest error of the flat, as certified.")
@click.option("--temperature-um", type=float, default=None, help="Largest form error that heat brings.")
@click.option("--title", default="", help="Heading of the report, in place of the part's name.")
@click.option("--study", "name", default="", help="Write a kept study again, in place of a new one.")
@click.option("--version", type=int, default=None, help="Which version of it; left out, the newest.")
@click.option("--save", "save_as", default="", help="Keep the study under this name; a version is added each time.")
@click.option("--list", "listed", is_flag=True, help="List the kept studies and write nothing.")
@click.option(
    "--format", "wanted", default="html", show_default=True, help="html, pdf, xlsx, csv, json; comma between."
)
@click.option("--out", type=click.Path(path_type=Path), default=Path("."), help="Folder to write into.")
@click.option("--units", default="um", show_default=True, help="um, uin or bands.")
@click.option("--lamp", default="", help="Lamp of the bands; left out, that of the settings.")
@click.option("--language", default="en", show_default=True, help="How numbers are written: en, de or fr.")
@click.option("--paper", default="A4", show_default=True, help="A4 or Letter, for the PDF.")
@click.option("--who", default="", help="Who makes the report; needed with --save.")
@common_options
def command(
    session: Session, *, parts: tuple[str, ...], name: str, version: int | None, save_as: str, listed: bool,
    wanted: str, out: Path, units: str, lamp: str, language: str, paper: str, who: str, title: str, **options: Any,
) -> int:  # fmt: skip
    """Write a report of a capability study, one per PART, or of a kept study.

    A kept study holds its list of readings: faces added later do not change it, and it is written again to the same
    bytes. Where a reading of the list has been corrected since, the report says so. Beside the index stand the
    measuring system, the rule of acceptance with its price, and where the spread comes from, each or its refusal.

    Exit code 1 when a report refuses the word 'capability', or a kept reading has been corrected. With --json one
    document: reports, each with part, study, version, status, word, sentence, fingerprint, changed and files.
    """
    if listed:
        with session.store() as store:
            return _list(session, store)
    settings = session.settings()
    look = _look(formats(wanted), out, paper, language, units, lamp or settings.lamp)
    if bool(parts) == bool(name):
        raise ValueError("name one PART or more, or a kept study with --study; `--list` lists those kept")
    if version is not None and not name:
        raise ValueError("`--version` needs the name of a kept study: give --study")
    with session.store() as store:
        from spc.board.cell_view import look_at_cell

        view = look_at_cell(store, settings, rows=None)
        if name:
            done = [_again(store, view, name, version, look)]
        else:
            done = _new(store, view, settings, parts, look, save_as=save_as, who=who, title=title, options=options)
    if session.as_json:
        print_json({"reports": done})
    else:
        for report in done:
            click.echo(f"{plain(report['part'])}: {one_line(report['sentence'])}")
            if report["changed"]:
                click.echo(f"  {report['changed']}")
            for file in report["files"]:
                click.echo(f"  {file}")
    return DONE if all(r["word"] == "capability" and not r["changed"] for r in done) else NEEDS_A_PERSON


def _look(wanted: tuple[str, ...], out: Path, paper: str, language: str, units: str, lamp: str) -> _Look:
    """Check how the reports are to be written before anything is computed or kept."""
    from spc.report.locale import locale_named
    from spc.report.render import check_paper
    from spc.report.units import report_unit

    check_paper(paper)
    return _Look(report_unit(units, lamp_name=lamp), locale_named(language), paper, wanted, out)


def _new(
    store: "Store", view: "CellView", settings: "Settings", parts: tuple[str, ...], look: _Look, *, save_as: str,
    who: str, title: str, options: dict[str, Any],
) -> list[dict[str, Any]]:  # fmt: skip
    """Study one part after the other; the charts of the cell are drawn once for all of them."""
    from spc.board.cell_charts import chart_cell
    from spc.board.kept_studies import keep_study
    from spc.board.study_material import gather
    from spc.board.study_plan import StudyPlan
    from spc.report.made import Made, software_version

    _known(view, parts)
    excluded = excluded_faces(options.pop("excluded"))
    cell = chart_cell(view)
    asked: list[tuple[StudyMaterial, Made, _Look]] = []
    done = []
    with progress_bar("reports") as bar:
        for part in parts:
            material = gather(view, StudyPlan(part=part, excluded=excluded, title=title, **options), cell=cell)
            kept = None
            if save_as:
                name = save_as if len(parts) == 1 else f"{save_as}, {part}"
                kept = keep_study(
                    store, material, name, made_at=view.now, made_by=who, site=settings.site_name,
                    software=software_version(),
                )  # fmt: skip
            made = Made(
                at=view.now,
                by=who,
                site=settings.site_name,
                study=kept.name if kept else "",
                version=kept.version if kept else 0,
                software=software_version(),
            )
            asked.append((material, made, look))
        for written in _each(asked):
            done.append(written)
            bar(len(done), len(parts))
    return done


def _each(asked: "list[tuple[StudyMaterial, Made, _Look]]") -> "Iterator[dict[str, Any]]":
    """Compute and write one report after the other; a large batch on all processors there are."""
    workers = min(os.cpu_count() or 1, len(asked) // _PER_WORKER)
    if workers < 2:
        yield from map(_computed, asked)
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    try:
        pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"))
    except (OSError, ImportError, NotImplementedError):  # a system without shared semaphores
        yield from map(_computed, asked)
        return
    with pool:
        yield from pool.map(_computed, asked)


def _computed(asked: "tuple[StudyMaterial, Made, _Look]") -> dict[str, Any]:
    from spc.board.study import compute_study

    material, made, look = asked
    return _write(compute_study(material), made, look)


def _again(store: "Store", view: "CellView", name: str, version: int | None, look: _Look) -> dict[str, Any]:
    from spc.board.kept_studies import changes_since, kept_study
    from spc.board.study import compute_study
    from spc.report.made import made_of_kept

    kept = kept_study(store, name, version=version)
    return _write(compute_study(kept.material), made_of_kept(kept, changed=changes_since(view, kept)), look)


def _write(study: "Study", made: "Made", look: _Look) -> dict[str, Any]:
    from dataclasses import replace

    from spc.report.render import render
    from spc.report.study_content import study_content

    content = study_content(study, replace(made, unit=look.unit, locale=look.locale))
    stem = f"{made.study} {made.version}" if made.study else f"{study.plan.part} {study.plan.characteristic}"
    files = [
        write_file(look.out / f"{file_name(stem)}.{form}", render(content, form, paper=look.paper))
        for form in look.formats
    ]
    written: dict[str, Any] = clean(
        {
            "part": study.plan.part,
            "study": made.study,
            "version": made.version,
            "status": study.status,
            "word": study.index.word if study.index is not None else "",
            "sentence": study.sentence,
            "fingerprint": study.fingerprint,
            "changed": made.changed,
            "files": files,
        }
    )
    return written


def _known(view: "CellView", parts: tuple[str, ...]) -> None:
    known = set(view.faces["part"])
    for part in parts:
        if part not in known:
            names = sorted(known - {""})
            told = ", ".join(plain(n) for n in names[:12]) + (" and others" if len(names) > 12 else "")
            raise ValueError(
                f"no face of part {plain(part)!r} is logged; "
                + (f"logged are {told}" if names else "none is logged yet")
            )


def _list(session: Session, store: "Store") -> int:
    from spc.board.kept_studies import list_kept

    rows = [_row(kept) for kept in list_kept(store)]
    if session.as_json:
        print_json({"studies": rows})
    else:
        settings = session.settings()
        heads = {"study": "Study", "version": "Version", "part": "Part", "readings": "Readings", "by": "By"}
        heads["at"] = time_head("At", settings)
        nothing = "No study is kept; `lapcell report PART --save NAME --who YOU` keeps one."
        print_table(with_times(rows, ["at"], settings), heads, nothing=nothing)
    return DONE


def _row(kept: "KeptStudy") -> dict[str, Any]:
    return {
        "study": kept.name,
        "version": kept.version,
        "part": kept.material.plan.part,
        "readings": len(kept.material.data),
        "by": kept.made_by,
        "at": kept.made_at.isoformat(sep=" ", timespec="minutes"),
        "fingerprint": kept.material.fingerprint,
    }
