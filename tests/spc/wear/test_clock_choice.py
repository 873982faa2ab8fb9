"""Cells whose wear is known to run on one clock: that clock must be found, and no other claimed."""

import numpy as np
import pytest

from spc.wear.clock_choice import compare_clocks
from spc.wear.wear_path import wear_path


def cell(seed, *, by, minutes=(4.0, 12.0), cycles=10, faces=25):
    """Cycles in lots of five faces of a quick and a slow part; wear grows by 2 % a face, or as much by the minute."""
    rng, paths = np.random.default_rng(seed), {"faces": [], "minutes": []}
    for cycle in range(cycles):
        part = np.repeat(rng.integers(0, 2, faces // 5), 5)
        spent = np.array(minutes)[part] * np.exp(0.1 * rng.normal(size=faces))
        ages = {"faces": np.arange(faces) * 1.0, "minutes": np.concatenate(([0.0], np.cumsum(spent)[:-1]))}
        clock = ages["faces"] if by == "faces" else ages["minutes"] / np.mean(minutes)
        growth = 0.02 * np.exp(0.2 * rng.normal())
        read = np.round(0.4 * np.exp(growth * clock + 0.15 * rng.normal(size=faces)), 2)
        for name, age in ages.items():
            paths[name].append(wear_path(f"cycle {cycle}", age, read - 0.005, read + 0.005))
    return paths


def choice(paths, **options):
    return compare_clocks(paths, rng=np.random.default_rng(1), **options)


@pytest.mark.parametrize("by", ["faces", "minutes"])
def test_the_clock_that_wear_runs_on_is_found(by):
    found = [choice(cell(seed, by=by)) for seed in range(1, 5)]
    assert sum(f.clock == by for f in found) >= 3
    assert all(f.clock in ("", by) for f in found)
    told = next(f for f in found if f.clock)
    assert told.status == "told" and told.cycles == 10 and told.readings == 250
    assert (
        "foretell wear best: the log score of " in told.sentence and "over 10 past cycles, each left" in told.sentence
    )


def test_where_every_face_takes_as_long_the_clocks_tell_alike():
    for seed in range(2):
        found = choice(cell(seed, by="minutes", minutes=(6.0, 6.0)))
        assert found.status == "alike" and "as far as can be told" in found.sentence


def test_clocks_that_tell_the_same_are_told_alike_whatever_the_draws():
    age = np.arange(20.0)
    paths = {
        name: [wear_path(f"cycle {cycle}", each * age, np.full(20, 0.1), np.full(20, 0.2)) for cycle in range(7)]
        for name, each in (("faces", 1.0), ("minutes", 6.0))
    }
    for seed in range(6):
        found = compare_clocks(paths, rng=np.random.default_rng(seed))
        assert found.status == "alike" and found.scores["faces"] == pytest.approx(found.scores["minutes"], abs=1e-6)


def test_too_few_cycles_or_clocks_are_said():
    assert (
        "3 past cycles with readings under one grit alone, 4 are needed"
        in choice(cell(1, by="faces", cycles=3)).sentence
    )
    alone = choice({"faces": cell(1, by="faces")["faces"]}, left_out={"minutes": "61% of the lappings do not say"})
    assert alone.status == "refused" and "only one is known" in alone.sentence
    assert alone.sentence.endswith("Minutes on the lap since reconditioning: 61% of the lappings do not say.")
    assert choice({}).status == "refused"


def test_readings_that_differ_and_unknown_clocks_are_refused():
    paths = cell(1, by="faces", cycles=4)
    with pytest.raises(ValueError, match="`paths` must carry the same readings on every clock; minutes differs"):
        choice(paths | {"minutes": cell(2, by="faces", cycles=4)["minutes"]})
    with pytest.raises(ValueError, match="`paths` must be of clocks among faces, minutes, removed_um, got parts"):
        choice({"parts": paths["faces"]})
