"""The appendix with which an auditor computes a study again: the list, the law, the arithmetic, the command."""

import math

from spc.board.conformity import ConformityReport
from spc.board.study import Study
from spc.capability.normal_index import normal_index
from spc.model.bounds import INDEX_TAIL
from spc.report.content import Bullets, Cell, Column, Paragraph, Table
from spc.report.made import Made

__all__ = ["data_list", "how_to_recompute", "laws_table", "repeats_list"]

# Distribution function of each law, x in micrometres, Phi the standard normal one, P the regularised incomplete gamma.
LAWS: dict[str, str] = {
    "lognormal": "F(x) = Phi(ln(x / median_um) / log_sd)",
    "gamma": "F(x) = P(shape, x / scale_um)",
    "Weibull": "F(x) = 1 - exp(-(x / scale_um)^shape)",
    "Rayleigh": "F(x) = 1 - exp(-(x / scale_um)^2 / 2)",
    "folded normal": "F(x) = Phi((x - mean_um) / sd_um) - Phi((-x - mean_um) / sd_um)",
    "half-normal": "F(x) = 2 Phi(x / scale_um) - 1",
}


def how_to_recompute(study: Study, made: Made) -> tuple[Paragraph | Bullets | Table, ...]:
    """Give the steps from the list of readings to the index, with every number on the way.

    Parameters
    ----------
    study : Study
        With a law chosen.
    made : Made
    """
    fit = study.choice.best if study.choice is not None else None
    if fit is None:
        return (Paragraph("No law could be fitted: there is nothing to compute again."),)
    index = study.index
    steps = [
        "Take the list of readings below. In the tables of this report for other programs (XLSX, CSV, JSON) both ends "
        "stand with every digit. Check it: SHA-256 over one line 'face|low|high' and a line feed per reading, in "
        "order, lengths in micrometres as hexadecimal floating-point numbers of C99, gives the data fingerprint "
        f"{study.fingerprint}.",
        f"The law chosen is {fit.family}: {LAWS[fit.family]}, with "
        + ", ".join(f"{name} = {value!r}" for name, value in fit.parameters)
        + ". It makes the log-likelihood largest: the sum over all readings of ln(F(high) - F(low)), an end that is "
        f"open counting as F = 1, a reading without width as its density. Largest value: {fit.log_likelihood!r}.",
        f"Corrected information criterion: 2 k - 2 log-likelihood + 2 k (k + 1) / (n - k - 1), k = {fit.law.free}, "
        f"n = {fit.n}: {fit.aicc!r}. The other laws stand in the next table.",
        f"Median x50 = {float(fit.ppf(0.5))!r} um, 99.865% point = {float(fit.isf(INDEX_TAIL))!r} um.",
        f"Index = (limit - x50) / (99.865% point - x50), limit = {study.limit_um!r} um: "
        f"{(study.limit_um - float(fit.ppf(0.5))) / (float(fit.isf(INDEX_TAIL)) - float(fit.ppf(0.5)))!r}. "
        + ("" if index is not None and index.status == "computed" else "It is refused above, and is not to be quoted. ")
        + f"Share over the limit = 1 - F(limit): {1e6 * float(fit.sf(study.limit_um))!r} ppm.",
    ]
    if index is not None and index.status == "computed":
        steps.append(
            f"Lower bound of the index, one-sided at {100 * index.level:g}%: that value whose likelihood ratio is "
            f"called too far by samples drawn from the law itself, read on the same steps and fitted again; "
            f"{index.repetitions:,} samples a round, random numbers of numpy's default generator from seed 1, for "
            f"every law within 4 of the best criterion; the smallest is quoted: {index.cautious_lower_bound!r}."
        )
        steps.append(
            f"Counted: {index.counted_beyond} of {index.n:,} readings lie wholly over the limit; upper bound after "
            f"Clopper and Pearson, the {100 * index.level:g}% point of the beta law with {index.counted_beyond + 1} "
            f"and {index.n - index.counted_beyond}: {index.counted_upper_bound_ppm!r} ppm."
        )
    blocks: list[Paragraph | Bullets | Table] = [
        Paragraph(
            "Numbers in this appendix have a decimal point and every digit, whatever the language of the report."
        ),
        Bullets(tuple(steps), numbered=True),
    ]
    reference = _normal_reference(study)
    if reference is not None:
        blocks.append(reference)
    words = [
        "lapcell report",
        f"--study {_quoted(made.study)} --version {made.version}" if made.study else _plan_words(study),
    ]
    blocks.append(Paragraph("The same with this software, on the same store:"))
    blocks.append(Paragraph(" ".join(words), "code"))
    return tuple(blocks)


def laws_table(study: Study) -> Table:
    """Every law tried with its criterion, parameters and index."""
    rows: list[tuple[Cell, ...]] = []
    for fit in study.choice.fits if study.choice is not None else ():
        if fit.status == "refused":
            rows.append((fit.family, None, None, None, None, fit.reason))
            continue
        middle, top = float(fit.ppf(0.5)), float(fit.isf(INDEX_TAIL))
        index = (study.limit_um - middle) / (top - middle) if top > middle else math.nan
        parameters = ", ".join(f"{name} = {value:.6g}" for name, value in fit.parameters)
        rows.append((fit.family, fit.aicc, fit.log_likelihood, index, 1e6 * float(fit.sf(study.limit_um)), parameters))
    return Table(
        "laws",
        "Laws by corrected information criterion, the best first",
        (
            Column("Law", width=1.3),
            Column("Criterion", "number", 2),
            Column("Log-likelihood", "number", 2, width=1.2),
            Column("Index", "number", 2, width=0.7),
            Column("Over the limit", "ppm", unit="ppm", width=1.1),
            Column("Parameters", width=3.2),
        ),
        tuple(rows),
        note="Laws within 4 of the best bind the cautious bound. An index refused above is not to be quoted from here.",
    )


