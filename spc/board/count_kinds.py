"""Charts of faces that went wrong: the share lapped again, scratches, and the faces between re-laps."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.board.chart_made import ChartOptions, Made, Panel
from spc.board.chart_series import ChartSeries, groups_of, ungrouped_words
from spc.chart.counts import CountChart, count_chart, lots_until, share_chart
from spc.chart.price import in_points
from spc.chart.relaps import gap_chart

__all__ = ["between_relaps", "relap_share", "scratches"]

TIMES = (1.5, 2.0, 3.0)


def relap_share(series: ChartSeries, options: ChartOptions) -> Made:
    """Share of faces that had to be lapped again, lot by lot."""
    bad, lots, size, words, left_out = _lots(series.finished, options, series.finished["relapped"].to_numpy(bool))
    found = share_chart(bad, size, share=options.centre, limits=_limits(options), width_sd=options.width_or(3.0))
    return _made(found, lots, size, words, "of faces lapped again", left_out, binomial=True)


def scratches(series: ChartSeries, options: ChartOptions) -> Made:
    """Scratches per lapping, lot by lot."""
    bad, lots, size, words, left_out = _lots(series.lapped, options, series.lapped["scratch"].to_numpy(bool))
    found = count_chart(bad, size, rate=options.centre, limits=_limits(options), width_sd=options.width_or(3.0))
    return _made(found, lots, size, words, "scratches per lapping", left_out, binomial=False)


def between_relaps(series: ChartSeries, options: ChartOptions) -> Made:
    """Faces from one that was lapped again to the next."""
    bad = series.finished["relapped"].to_numpy(bool)
    share = options.centre if options.centre is not None else (float(bad.sum()) + 0.5) / (bad.size + 1.0)
    chart = gap_chart(bad, share=share, together=2)
    labels = tuple(str(face) for face in series.finished["face_id"].tolist())
    parts = [f"{t:g} times as many after about {in_points(2 / min(0.99, t * share))}" for t in TIMES[1:]]
    sees = f"A point falls due after two re-laps: with {', with '.join(parts)} faces."
    baseline = f"a share of {share:.2%}, " + ("given" if options.centre is not None else f"from all {bad.size:,} faces")
    panel = Panel(chart, labels, tuple(series.finished["time_text"].tolist()))
    return Made((panel,), baseline, sees, lappings=True)


def _limits(options: ChartOptions) -> str:
    return "probability" if options.width is None else "three sigma"


def _lots(
    rows: pd.DataFrame, options: ChartOptions, bad: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], tuple[str, ...], NDArray[np.float64], str, tuple[str, ...]]:
    by = "day" if options.by == "time" else options.by
    ids, words = groups_of(rows, by)
    left_out, of_one = ungrouped_words(ids, by), ids != ""
    ids, bad = ids[of_one], bad[of_one]
    names, first, code = np.unique(ids.astype(str), return_index=True, return_inverse=True)
    order = np.argsort(first, kind="stable")
    count = np.bincount(code.reshape(-1), weights=bad.astype(np.float64), minlength=names.size)[order]
    size = np.bincount(code.reshape(-1), minlength=names.size)[order].astype(np.float64)
    return count.astype(np.float64), tuple(names[order].tolist()), size, words, left_out


def _made(
    found: CountChart,
    lots: tuple[str, ...],
    size: NDArray[np.float64],
    words: str,
    what: str,
    left_out: tuple[str, ...],
    *,
    binomial: bool,
) -> Made:
    sees = ""
    if found.chart.status == "ok" and size.size:
        usual = int(np.median(size))
        parts = [
            f"{t:g} times as many after about {in_points(lots_until(found, usual, t * found.rate, binomial=binomial))}"
            for t in TIMES
            if not binomial or t * found.rate < 1
        ]
        sees = f"In lots of {usual:,} it sees {', '.join(parts)} lots." if parts else ""
    baseline = f"{len(lots):,} lots, {words}; {found.rate:.3%} {what}" if binomial else (
        f"{len(lots):,} lots, {words}; {found.rate:.3g} {what}"
    )  # fmt: skip
    return Made((Panel(found.chart, lots, ("",) * len(lots)),), baseline, sees, left_out, lappings=True)
