"""How a report of a study says a sentence: its marks, its unit, its names as they are."""

import math

from spc.board.study import Study
from spc.measure.shown import ShownLength, said_in
from spc.report.content import Column
from spc.report.locale import Locale
from spc.report.units import ReportUnit

__all__ = ["Voice", "capital"]


def capital(text: str) -> str:
    """Begin a sentence with a capital."""
    return text[:1].upper() + text[1:]


class Voice:
    """Writes sentences of the study with the report's marks, names kept as they are, and lengths in its unit."""

    def __init__(self, study: Study, locale: Locale, unit: ReportUnit) -> None:
        self.locale, self.unit = locale, unit
        laps, people = set(study.data["lap"]), set(study.data["operator"])
        times = [one for signal in study.signals for one in (signal.partition("(")[2].rstrip(")"),)]
        self._names = (study.plan.part, *laps, *people, *times)

    def __call__(self, sentence: str) -> str:
        """Write a sentence, a full stop at its end."""
        told = said_in(sentence, ShownLength(self.unit.name, self.unit.um_per_unit))
        text = self.locale.sentence(told, names=self._names)
        return text if not text or text.endswith((".", "!", "?")) else text + "."

    def length(self, length_um: float) -> str:
        """Write a length with its unit."""
        if not math.isfinite(length_um):
            return ""
        return f"{self.locale.number(self.unit.of(length_um), self.unit.decimals)} {self.unit.label}"

    def column(self, head: str, *, width: float = 1.0) -> Column:
        """Head a column of lengths."""
        return Column(head, "number", self.unit.decimals, self.unit.label, width)