def data_list(study: Study, conformity: ConformityReport) -> Table:
    """Every reading of the study: when, and the interval it stands for, in micrometres; no people's names.

    Where the readings are ruled on, each with its chance to meet the limit.
    """
    data = study.data
    every = {
        "face_id": Column("Face", "exact"),
        "lap": Column("Lap"),
        "cycle": Column("Cycle", "exact", width=0.7),
        "age_faces": Column("Age", "count", unit="faces", width=0.8),
        "serial": Column("Serial", width=1.3),
        "face": Column("Which face", width=0.8),
        "time_text": Column("When", width=1.5),
        "text": Column("As typed", width=0.8),
        "unit": Column("Unit", width=0.6),
        "lamp": Column("Lamp", width=0.8),
        "low_um": Column("From", "number", 5, "µm"),
        "high_um": Column("To", "number", 5, "µm"),
    }
    names = [name for name, column in every.items() if column.kind != "text" or (data[name] != "").any()]
    columns, cells = [every[name] for name in names], [data[name].tolist() for name in names]
    note = "From, to: the interval of a reading; 'open' has no upper end. Age: lappings since reconditioning."
    if conformity.readings:
        chance = {face: verdict.conformance for verdict in conformity.readings for face in verdict.face_ids}
        columns.append(Column("Meets limit", "number", 1, "%"))
        cells.append([100 * chance[face] for face in data["face_id"]])
        note += " Meets limit: the chance that the face does, by the rule of acceptance above."
    return Table(
        "readings", "Readings in the order of the log", tuple(columns), tuple(zip(*cells, strict=True)), note=note,
        dense=True,
    )  # fmt: skip


def repeats_list(study: Study) -> Table:
    """Every reading that the measuring system is studied from, faces and readers by number."""
    rows = study.repeats
    return Table(
        "repeats",
        "Readings of faces read more than once, in the order of the log",
        (
            Column("Face", "exact"),
            Column("Reader", "exact"),
            Column("From", "number", 5, "µm"),
            Column("To", "number", 5, "µm"),
        ),
        tuple(zip(*(rows[name].tolist() for name in ("face", "reader", "low_um", "high_um")), strict=True)),
        note="Faces and readers are numbered as they come; reader 0 is not known. A face lapped again is another face.",
        dense=True,
    )


def _normal_reference(study: Study) -> Table | None:
    """Give what normal theory would say, for those who ask for it."""
    low, high = study.data["low_um"].to_numpy(float), study.data["high_um"].to_numpy(float)
    middle = (low + high) / 2
    n = len(middle)
    if n < 3 or not math.isfinite(float(middle.sum())) or not float(middle.std()) > 0:
        return None
    mean, sd = float(middle.mean()), float(middle.std(ddof=1))
    said = normal_index((study.limit_um - mean) / (3 * sd), n, level=study.plan.level)
    return Table(
        "normal reference",
        "For comparison only: what normal theory would say of the middles of the readings",
        (Column("Quantity", width=4), Column("Value", "significant", 5)),
        (
            ("mean, µm", mean),
            ("standard deviation, µm", sd),
            ("(limit - mean) / (3 standard deviations)", said.index),
            (f"interval after Bissell, two-sided, {100 * said.level:g}%: from", said.approximate_low),
            ("to", said.approximate_high),
            (f"exact lower bound (noncentral t), one-sided, {100 * said.level:g}%", said.exact_lower_bound),
        ),
        note="Bissell (1990), Applied Statistics 39. Flatness and roughness are neither symmetrical nor normal: a "
        "figure from here flatters and is not the result of this study.",
    )


def _plan_words(study: Study) -> str:
    plan = study.plan
    words = [_quoted(plan.part), f"--characteristic {plan.characteristic}", f"--readings {_quoted(plan.readings)}"]
    words += [f"--lap {_quoted(lap)}" for lap in plan.laps]
    words += [f"--{name} {getattr(plan, name)}" for name in ("since", "until") if getattr(plan, name)]
    words.append(f"--level {plan.level!r}")
    if plan.limit_um is not None:
        words.append(f"--limit-um {plan.limit_um!r}")
    if plan.planned_age_faces is not None:
        words.append(f"--planned-age {plan.planned_age_faces!r}")
    words.append(f"--risk {plan.risk!r}")
    for option in ("flat_error_um", "temperature_um"):
        if getattr(plan, option) is not None:
            words.append(f"--{option.replace('_', '-')} {getattr(plan, option)!r}")
    words += [f"--exclude {_quoted(f'{face}={cause}')}" for face, cause in sorted(plan.excluded.items())]
    return " ".join(words)


def _quoted(text: str) -> str:
    from shlex import quote

    return quote(text)
