"""The streams of every lap, made anew only where a lap's rows or clocks have changed since the last look."""

from spc.board.cell_view import CellView
from spc.chart.stream import SIGNS, Stream, stream_of

__all__ = ["streams_of_cell"]


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
    rows = view.faces_of(lap)
    return view.memo.once(
        lap, "streams", (rows,), lambda: {sign: stream_of(rows, lap=lap, sign=sign) for sign in SIGNS}
    )  # fmt: skip
