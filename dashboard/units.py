"""The unit a person reads lengths in: micrometres, microinches or light bands of a lamp. For display only."""

from collections.abc import Sequence
from dataclasses import dataclass

from spc.measure.length import LAMPS, um_per
from spc.measure.shown import MICROMETRE as SHOWN_MICROMETRE
from spc.measure.shown import ShownLength, said_in

__all__ = ["AS_TYPED", "MICROMETRE", "UNIT_CHOICES", "DisplayUnit", "band_key", "display_unit"]

AS_TYPED = "typed"  # the choice of each lap's own unit


@dataclass(frozen=True, slots=True)
class DisplayUnit:
    """One unit to show lengths in."""

    key: str  # as in a link: 'um', 'uin', 'band-helium', ...
    label: str  # as printed on an axis
    um_per_unit: float

    @property
    def shown(self) -> ShownLength:
        """The same unit as sentences of the board say it."""
        return ShownLength("bands" if self.key.startswith("band-") else self.key, self.um_per_unit)

    def said(self, text: str, *, exactly_um: Sequence[float] = ()) -> str:
        """Return a sentence about form with its lengths in this unit; `exactly_um`: those it rounds to 3 digits."""
        if self.shown != SHOWN_MICROMETRE:  # rounded once, not twice
            for value in exactly_um:
                text = text.replace(f" {value:.3g} um", f" {value:.12g} um")
        return said_in(text, self.shown)

    def named(self, written: str) -> str:
        """Return a written number with this unit after it: '1 band', '1.5 bands', '0.3 µm'; an axis names the lamp."""
        if not self.key.startswith("band-"):
            return f"{written} {self.label}"
        return f"{written} {'band' if written == '1' else 'bands'}"

    def from_um(self, value_um: float) -> float:
        """Return a length in this unit."""
        return value_um / self.um_per_unit


def band_key(lamp: str) -> str:
    """Return how a link names the bands of a lamp."""
    return f"band-{lamp.replace(' ', '-')}"


MICROMETRE = DisplayUnit("um", "µm", 1.0)
UNIT_CHOICES: dict[str, DisplayUnit] = {
    "um": MICROMETRE,
    "uin": DisplayUnit("uin", "µin", float(um_per("uin"))),
    **{
        band_key(name): DisplayUnit(
            band_key(name), f"bands, {name} lamp", float(um_per("band", wavelength_nm=lamp.wavelength_nm))
        )
        for name, lamp in LAMPS.items()
    },
}


def display_unit(key: str | None) -> DisplayUnit:
    """Return the unit a link names; micrometres for anything unknown."""
    return UNIT_CHOICES.get(key or "", MICROMETRE)
