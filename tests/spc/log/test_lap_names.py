from spc.log.lap_names import are_they_one, laps_written_alike


def test_names_that_differ_in_capitals_and_signs_only_go_together():
    names = ["CI-1", "K1-1", "CI 1", "ci-1", "K11", "CI1", "Ci_1", "CI-11", "K1 1", "CI-2"]
    assert laps_written_alike(names) == [("CI-1", "CI 1", "ci-1", "CI1", "Ci_1"), ("K1-1", "K1 1")]
    assert are_they_one(("K1-1", "K1 1")).startswith(
        "K1-1 and K1 1 are written alike and taken as 2 laps. Are they one?"
    )
