"""What errs in a reading beside its reader: the flat's own error, and heat that bends the part."""

import math

import streamlit as st

from dashboard import cards
from dashboard.parts.number_field import number_field, unread
from dashboard.units import DisplayUnit
from spc.capability.gauge_budget import bending_um

__all__ = ["beside_the_reader"]


def beside_the_reader(unit: DisplayUnit, *, key: str) -> tuple[float, float]:
    """Ask for the flat's own error and for temperature; micrometres, NaN = not stated."""
    with st.container(key=f"{key}-flat", horizontal=True):
        flat = number_field(
            f"Largest error of the flat, as certified, {unit.label}", width=360, placeholder="not stated",
            key=f"{key}-flat-{unit.key}",
        )  # fmt: skip
        heat = number_field("Warmer on one side by, K", width=240, placeholder="not stated", key=f"{key}-heat")
        long = number_field("Length of the face, mm", width=220, key=f"{key}-mm")
        thick = number_field("Thickness of the part, mm", width=220, key=f"{key}-thick")
    told = "A part warmer on one side bends: length squared times the difference over eight thicknesses, for steel."
    st.html(cards.sentences([told]))
    flat_um = math.nan if flat is None else flat * unit.um_per_unit
    if heat is None:
        return flat_um, math.nan
    if not long or not thick or unread(long) or unread(thick):
        st.html(cards.sentences([], empty="Length and thickness are needed to say what the difference bends."))
        return flat_um, math.nan
    return flat_um, bending_um(long, thick, heat)
