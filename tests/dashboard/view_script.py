"""One view alone, for the page tests: the app's own start with the view chosen by name."""


def one_view(view: str, wall: bool = False, language: str = "en", unit: str = "um") -> None:
    import importlib

    from dashboard import data
    from dashboard.parts.page import Page
    from dashboard.theme import LIGHT
    from dashboard.units import display_unit
    from dashboard.words import speak
    from spc.report.locale import LOCALES

    now = data.snapshot()
    numbers = LOCALES[language]
    speak(numbers)
    page = Page(now=now, site=data.settings(now), look=LIGHT, unit=display_unit(unit), numbers=numbers, wall=wall)
    importlib.import_module(f"dashboard.views.{view}").render(page)
