"""What a report says beside the index: the measuring system, the rule of acceptance, where the spread comes from."""

import math

from spc.board.study import Study
from spc.board.study_proof import StudyProof
from spc.capability.gauge_budget import ANALOGUE
from spc.report.content import Block, Bullets, Cell, Column, Facts, Paragraph, Section, Table
from spc.report.proof_figures import repeats_figure, trade_figure
from spc.report.voice import Voice, capital

__all__ = ["acceptance_section", "measuring_section", "variation_section"]

_SURE = 0.999  # a reading surer than this either way needs no line of its own
_MOST_LINES = 60
_MOST_RULES = 20  # the nearest to the limit


def measuring_section(study: Study, proof: StudyProof, say: Voice) -> Section:
    """Say how far readings of one face differ, and what that is to the limit."""
    gauge, found = proof.gauge, proof.gauge.study
    blocks: list[Block] = [Paragraph(say(found.sentence))]
    if found.status != "refused":
        lean = "yes" if gauge.enough else "no: 10 faces, 20 repeats and two readers are asked for"
        same = f"{100 * found.identical_share:.0f}%" if math.isfinite(found.identical_share) else "no pair"
        blocks.append(
            Facts(
                (
                    ("Readings from", gauge.source),
                    ("Faces, readings, readers", f"{found.faces}, {found.readings}, {found.readers or 'not known'}"),
                    ("Design", found.design),
                    ("Step", say.length(found.step_um)),
                    ("Pairs that say the same", same),
                    ("An index may lean on it", lean),
                )
            )
        )
        blocks.append(_spreads(proof, say))
        blocks += _components(proof, say)
        for limit in gauge.limits:
            blocks.append(Paragraph(say(capital(limit.resolution.sentence))))
            blocks.append(Paragraph(say(capital(limit.budget.sentence))))
            blocks.append(
                Table(
                    "uncertainty",
                    "What one reading is uncertain by",
                    (Column("Part", width=1.5), _sized("Standard uncertainty", say, 1.3),
                     Column("Counted", width=0.8), Column("Source", width=4)),
                    tuple(
                        (part.name, say.unit.of(part.u_um) if math.isfinite(part.u_um) else None,
                         "yes" if part.counted else "no", capital(part.source))
                        for part in limit.budget.parts
                    ),
                    note=capital(ANALOGUE) + ".",
                )
            )  # fmt: skip
        figure = repeats_figure(study, say)
        blocks += [figure] if figure is not None else []
        if found.remarks:
            blocks.append(Bullets(tuple(say(capital(remark)) for remark in found.remarks)))
    return Section("The measuring system", tuple(blocks))


def _spreads(proof: StudyProof, say: Voice) -> Table:
    found = proof.gauge.study
    named = (
        ("one reader reading a face again", found.repeatability),
        ("from reader to reader", found.reader),
        ("from day to day, or round to round", found.run),
    )
    rows: list[tuple[Cell, ...]] = [
        (name, say.unit.of(one.sd_um), say.unit.of(one.low_um), say.unit.of(one.high_um), capital(one.method))
        for name, one in named
        if one is not None
    ]
    rows.append(("readings as they are written, one reader", say.unit.of(found.as_written_um), None, None, ""))
    return Table(
        "measuring",
        "How far readings of one face differ",
        (Column("Standard deviation of", width=2.4), _sized("Size", say), _sized("From", say), _sized("To", say),
         Column("By", width=2.2)),
        tuple(rows),
        note=f"Intervals at {100 * found.level:g}%, before the step rounds a reading unless said. Where the readings "
        "only bound a spread its size is 0 and the upper end counts.",
    )  # fmt: skip


def _components(proof: StudyProof, say: Voice) -> list[Block]:
    """Both roads to the same components, side by side."""
    found = proof.gauge.study
    reml = {c.name: c for c in found.reml.components} if found.reml is not None else {}
    anova = {c.name: c for c in found.anova.components} if found.anova is not None else {}
    if not reml and not anova:
        return []
    roads = [(name, road) for name, road in (("REML", reml), ("ANOVA", anova)) if road]
    rows: list[tuple[Cell, ...]] = []
    for part in dict.fromkeys([*reml, *anova]):
        cells: list[Cell] = [part]
        for _, road in roads:
            one = road.get(part)
            sizes = (one.sd, one.low_sd, one.high_sd) if one is not None else (math.nan,) * 3
            cells += [say.unit.of(size) if not math.isnan(size) else None for size in sizes]
        rows.append(tuple(cells))
    heads = [head for name, _ in roads for head in (name, f"from, {name}", f"to, {name}")]
    words = {
        "REML": "REML: restricted maximum likelihood, profile intervals.",
        "ANOVA": "ANOVA: mean squares of the readings that fill every cell alike.",
    }
    return [
        Table(
            "gauge parts",
            "Parts of the spread of the readings as written" + (", by two roads" if len(roads) > 1 else ""),
            (Column("Part", width=1.6), *(_sized(head, say) for head in heads)),
            tuple(rows),
            note=" ".join([*(words[name] for name, _ in roads), "Standard deviations."]),
        )
    ]


