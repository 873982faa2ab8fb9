"""Laps that may be one, by how their names are written: a person is asked, and nothing is joined."""

from spc.board.cell_view import CellView
from spc.log.lap_names import are_they_one, laps_written_alike

__all__ = ["lap_name_remarks"]


def lap_name_remarks(view: CellView, lap: str) -> tuple[str, ...]:
    """Ask whether laps whose names are written like this one's are the same lap; not of two that both are described.

    Parameters
    ----------
    view : CellView
    lap : str
    """

    def ask() -> dict[str, str]:
        names = [str(name) for name in view.laps["lap"]]
        said = (view.laps[["material", "kind", "home_grit", "note"]] != "").any(axis=1).tolist()
        described = {name for name, is_said in zip(names, said, strict=True) if is_said}
        asked = {}
        for group in laps_written_alike(names):
            for name in group:
                alike = [other for other in group if other == name or not described.issuperset((other, name))]
                if len(alike) > 1:
                    asked[name] = are_they_one(alike)
        return asked

    asked = view.memo.once("", "laps written alike", (view.laps,), ask)
    return (asked[lap],) if lap in asked else ()
