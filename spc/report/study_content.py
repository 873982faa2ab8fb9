"""The report of a capability study: what may be said, what it rests on, and all that is needed to compute it again."""

import math
from collections import Counter

from spc.board.study import Study
from spc.board.study_cycles import LEAST_WHOLE
from spc.board.study_plan import READINGS
from spc.board.study_proof import prove
from spc.log.name_list import name_list
from spc.report.content import Block, Bullets, Column, Content, Paragraph, Section, Table
from spc.report.made import Made
from spc.report.proof_content import acceptance_section, measuring_section, variation_section
from spc.report.recompute import data_list, how_to_recompute, laws_table, repeats_list
from spc.report.study_figures import age_figure, law_figure
from spc.report.study_methods import METHODS, decision_rule
from spc.report.units import MICROMETRE
from spc.report.voice import Voice, capital

__all__ = ["study_content"]

_SIGNALS_SHOWN = 40


def study_content(study: Study, made: Made) -> Content:
    """Say all of a study as the content of a report.

    Parameters
    ----------
    study : Study
    made : Made
        By whom, when, in which unit and language of numbers.

    Returns
    -------
    Content
        The same study and circumstances give the same content.
    """
    unit = made.unit
    if study.plan.characteristic == "finish" and unit.name == "bands":
        unit = MICROMETRE  # roughness has no light bands
    say = Voice(study, made.locale, unit)
    warning = (Paragraph(made.changed, "caution"),) if made.changed else ()
    answer = Section("What may be said", (*warning, *_answer(study, say), *_refusals(study, say)))
    proof = prove(study)
    beside = (measuring_section, acceptance_section, variation_section)
    sections = [
        answer, *_law(study, say), *_time(study, say), *_spread(study, say),
        *(section(study, proof, say) for section in beside), _basis(study, say),
    ]  # fmt: skip
    appendix = []
    if study.choice is not None:
        appendix.append(Section("How to compute this again", how_to_recompute(study, made)))
        appendix.append(Section("Every law that was tried", (laws_table(study),)))
    if len(study.data):
        appendix.append(Section("The readings, one by one", (data_list(study, proof.conformity),)))
    if len(study.repeats):
        appendix.append(Section("The faces read more than once", (repeats_list(study),)))
    return Content(
        kind="study",
        title=study.plan.title or f"{study.plan.characteristic.capitalize()} of {study.plan.part}",
        subtitle=f"Capability study, {READINGS[study.plan.readings]}",
        sentence=say(capital(study.sentence)),
        front=_front(study, made, say),
        sections=tuple(sections),
        appendix=tuple(appendix),
        fingerprint=study.fingerprint,
        made_at=made.at,
        made_by=made.by,
        software=made.software,
        locale=made.locale,
    )


def _front(study: Study, made: Made, say: Voice) -> tuple[tuple[str, str], ...]:
    plan = study.plan
    laps = sorted(set(study.data["lap"])) or list(plan.laps)
    days = " to ".join(text for text in (plan.since, plan.until) if text)
    times = [text for text in study.data["time_text"] if text]
    limit = ""
    if study.limit_text:
        source = (
            f"register of limits, revision {study.limit_revision}" if study.limit_revision else "not the register's"
        )
        limit = f"{study.limit_text} = {say.length(study.limit_um)} ({source})"
    kept = made.changed or "every reading of the list stands in the log as it was kept"
    named = f"{made.study}, version {made.version}" if made.study else "not kept under a name"
    revisions = [f"{c.lap} revision {c.revision}" for c in study.chart_limits if c.revision]
    trial = len(study.chart_limits) - len(revisions)
    charts = (
        ", ".join([*revisions, *([f"trial limits on {trial} lap{'s' if trial > 1 else ''}"] if trial else [])])
        or "none watch these readings"
    )
    return (
        ("Site", made.site or "not named in the settings"),
        ("Study", named),
        *((("Since it was kept", kept),) if made.study else ()),
        ("Part", plan.part),
        ("Characteristic", plan.characteristic + (" (Ra)" if plan.characteristic == "finish" else "")),
        ("Upper limit", limit or "none known"),
        ("Readings", f"{made.locale.count(len(study.data))}, {READINGS[plan.readings]}"),
        ("Laps", name_list(laps) or "none"),
        ("Days asked for", days or "all that are logged"),
        ("From, to", f"{times[0]} to {times[-1]}" if times else "no times logged"),
        ("Chart limits", charts),
        ("Units", say.unit.words + ("" if say.unit.name == "um" else "; computed again in micrometres")),
        ("Data fingerprint", study.fingerprint),
        ("Computed with", made.software + (f"; kept with {made.kept_with}" if made.kept_with else "")),
        ("Made by", made.by or "not said"),
        ("Made at", made.locale.moment(made.at)),
    )


