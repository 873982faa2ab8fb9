"""Lengths as a lapping shop writes them, made micrometres exactly: um, uin, nm, mm, in, mil and light bands by lamp.

One light band (one dark fringe to the next) is half a wavelength of gap, so bands have no length until the lamp is
known. Factors are exact fractions; the one rounding happens when a `float` leaves this module.
"""

import re
from dataclasses import dataclass
from fractions import Fraction

__all__ = ["LAMPS", "UNITS", "Lamp", "lamp", "um_per", "unit_name"]

# Micrometres per unit. 1 in = 25.4 mm exactly (international yard and pound agreement, 1959).
_EXACT: dict[str, Fraction] = {
    "um": Fraction(1),
    "nm": Fraction(1, 1000),
    "mm": Fraction(1000),
    "in": Fraction(25400),
    "uin": Fraction(254, 10000),
    "mil": Fraction(254, 10),
}
UNITS: tuple[str, ...] = ("um", "uin", "nm", "mm", "in", "mil", "band")


@dataclass(frozen=True, slots=True)
class Lamp:
    """A monochromatic lamp."""

    name: str
    wavelength_nm: float

    @property
    def band_um(self) -> float:
        """Length of one band, half a wavelength, in micrometres."""
        return float(Fraction(str(self.wavelength_nm)) / 2000)


# Wavelengths in air or vacuum differ by 0.03 %, far below any reading; the usual shop figures (nm).
LAMPS: dict[str, Lamp] = {
    name: Lamp(name, nm)
    for name, nm in (("helium", 587.56), ("sodium", 589.3), ("mercury green", 546.07), ("helium-neon", 632.8))
}

_LAMP_WORDS: dict[str, str] = {
    "helium": "helium", "he": "helium", "hélium": "helium", "helium lamp": "helium", "heliumlampe": "helium",
    "sodium": "sodium", "na": "sodium", "natrium": "sodium", "natriumlampe": "sodium", "sodium lamp": "sodium",
    "mercury green": "mercury green", "mercury": "mercury green", "hg": "mercury green", "hg green": "mercury green",
    "quecksilber": "mercury green", "quecksilber grün": "mercury green", "mercure": "mercury green",
    "mercure vert": "mercury green",
    "helium-neon": "helium-neon", "helium neon": "helium-neon", "hene": "helium-neon", "he-ne": "helium-neon",
    "hélium-néon": "helium-neon", "hene laser": "helium-neon", "he-ne laser": "helium-neon",
}  # fmt: skip

_UNIT_WORDS: dict[str, str] = {}
for _unit, _words in {
    "um": "um µ mic mics micron microns micrometre micrometres micrometer micrometers mikrometer mikron micromètre "
    "micromètres µm",
    "uin": 'uin µin µ" u" uinch µinch microinch microinches micro-inch micro-inches micro-in u-inch µ-inch u-in '
    "µ-in mikrozoll micropouce "
    "micropouces µzoll",
    "nm": "nm nanometre nanometres nanometer nanometers nanomètre nanomètres",
    "mm": "mm millimetre millimetres millimeter millimeters millimètre millimètres",
    "in": 'in in. inch inches " zoll pouce pouces',
    "mil": "mil mils thou thous",
    "band": "band bands bd bds lb light-band light-bands lightband lightbands fr fringe fringes streifen band. "
    "lichtband lichtbänder interferenzstreifen interferenzstreifen. bande bandes frange franges he-band he-bands "
    "heliumband lichtstreifen bänder ring ringe",
}.items():
    for _word in _words.split():
        _UNIT_WORDS[_word] = _unit
_UNIT_WORDS |= {
    "micro inch": "uin", "micro inches": "uin", "micro in": "uin", "µ in": "uin", "u in": "uin", "µ m": "um",
    "light band": "band", "light bands": "band", "helium light bands": "band", "bandes lumineuses": "band",
}  # fmt: skip


def unit_name(text: str) -> str:
    """Our name of a unit as people type it in English, German or French.

    Parameters
    ----------
    text : str
        For example "µm", "mic", 'µ"', "Streifen", "franges".

    Returns
    -------
    str
        One of `UNITS`.

    Raises
    ------
    ValueError
        If the word is not known, or says only "micro", which shops use for both micrometre and microinch.
    """
    key = re.sub(r"\s+", " ", text.replace("\u03bc", "µ").replace("″", '"').replace("”", '"').strip().lower())
    key = key.removesuffix(".") if key not in _UNIT_WORDS else key
    if key in ("micro", "micros"):
        raise ValueError(f"`unit` {text!r} is used for both micrometre and microinch; write um or uin")
    if key not in _UNIT_WORDS:
        raise ValueError(f"`unit` must be one of {', '.join(UNITS)}, got {_short(text)}")
    return _UNIT_WORDS[key]


def lamp(text: str | float) -> Lamp:
    """Find the lamp a word or a stated wavelength means.

    Parameters
    ----------
    text : str or float
        A name ("helium", "He-Ne", "Natrium") or a wavelength in nanometres ("546.1 nm", 632.8), 300 to 1100.

    Returns
    -------
    Lamp

    Raises
    ------
    ValueError
        If the lamp is not known or the wavelength is outside 300 to 1100 nm.
    """
    typed = str(text)
    key = re.sub(r"\s+", " ", typed.strip().lower())
    if key in _LAMP_WORDS:
        return LAMPS[_LAMP_WORDS[key]]
    stated = re.fullmatch(r"(\d{3,4}(?:[.,]\d{1,4})?) ?(?:nm)?", key)
    if stated:
        nm = float(stated.group(1).replace(",", "."))
        for known in LAMPS.values():
            if known.wavelength_nm == nm:
                return known
        if 300 <= nm <= 1100:
            return Lamp(f"{nm:g} nm", nm)
        raise ValueError(f"`lamp` must have a wavelength from 300 to 1100 nm, got {_short(typed)}")
    raise ValueError(f"`lamp` must be one of {', '.join(LAMPS)} or a wavelength in nm, got {_short(typed)}")


def um_per(unit: str, *, wavelength_nm: float | None = None) -> Fraction:
    """Micrometres in one unit, exact.

    Parameters
    ----------
    unit : str
        One of `UNITS`.
    wavelength_nm : float, nm, optional
        Needed for bands only: a band is half of it.

    Returns
    -------
    Fraction

    Raises
    ------
    ValueError
        If the unit is not known, or a band comes without its wavelength.

    References
    ----------
    Band = half a wavelength: US Army metrology course MM0478, optical flats (9 bands of 11.6 uin are 104.4 uin).
    """
    if unit == "band":
        if wavelength_nm is None:
            raise ValueError("`wavelength_nm` must be given for light bands, got none; say which lamp was used")
        if not 300 <= wavelength_nm <= 1100:
            raise ValueError(f"`wavelength_nm` must be from 300 to 1100, got {wavelength_nm}")
        return Fraction(str(wavelength_nm)) / 2000
    if unit not in _EXACT:
        raise ValueError(f"`unit` must be one of {', '.join(UNITS)}, got {_short(unit)}")
    return _EXACT[unit]


def _short(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")
