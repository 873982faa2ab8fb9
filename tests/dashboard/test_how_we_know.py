"""The tables of the simulations as the screens tell them."""

import math
from collections import Counter
from importlib.resources import files

from dashboard.parts.how_we_know import SUBJECTS, in_errors, simulation_tables


def test_the_distance_is_counted_in_monte_carlo_errors():
    table = {"columns": ["chart", "said", "counted", "+-"], "rows": [["a", 10.0, 10.4, 0.2], ["b", 5.0, 5.0, 0.0]]}
    first, second = in_errors(table)
    assert abs(first - 2.0) < 1e-9 and math.isnan(second)


def test_a_table_without_these_columns_tells_no_distance():
    assert in_errors({"columns": ["said", "mean", "+-"], "rows": [[1.0, 1.0, 0.1]]}) == []


def test_every_kept_table_has_its_words_and_is_within_five_errors():
    tables = [table for of_subject in simulation_tables().values() for table in of_subject]
    assert tables
    for table in tables:
        assert table["title"] and table["statement"] and all(len(row) == len(table["columns"]) for row in table["rows"])
        assert all(abs(value) < 5 for value in in_errors(table) if math.isfinite(value)), table["title"]


def test_every_kept_table_has_one_subject():
    kept = [entry.name for entry in (files("dashboard") / "how_we_know").iterdir() if entry.name.endswith(".json")]
    assert Counter(f"{name}.json" for names in SUBJECTS.values() for name in names) == Counter(kept)
