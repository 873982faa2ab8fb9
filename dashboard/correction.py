"""Words about the correction of a face: what became of it meanwhile, and what it says now. No streamlit here."""

from typing import Any

import pandas as pd

from dashboard.entry import LengthUnit
from dashboard.words import number

__all__ = ["changed_since", "corrected_words"]


def changed_since(faces: pd.DataFrame, last: dict[str, Any], unit: LengthUnit) -> str:
    """Say what others did to a face, or after it, since the form that corrects it began; '' for nothing."""
    now = faces[faces["face_id"] == last["face_id"]]
    if now.empty:
        return "Somebody has taken this face back meanwhile."
    if now["version"].iloc[0] != last["version"]:
        return f"Somebody has corrected this face meanwhile: it reads {unit.named(str(now['flatness_text'].iloc[0]))}."
    if faces["face_id"].iloc[-1] != last["face_id"]:
        return "This is no longer the last face: a newer one was logged meanwhile."
    return ""


def corrected_words(names: list[str], typed: str, minutes: float | None, unit: LengthUnit) -> str:
    """Say what a corrected face says now."""
    read = [f"it reads {unit.named(typed) or 'nothing'}"] if "flatness_text" in names else []
    took = f"it took {number(minutes)} minutes" if minutes is not None else "its minutes are not known"
    return ", ".join([*read, *([took] if "minutes" in names else [])])
