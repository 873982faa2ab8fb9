"""The readable page of results is made of the tables that are kept, and of nothing else."""

from tests.honesty.table import RESULTS, page


def test_the_page_is_that_of_the_tables():
    told = page()
    assert told.count("\n### ") == len(list(RESULTS.glob("*.json"))) > 30
    assert (RESULTS / "RESULTS.md").read_text(encoding="utf-8") == told