def acceptance_section(study: Study, proof: StudyProof, say: Voice) -> Section:
    """Say which readings may be accepted, and what that costs in both coins."""
    ruled = proof.conformity
    blocks: list[Block] = [Paragraph(say(ruled.sentence), "strong" if ruled.trade is not None else "")]
    trade = ruled.trade
    if trade is None:
        return Section("Which readings may be accepted", tuple(blocks))
    blocks.append(
        Facts(
            (
                ("Limit", f"{ruled.limit_text} = {say.length(ruled.limit_um)}"),
                ("Risk borne", f"{say.locale.significant(100 * trade.risk)}% bad among the accepted"),
                ("Spread of the reader", f"{say.length(ruled.reader_sd_um)}, {ruled.reader_sd_source}"),
                ("Step of the readings", say.length(ruled.step_um)),
                ("Truly over the limit", f"{say.locale.significant(100 * trade.bad_share)}% of all faces, by the law"),
                ("Process not known", f"95% of conformance asks for at most {say.length(ruled.guarded_limit_um)}"),
            )
        )
    )
    figure = trade_figure(trade, say)
    blocks += [figure] if figure is not None else []
    blocks.append(
        Table(
            "rules",
            "What each rule of acceptance costs",
            (say.column("Accept up to"), Column("Bad faces accepted", "percent", 3, "%"),
             Column("Good faces rejected", "percent", 3, "%"), Column("Bad among accepted", "percent", 3, "%"),
             Column("Faces accepted", "percent", 3, "%"), Column("Rule")),
            tuple(
                (say.unit.of(r.accept_um), _percent(r.bad_accepted), _percent(r.good_rejected),
                 _percent(r.bad_among_accepted), _percent(r.accepted), "chosen" if r == trade.chosen else "")
                for r in trade.near_limit(_MOST_RULES)
            ),
            note="Bad faces: truly over the limit by the law of the readings. Empty: no face is bad by that law.",
        )
    )  # fmt: skip
    blocks.append(_verdicts(proof, say))
    if ruled.remarks:
        blocks.append(Bullets(tuple(say(capital(remark)) for remark in ruled.remarks)))
    return Section("Which readings may be accepted", tuple(blocks))


def _verdicts(proof: StudyProof, say: Voice) -> Table:
    """List the readings that are not surely good, each with its chance and both verdicts."""
    every = proof.conformity.readings
    told = [r for r in every if not (r.conformance >= _SURE and r.accepted)][:_MOST_LINES]
    told = told or list(every[-1:])
    rest = sum(r.faces for r in every) - sum(r.faces for r in told)
    return Table(
        "verdicts",
        "Readings and their chance to meet the limit",
        (Column("As typed", width=1.2), say.column("From"), say.column("To"), Column("Faces", "count"),
         Column("Meets the limit", "number", 1, "%"), Column("At 95% either way", width=1.6),
         Column("By the rule", width=1.4)),
        tuple(
            (r.text, say.unit.of(r.low_um), say.unit.of(r.high_um), r.faces, _percent(r.conformance), r.verdict,
             "accepted" if r.accepted else "not accepted")
            for r in told
        ),
        note=f"The other {say.locale.count(rest)} faces stand in the list of readings with their chance; by the rule "
        "that stands above.",
    )  # fmt: skip


def variation_section(study: Study, proof: StudyProof, say: Voice) -> Section:
    """Say where the spread comes from, and which crossing would tell what cannot be told."""
    found = proof.variation
    blocks: list[Block] = [Paragraph(say(found.sentence))]
    if found.sources:
        blocks.append(
            Table(
                "variation",
                "Sources of the spread of these readings",
                (Column("Source", width=1.8), Column("How many", "count"), _sized("Standard deviation", say, 1.4),
                 _sized("From", say), _sized("To", say), Column("Share of the variance", "number", 0, "%", 1.3)),
                tuple(
                    (s.name, s.levels, say.unit.of(s.sd_um), say.unit.of(s.low_um), say.unit.of(s.high_um),
                     _percent(s.share))
                    for s in found.sources
                ),
                note=f"Intervals at {100 * found.level:g}%. Sizes of spread; never a ranking of people.",
            )
        )  # fmt: skip
    if found.not_split:
        blocks.append(
            Table(
                "not split",
                "What could not be told apart, and what would tell it",
                (Column("Source"), Column("Why", width=3), Column("Cure", width=3)),
                tuple((n.name, say(capital(n.why)), say(capital(n.cure))) for n in found.not_split),
            )
        )
    if found.remarks:
        blocks.append(Bullets(tuple(say(capital(remark)) for remark in found.remarks)))
    return Section("Where the variation comes from", tuple(blocks))


def _sized(head: str, say: Voice, width: float = 1.0) -> Column:
    """Head a column of spreads, which may be far smaller than the readings."""
    return Column(head, "significant", 3, say.unit.label, width)


def _percent(share: float) -> float | None:
    return 100 * share if math.isfinite(share) else None
