"""The pictures beside the index as data: faces read more than once, and what each rule of acceptance costs."""

import math

import numpy as np

from spc.board.study import Study
from spc.capability.guard_band import AcceptanceTrade
from spc.report.content import Figure, Series
from spc.report.voice import Voice

__all__ = ["repeats_figure", "trade_figure"]

_MOST_FACES = 60  # of the picture; the list holds them all


def repeats_figure(study: Study, say: Voice) -> Figure | None:
    """Every reading of the faces read more than once; None where there is none to draw, or readings carry a sign."""
    rows = study.repeats[np.isfinite(study.repeats["high_um"])]
    rows = rows[rows["face"] > rows["face"].max() - _MOST_FACES]
    if rows.empty or (rows["low_um"] < 0).any():
        return None
    faces = rows["face"].nunique()
    unit = say.unit
    apart = rows.groupby("face").cumcount() / rows.groupby("face")["face"].transform("size") * 0.6 - 0.3
    return Figure(
        "repeats",
        "The faces read more than once",
        "Each reading is an upright bar from the least to the most it can stand for; readings of one face stand side "
        "by side. Who read is not part of the picture.",
        f"{len(rows):,} readings of {faces:,} faces that were read more than once.",
        "face",
        f"{study.plan.characteristic}, {unit.label}",
        (
            Series(
                "readings", "intervals", "data",
                tuple((rows["face"] + apart).tolist()),
                tuple((rows["low_um"] / unit.um_per_unit).tolist()),
                y2=tuple((rows["high_um"] / unit.um_per_unit).tolist()),
            ),
        ),
    )  # fmt: skip


def trade_figure(trade: AcceptanceTrade, say: Voice) -> Figure | None:
    """Bad faces accepted against good faces rejected over the largest reading accepted; None with one rule only."""
    unit = say.unit
    rules = [rule for rule in trade.rules if rule.accept_um <= 2 * trade.upper_um]
    if len(rules) < 2:
        return None
    lines = []
    for name, field, role in (
        ("bad accepted", "bad_accepted", "law"),
        ("good rejected", "good_rejected", "data"),
        ("bad among accepted", "bad_among_accepted", "faint"),
    ):
        drawn = [(rule.accept_um, getattr(rule, field)) for rule in rules if math.isfinite(getattr(rule, field))]
        if drawn:
            x, y = zip(*drawn, strict=True)
            lines.append(Series(name, "line", role, tuple(unit.of(v) for v in x), tuple(100 * v for v in y)))
    chosen: tuple[Series, ...] = ()
    told = "no reading can be accepted at this risk"
    if trade.chosen is not None:
        at = trade.chosen.accept_um
        chosen = (Series("the rule", "upright", "mark", (unit.of(at),)),)
        told = (
            f"the rule accepts up to {say.length(at)}: {100 * trade.chosen.bad_among_accepted:.2g}% of the accepted "
            f"are bad, {100 * trade.chosen.good_rejected:.2g}% of the good are rejected"
        )
    return Figure(
        "trade",
        "Bad accepted against good rejected",
        "Black: bad faces accepted, of all bad. Blue: good faces rejected, of all good. Grey: bad among "
        "the accepted. Dashed: "
        "the rule for the risk borne. Heavy: the limit.",
        f"Shares of faces over the largest reading accepted; {told}.",
        f"largest reading accepted, {unit.label}",
        "share of faces, %",
        (*lines, *chosen, Series("limit", "upright", "limit", (unit.of(trade.upper_um),))),
    )
