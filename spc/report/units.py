"""The unit in which a report shows lengths: micrometres, microinches, or light bands of a lamp."""

from dataclasses import dataclass

from spc.measure.length import lamp, um_per

__all__ = ["MICROMETRE", "ReportUnit", "report_unit"]


@dataclass(frozen=True, slots=True)
class ReportUnit:
    """One unit to show lengths in."""

    name: str  # 'um', 'uin' or 'bands'
    label: str  # as printed behind a number
    um_per_unit: float
    decimals: int  # of a shown length
    single: str  # one of it, as printed behind 'per'
    words: str  # said once, where the report names its units

    def of(self, length_um: float) -> float:
        """Give a length in this unit."""
        return length_um / self.um_per_unit


MICROMETRE = ReportUnit("um", "µm", 1.0, 3, "µm", "micrometres")


def report_unit(name: str, *, lamp_name: str = "") -> ReportUnit:
    """Find the unit of a report.

    Parameters
    ----------
    name : str
        'um', 'uin' or 'bands'.
    lamp_name : str
        The lamp, or a wavelength such as '546.1 nm'; needed for bands.

    Raises
    ------
    ValueError
        If the unit is none of these, or bands come without their lamp.
    """
    if name == "um":
        return MICROMETRE
    if name == "uin":
        return ReportUnit("uin", "µin", float(um_per("uin")), 1, "µin", "microinches, 1 µin = 0.0254 µm")
    if name != "bands":
        raise ValueError(f"`units` must be one of um, uin, bands, got {name!r}")
    if not lamp_name:
        raise ValueError("`units` bands need their lamp: name it, or set `lamp` in the site's settings")
    source = lamp(lamp_name)
    words = (
        f"light bands of {source.name} light, 1 band = {source.band_um:.6g} µm (half of {source.wavelength_nm:g} nm)"
    )
    return ReportUnit("bands", f"bands ({source.name})", source.band_um, 2, "band", words)