def _answer(study: Study, say: Voice) -> list[Block]:
    blocks: list[Block] = []
    index = study.index
    level = f"{study.plan.level:.0%}"
    if index is not None and index.status == "computed":
        word = index.word
        rows: list[tuple[str | float | None, ...]] = [
            (f"{word} index, one law for all ages", index.index, index.cautious_lower_bound, index.beyond_ppm,
             index.cautious_upper_bound_ppm, index.n)
        ]  # fmt: skip
    else:
        rows = []
    mix = study.whole_cycles
    if mix is not None and mix.mixture is not None:
        rows.append(
            ("performance index over whole cycles", mix.mixture.index, mix.index_lower_bound, mix.mixture.beyond_ppm,
             mix.beyond_upper_bound_ppm, len(study.data))
        )  # fmt: skip
    at = study.at_planned_age
    if at is not None and at.index is not None and at.index.status == "computed":
        aged = say.locale.number(at.age_faces, 0)
        rows.append(
            (f"{at.index.word} index at {aged} faces since reconditioning", at.index.index,
             at.index.cautious_lower_bound, at.index.beyond_ppm, at.index.cautious_upper_bound_ppm, at.index.n)
        )  # fmt: skip
    if index is not None:
        share = index.counted_beyond
        rows.append(
            ("counted, no law at all", None, None, 1e6 * share / index.n if index.n else None,
             index.counted_upper_bound_ppm, index.n)
        )  # fmt: skip
    if rows:
        blocks.append(
            Table(
                "answer",
                "The figures, each with the bound that the readings carry",
                (
                    Column("Figure", width=3.4),
                    Column("Index", "number", 2),
                    Column(f"At least, {level} sure", "number", 2),
                    Column("Over the limit", "ppm", unit="ppm"),
                    Column(f"At most, {level} sure", "ppm", unit="ppm"),
                    Column("Readings", "count"),
                ),
                tuple(rows),
                note="Bounds are one-sided and the most cautious over all laws not ruled out. An empty cell is a "
                "figure that these readings do not carry.",
            )
        )
    for told in (mix, at):
        if told is not None:
            blocks.append(Paragraph(say(capital(told.sentence))))
    blocks.append(Paragraph(decision_rule(study.plan.level)))
    if study.status == "refused" and not study.refusals:
        blocks.append(Paragraph("Cure: " + _cure(study)))
    return blocks


def _cure(study: Study) -> str:
    if not len(study.data):
        return "choose other laps, days or readings, or take in the logs that hold them."
    if not math.isfinite(study.limit_um):
        return "set the limit of the drawing in the register of limits, or give one for this study."
    return "log more faces, each with its reading as typed, and study them again."


def _refusals(study: Study, say: Voice) -> list[Block]:
    if not study.refusals:
        return []
    rows = tuple((say(capital(r.sentence)), say(capital(r.cure)), r.bars) for r in study.refusals)
    return [
        Table(
            "refusals",
            "Why it is not called capability, and what would cure it",
            (Column("What was found", width=3), Column("Cure", width=3), Column("It bars", width=1.1)),
            rows,
        )
    ]


def _law(study: Study, say: Voice) -> list[Section]:
    if study.choice is None or study.choice.best is None:
        return []
    told = [part.sentence for part in (study.choice, study.fit, study.cut_off) if part is not None]
    return [
        Section(
            "The law of the readings",
            (law_figure(study, say), Bullets(tuple(map(say, map(capital, told))))),
        )
    ]


