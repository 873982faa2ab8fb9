"""How numbers and dates are written: English, German or French marks. The words of a report stay English."""

import math
import re
from dataclasses import dataclass
from datetime import datetime

__all__ = ["LOCALES", "TOLD", "Locale", "locale_named", "told_ppm"]

TOLD = "\u2060"  # stands, unseen, before a number that has its language's marks already


@dataclass(frozen=True, slots=True)
class Locale:
    """One language of numbers."""

    name: str  # 'en', 'de' or 'fr'
    decimal: str
    thousands: str
    percent: str  # what follows the number of a share in hundredths
    date_format: str  # of strftime

    def number(self, value: float | None, decimals: int) -> str:
        """Write a number with so many decimals; '' for none, 'open' for one without an upper end."""
        if value is None or math.isnan(value):
            return ""
        if math.isinf(value):
            return "open" if value > 0 else "-open"
        text = f"{value:,.{decimals}f}"
        if float(text.replace(",", "")) == 0:
            text = text.lstrip("-")
        return self._marks(text)

    def count(self, value: int) -> str:
        """Write a whole number."""
        return self._marks(f"{value:,d}")

    def significant(self, value: float | None, digits: int = 3) -> str:
        """Write a number with so many significant digits, never with an exponent between 1e-6 and 1e12."""
        if value is None or not math.isfinite(value) or value == 0:
            return self.number(value, 0)
        size = math.floor(math.log10(abs(float(f"{value:.{digits - 1}e}"))))
        if not -7 < size < 13:
            mantissa, _, exponent = f"{value:.{digits - 1}e}".partition("e")
            return f"{self._marks(mantissa)}e{int(exponent)}"
        rounded = round(value, digits - 1 - size)
        return self.number(rounded, max(0, digits - 1 - size))

    def ppm(self, value: float | None) -> str:
        """Write a share in parts per million to two digits; below one it is no longer worth digits."""
        if value is None or math.isnan(value):
            return ""
        if value < 1:
            return "under 1"
        return self.count(told_ppm(value))

    def moment(self, when: datetime) -> str:
        """Write a day and its time."""
        return f"{when.strftime(self.date_format)} {when:%H:%M}"

    def sentence(self, text: str, *, names: tuple[str, ...] = ()) -> str:
        """Write the numbers of an English sentence with this language's marks, its micrometres as a sign.

        Parameters
        ----------
        text : str
        names : tuple of str
            Names from the log that stand in the sentence; what lies within them is no number and stays as it is.

        Notes
        -----
        A number after `TOLD` stays as it is.
        """
        known = sorted({name for name in names if name}, key=len, reverse=True)
        pieces = re.split("(" + "|".join(re.escape(name) for name in known) + ")", text) if known else [text]
        return "".join(piece if at % 2 else self._numbers(piece) for at, piece in enumerate(pieces))

    def _numbers(self, text: str) -> str:
        text = re.sub(r"(?<=\d) um\b", " µm", text)
        text = re.sub(r"(?<=\d)[ \u00a0]?%", self.percent, text)
        if self.name == "en":
            return text
        return re.sub(
            rf"(?<![\w.,:/{TOLD}-])(?:[1-9]\d{{0,2}}(?:,\d{{3}})+|\d+)(?:\.\d+)?(?:e[+-]?\d+)?(?![\w:/]|[.,]\d|-\d)",
            lambda m: self._marks(m[0]), text,
        )  # fmt: skip

    def _marks(self, text: str) -> str:
        return text.translate({ord(","): self.thousands, ord("."): self.decimal})


def told_ppm(value: float) -> int:
    """Round parts per million, 1 or more, to the two digits that are told of them."""
    digits = 10 ** max(math.floor(math.log10(value)) - 1, 0)
    return int(round(value / digits) * digits)


LOCALES: dict[str, Locale] = {
    "en": Locale("en", ".", ",", "%", "%Y-%m-%d"),
    "de": Locale("de", ",", ".", "\u00a0%", "%d.%m.%Y"),
    "fr": Locale("fr", ",", "\u202f", "\u202f%", "%d/%m/%Y"),
}


def locale_named(name: str) -> Locale:
    """Find a language of numbers by its short name.

    Raises
    ------
    ValueError
        If there is none of that name.
    """
    if name not in LOCALES:
        raise ValueError(f"`language` must be one of {', '.join(LOCALES)}, got {name!r}")
    return LOCALES[name]
