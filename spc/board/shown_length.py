"""The unit that sentences about a lap say lengths in: the one its newest face was read in, or the one asked for."""

from spc.board.cell_view import CellView
from spc.chart.stream import SIGNS
from spc.measure.length import lamp as lamp_named
from spc.measure.length import um_per
from spc.measure.shown import ShownLength

__all__ = ["length_words", "shown_length"]


def shown_length(view: CellView, lap: str, sign: str, *, asked: ShownLength | None = None) -> ShownLength | None:
    """Find the unit in which the lap's newest face was read: bands if the lamp is known, else micrometres.

    A unit that a person asked for goes before. None where the sign is no length, and for a finish, which is never read
    in light bands: micrometres then, unless other than bands are asked for.
    """
    if SIGNS[sign].unit != "um":
        return None
    if sign == "finish":
        return None if asked is None or asked.name == "bands" else asked
    if asked is not None:
        return asked
    rows = view.faces_of(lap)
    named = [u for u in rows["flatness_unit"].tolist()[-1:] if u] or [view.settings.flatness_unit]
    lamp = next((name for name in rows["lamp"].tolist()[-1:] if name), view.settings.lamp)
    if named[0] == "band" and lamp:
        return ShownLength("bands", float(um_per("band", wavelength_nm=lamp_named(lamp).wavelength_nm)))
    if named[0] == "uin":
        return ShownLength("uin", float(um_per("uin")))
    return ShownLength("um", 1.0)


def length_words(value: float, sign: str, unit: ShownLength | None) -> str:
    """Say a value of a sign, in the unit of the sign (micrometres), in the unit shown: '1.71 bands', '33.6 min'."""
    if unit is None:
        return f"{value:.3g} {SIGNS[sign].unit}"
    said = f"{value / unit.um_per_unit:.3g}"
    return f"{said} band" if (said, unit.name) == ("1", "bands") else f"{said} {unit.name}"
