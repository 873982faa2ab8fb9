"""The streams of every lap, made anew only where a lap's rows or clocks have changed since the last look."""

from collections.abc import Iterable

from spc.board.cell_view import CellView
from spc.chart.stream import SIGNS, Stream, stream_of
from spc.measure.preston import PLAIN
from spc.store.registers import Baseline

__all__ = ["basis_frozen", "streams_of_cell"]


def streams_of_cell(view: CellView) -> dict[tuple[str, str], Stream]:
    """Every sign of every lap of a view.

    Parameters
    ----------
    view : CellView

    Returns
    -------
    dict of (lap, sign) to Stream
        The same objects as at the last look where nothing has changed.
    """
    found = {}
    for lap in view.laps["lap"].tolist():
        for sign, stream in _streams(view, lap).items():
            found[lap, sign] = stream
    return found


def _streams(view: CellView, lap: str) -> dict[str, Stream]:
    rows = view.lapped_of(lap)
    basis = view.memo.same(lap, "basis", {sign: basis_frozen(view.baselines, lap, sign) for sign in SIGNS})
    now = view.memo.same(lap, "cycle now", view.cycle_now(lap))
    return view.memo.once(
        lap, "streams", (rows, basis, now),
        lambda: {sign: stream_of(rows, lap=lap, sign=sign, basis=basis[sign], running_cycle=now) for sign in SIGNS},
    )  # fmt: skip


def basis_frozen(records: Iterable[Baseline], lap: str, sign: str) -> str | None:
    """Find the basis on which limits of a lap were frozen first: it stays, so that no revision is drawn again."""
    own = (record.model for record in records if (record.lap, record.sign) == (lap, sign))
    return next((str(model.get("basis", PLAIN)) for model in own), None)
