"""The readable page of results is made of the tables that are kept, and of nothing else."""

import json

from tests.honesty.table import RESULTS, page


def test_the_page_is_that_of_the_tables():
    tables = [json.loads(path.read_text(encoding="utf-8")) for path in sorted(RESULTS.glob("*.json"))]
    assert len(tables) > 30
    assert (RESULTS / "RESULTS.md").read_text(encoding="utf-8") == page(tables)
