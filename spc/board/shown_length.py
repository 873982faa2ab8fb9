"""The unit that sentences about a lap say lengths in: the one its newest face was read in, or the one asked for."""

from spc.board.cell_view import CellView
from spc.chart.stream import SIGNS, rate_unit
from spc.measure.length import lamp as lamp_named
from spc.measure.length import um_per
from spc.measure.preston import PLAIN
from spc.measure.shown import ShownLength, told_apart, written_out

__all__ = ["length_words", "lengths_apart", "shown_length"]


def shown_length(
    view: CellView, lap: str, sign: str, *, asked: ShownLength | None = None, basis: str = PLAIN
) -> ShownLength | None:  # fmt: skip
    """Find the unit in which the lap's newest face was read: bands if the lamp is known, else micrometres.

    A unit that a person asked for goes before. None where the sign is no length, and for a finish, which is never read
    in light bands: micrometres then, unless other than bands are asked for. A removal rate per pressure or speed, its
    `basis`, is said in the unit of that.
    """
    if basis != PLAIN:
        return ShownLength(rate_unit(sign, basis), 1.0)
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
    return _with_unit(written_out(value / (unit.um_per_unit if unit else 1.0)), sign, unit)


def lengths_apart(value: float, limit: float, sign: str, unit: ShownLength | None) -> tuple[str, str]:
    """Say a value and its limit as `length_words` does, with as many digits as show which is beyond the other."""
    size = unit.um_per_unit if unit else 1.0
    shown, against = told_apart(value / size, limit / size)
    return _with_unit(shown, sign, unit), _with_unit(against, sign, unit)


def _with_unit(said: str, sign: str, unit: ShownLength | None) -> str:
    if unit is None:
        return f"{said} {SIGNS[sign].unit}"
    return f"{said} band" if (said, unit.name) == ("1", "bands") else f"{said} {unit.name}"
