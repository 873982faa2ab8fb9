"""What the removal rate is told per: Preston's law takes load, contact area and rubbing speed out of it.

Removal follows dh/dt = k p v with p the pressure (load on contact area) and v the rubbing speed. Divided by both, the
rate is k, which belongs to grit, lap and steel alone: by volume, what is taken off per newton and metre rubbed. The law
holds for what the log carries; what it does not carry is taken as always the same for a part number. One lap is told
on one basis: plain rates and rates per pressure or speed are never put side by side.

References
----------
Preston (1927), J. Soc. Glass Technology 11, 214-256.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = ["BASES", "PLAIN", "RateBasis", "RateChoice", "basis_named", "choose_basis", "rate_divisor"]

PLAIN = ""
NEWEST = 200  # faces that decide; what was logged years ago does not count, our own rule
ENOUGH = 0.8  # share of them that must carry what a basis needs, our own rule


@dataclass(frozen=True, slots=True)
class RateBasis:
    """What a removal rate is told per."""

    name: str  # '' = the rate as it is
    column: str  # of `spc.wear.signs.face_signs`
    per: str  # '' or the words after the rate's unit
    needs: tuple[str, ...]  # columns of the faces frame
    fields: str  # these in words

    @property
    def unit(self) -> str:
        """Unit of the rate, micrometres a minute first."""
        return f"um/min {self.per}".strip()


BASES: tuple[RateBasis, ...] = (  # the fullest first
    RateBasis(
        "pressure and speed", "rate_um_per_min_per_n_per_mm2_m_per_s", "per N/mm2 and m/s",
        ("load_n", "area_mm2", "speed_m_per_s"), "load, contact area and speed",
    ),
    RateBasis(
        "pressure", "rate_um_per_min_per_n_per_mm2", "per N/mm2", ("load_n", "area_mm2"), "load and contact area"
    ),
    RateBasis("speed", "rate_um_per_min_per_m_per_s", "per m/s", ("speed_m_per_s",), "speed"),
    RateBasis(PLAIN, "rate_um_per_min", "", (), ""),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class RateChoice:
    """The basis of one lap, and why."""

    basis: str  # name of one of `BASES`
    sentence: str  # '' where no face carries load, area or speed


def basis_named(name: str) -> RateBasis:
    """Find a basis by its name; refuses an unknown one."""
    for basis in BASES:
        if basis.name == name:
            return basis
    raise ValueError(f"`basis` must be one of {', '.join(repr(b.name) for b in BASES)}, got {name!r}")


def rate_divisor(faces: pd.DataFrame, basis: str) -> NDArray[np.float64]:
    """Give what each face's rate is divided by: pressure in N/mm2, speed in m/s, both, or 1.

    Parameters
    ----------
    faces : DataFrame, shape (n_faces, ...)
        Columns load_n, area_mm2 and speed_m_per_s as far as they are there.
    basis : str
        Name of one of `BASES`.

    Returns
    -------
    ndarray, shape (n_faces,)
        NaN where a face does not carry what the basis needs.
    """
    known = {name: _known(faces, name) for name in basis_named(basis).needs}
    divisor = np.ones(len(faces))
    if "load_n" in known:
        divisor = divisor * known["load_n"] / known["area_mm2"]
    return divisor * known["speed_m_per_s"] if "speed_m_per_s" in known else divisor


def choose_basis(faces: pd.DataFrame) -> RateChoice:
    """Choose what the removal rate of one lap is told per.

    Parameters
    ----------
    faces : DataFrame, shape (n_faces, ...)
        Faces of one lap, oldest first, with minutes, both thicknesses, and load_n, area_mm2, speed_m_per_s as far as
        they are there.

    Returns
    -------
    RateChoice
        The fullest basis of which four in five of the newest 200 faces with a rate carry what it needs.
    """
    logged = [name for name in BASES[0].needs if name in faces and bool(faces[name].notna().any())]
    if not logged:
        return RateChoice(PLAIN, "")
    rated = (faces["minutes"] > 0) & faces["thickness_low_um"].notna() & faces["thickness_before_low_um"].notna()
    newest = faces[rated.to_numpy(bool)].iloc[-NEWEST:]
    n = len(newest)
    if n == 0:
        return RateChoice(PLAIN, "")
    counts = {b.name: int(np.isfinite(rate_divisor(newest, b.name)).sum()) for b in BASES[:-1]}
    for basis in BASES[:-1]:
        carry = counts[basis.name]
        if carry >= ENOUGH * n:
            others = ", the others are left out" if carry < n else ""
            return RateChoice(basis.name, f"removal rate {basis.per}: {_of(carry, n)} carry {basis.fields}{others}")
    wanted = basis_named("speed" if logged == ["speed_m_per_s"] else "pressure")
    return RateChoice(
        PLAIN,
        f"removal rate as it is, not {wanted.per}: {_of(counts[wanted.name], n)} carry {wanted.fields}, "
        "four in five are needed",
    )


def _of(carry: int, n: int) -> str:
    which = "the newest " if n == NEWEST else ""
    return f"all {n} faces" if carry == n and not which else f"{carry} of {which}{n} faces"


def _known(faces: pd.DataFrame, name: str) -> NDArray[np.float64]:
    if name not in faces:
        return np.full(len(faces), np.nan)
    values = faces[name].to_numpy(np.float64)
    return np.where(values > 0, values, np.nan)
