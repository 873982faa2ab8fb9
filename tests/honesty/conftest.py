"""At full size, gathers the simulations' tables into one readable page."""

import json

import pytest

from tests.honesty.table import RESULTS, honesty_size, page


def pytest_sessionfinish(session: pytest.Session) -> None:
    if honesty_size() == "full" and RESULTS.is_dir():
        tables = [json.loads(path.read_text(encoding="utf-8")) for path in sorted(RESULTS.glob("*.json"))]
        (RESULTS / "RESULTS.md").write_text(page(tables), encoding="utf-8")