def _time(study: Study, say: Voice) -> list[Section]:
    if not study.time_model:
        return []
    blocks: list[Block] = [
        Paragraph(
            f"Time model: {study.time_model}." + (f" {say(capital(study.trend.sentence))}" if study.trend else "")
        )
    ]
    blocks.append(age_figure(study, say))
    mix = study.whole_cycles
    if mix is not None and mix.classes:
        rows = tuple(
            (c.from_faces, c.to_faces, c.readings, 100 * c.share, c.family, say.unit.of(c.median_um),
             say.unit.of(c.high_um), c.beyond_ppm)
            for c in mix.classes
        )  # fmt: skip
        columns = (
            Column("Age from", "count", unit="faces"), Column("to", "count", unit="faces"), Column("Readings", "count"),
            Column("Weight", "number", 1, "%"), Column("Law", width=1.4), say.column("Median"),
            say.column("99.865% point", width=1.3), Column("Over the limit", "ppm", unit="ppm", width=1.2),
        )  # fmt: skip
        weights = (
            f"as {mix.whole:,} whole cycles made faces of each age"
            if mix.whole >= LEAST_WHOLE
            else "as the readings stand"
        )
        blocks.append(Table("ages", "Laws by age in the cycle", columns, rows, note=f"Weights: {weights}."))
    return [Section("Over time", tuple(blocks))]


def _spread(study: Study, say: Voice) -> list[Section]:
    if not study.spread:
        return []
    rows = tuple(
        (one.name, *(say.unit.of(x) if math.isfinite(x) else None for x in (one.sd_um, one.low_um, one.high_um)))
        for one in study.spread
    )
    table = Table(
        "spread",
        "Standard deviations",
        (Column("Spread", width=2), say.column("Standard deviation", width=1.4), say.column("From"), say.column("To")),
        rows,
        note=say(capital(study.spread_sentence)) + " Intervals at 95%.",
    )
    return [Section("How the readings spread", (table,))]


def _basis(study: Study, say: Voice) -> Section:
    blocks: list[Block] = []
    if study.chart_limits:
        watched = say.locale.count(study.watched)
        blocks.append(
            Table(
                "charts",
                "Chart limits that watched these readings",
                (
                    Column("Lap"),
                    Column("Revision", "count"),
                    Column("Which limits", width=4),
                    Column("Frozen from data", width=2),
                ),
                tuple((c.lap, c.revision, say(capital(c.sentence)), c.fingerprint[:16]) for c in study.chart_limits),
                note=f"{watched} of {say.locale.count(len(study.data))} readings were judged. Revision 0 = not frozen.",
            )
        )
        signals = study.signals[:_SIGNALS_SHOWN]
        if signals:
            more = len(study.signals) - len(signals)
            told = tuple(say(signal) for signal in signals) + ((f"and {more} more.",) if more else ())
            blocks.append(Paragraph("Signals among these readings that nobody has answered:"))
            blocks.append(Bullets(told))
    units = Counter(zip(study.data["unit"], study.data["lamp"], strict=True))
    typed = [(f"{unit} ({lamp} lamp)" if lamp else unit, n) for (unit, lamp), n in sorted(units.items()) if unit]
    if typed:
        many = "one unit" if len(typed) == 1 else f"{len(typed):,} units"
        listed = ", ".join(f"{say.locale.count(n)} in {unit}" for unit, n in typed)
        blocks.append(
            Paragraph(
                f"The readings were typed in {many}: {listed}. All were made micrometres before anything was computed."
            )
        )
    blocks.append(
        Table(
            "not taken",
            "Readings of this part that the study does not take",
            (Column("Why", width=5), Column("Readings", "count")),
            study.not_taken or (("none: every reading is in the list", 0),),
        )
    )
    if study.left_out:
        blocks.append(
            Table(
                "left out",
                "Readings that a person left out, each with its cause",
                (Column("Face", "exact"), Column("As typed"), Column("Cause", width=4)),
                tuple((item.face_id, item.text, item.cause) for item in study.left_out),
            )
        )
    else:
        blocks.append(Paragraph("No reading was left out by a person."))
    blocks.append(Paragraph("Methods and where they come from:"))
    blocks.append(Bullets(METHODS))
    return Section("What it rests on", tuple(blocks))
