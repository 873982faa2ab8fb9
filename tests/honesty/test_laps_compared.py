"""Laps that are alike are seldom said to differ, however many are compared, and one that is flatter is found."""

import numpy as np
import pandas as pd
import pytest

from spc.board.answers import compare_laps, which_lap_serves
from tests.honesty.table import honesty_size


def lapped(rng, laps, *, cycles=6, faces=10, flatter=0.0, again=-2.0, step=0.01):
    """Finished faces of one part number on laps that wear alike, read in steps; the first lap reads `flatter` um less.

    Cycles differ in what they read, in their minutes and in how often a face is lapped again: `again` is the logarithm
    of the odds, of the first lap 2 less where it is another than usual.
    """
    lengths = np.full((laps, cycles), faces)
    lengths[:, -1] = rng.integers(1, faces, laps)  # the running ones
    lap, cycle = (np.repeat(index.ravel(), lengths.ravel()) for index in np.indices(lengths.shape))
    age = np.concatenate([np.arange(n) for n in lengths.ravel()])
    read = 0.3 + 0.015 * age + np.repeat(rng.normal(0, 0.03, lengths.size), lengths.ravel())
    read += rng.normal(0, 0.05, age.size) - flatter * (lap == 0)
    signs = pd.DataFrame({"lap": lap, "cycle": cycle + 1, "age_faces": age}).assign(part="P1", grit="3 um")
    read = np.round(read / step) * step
    signs = signs.assign(
        lap="L" + signs["lap"].astype(str), first_low_um=read - step / 2, first_high_um=read + step / 2
    )
    pace = 2 + 0.01 * age + np.repeat(rng.normal(0, 0.1, lengths.size), lengths.ravel())  # cycles differ in it too
    odds = again + np.repeat(rng.normal(0, 0.8, lengths.size), lengths.ravel()) - 2 * (lap == 0) * (again != -2.0)
    return signs.assign(relapped=rng.random(len(signs)) < 1 / (1 + np.exp(-odds)), minutes=rng.lognormal(pace, 0.1))


def told(signs):
    return which_lap_serves(compare_laps(signs, "P1"), lambda lap: "cutting")


@pytest.mark.parametrize(("laps", "cells"), [(2, 200), (24, 60)] if honesty_size() == "full" else [(2, 100), (24, 30)])
def test_equal_laps_are_seldom_told_apart(laps, cells):
    rng = np.random.default_rng(11 + laps)
    said = [told(lapped(rng, laps)) for _ in range(cells)]
    for claim in ("serves P1 best", "reads flatter", "takes fewer"):
        assert sum(claim in words for words in said) <= 0.05 * cells + 2.3 * (0.0475 * cells) ** 0.5, claim


def test_equal_laps_read_in_steps_coarser_than_their_scatter_are_seldom_told_apart():
    """Where few cycles all land on one step, and nothing is seen to scatter."""
    rng = np.random.default_rng(13)
    said = [told(lapped(rng, 2, cycles=3, faces=6, step=0.3)) for _ in range(150)]
    assert sum("reads flatter" in words for words in said) <= 0.05 * 150 + 2.3 * (0.0475 * 150) ** 0.5


def test_a_lap_that_reads_flatter_is_found():
    rng = np.random.default_rng(5)
    said = [told(lapped(rng, 3, flatter=0.12)) for _ in range(40)]
    assert sum("L0 reads flatter at like age" in words for words in said) >= 36


def test_a_lap_whose_first_passes_are_better_is_found():
    rng = np.random.default_rng(6)
    said = [told(lapped(rng, 3, again=0.0)) for _ in range(40)]
    assert sum(words.startswith("L0 serves P1 best") for words in said) >= 24
