"""At full size, gathers the simulations' tables into one readable page."""

import pytest

from tests.honesty.table import RESULTS, honesty_size, page


def pytest_sessionfinish(session: pytest.Session) -> None:
    if honesty_size() == "full" and RESULTS.is_dir():
        (RESULTS / "RESULTS.md").write_text(page(), encoding="utf-8")
