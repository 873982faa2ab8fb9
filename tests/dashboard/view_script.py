"""One view alone, for the page tests: the app's own start with the view chosen by name."""


def one_view(view: str, wall: bool = False) -> None:
    import importlib

    from dashboard import data
    from dashboard.parts.page import Page
    from dashboard.theme import LIGHT
    from dashboard.units import MICROMETRE

    now = data.snapshot()
    page = Page(now=now, site=data.settings(now), look=LIGHT, unit=MICROMETRE, wall=wall)
    importlib.import_module(f"dashboard.views.{view}").render(page)
