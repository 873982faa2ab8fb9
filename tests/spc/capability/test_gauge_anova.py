from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from spc.capability.gauge_anova import gauge_anova
from spc.model.one_way import one_way
from spc.model.variance import nested, split_variance
from tests.sources.strd import digits

SOURCES = Path(__file__).parents[2] / "sources"


def by_name(result):
    return {part.name: part for part in result.components}


def crossed(rng, faces=10, readers=3, repeats=3, *, face=1.0, reader=0.4, both=0.2, error=0.3):
    f = np.repeat(np.arange(faces), readers * repeats)
    r = np.tile(np.repeat(np.arange(readers), repeats), faces)
    y = face * rng.normal(size=faces)[f] + reader * rng.normal(size=readers)[r] + error * rng.normal(size=f.size)
    return y + both * rng.normal(size=(faces, readers))[f, r], f, r


def test_nist_gauge_study_by_closed_form_and_by_likelihood():
    # NIST/SEMATECH e-Handbook 2.6.1, first run of the resistivity study (5 wafers x 5 probes x 6 days). The two roads
    # must meet: in a balanced table with all components above zero, restricted maximum likelihood is the closed form.
    data = pd.read_csv(SOURCES / "nist_gauge_mpc61.csv")
    closed = by_name(gauge_anova(data["average"], data["wafer"], data["probe"], design="crossed"))
    cells = nested(data["wafer"].tolist(), data["probe"].tolist())
    factors = {"face": data["wafer"].tolist(), "reader": data["probe"].tolist(), "face by reader": cells}
    likely = {c.name: c for c in split_variance(data["average"], factors).components}
    for name in closed:
        assert likely[name].sd == pytest.approx(closed[name].sd, rel=2e-3), name
    assert closed["reading to reading"].sd == pytest.approx(0.0437, abs=5e-5)


def test_table_adds_up_and_agrees_with_variances_of_means():
    y, f, r = crossed(np.random.default_rng(5))
    result = gauge_anova(y, f, r, design="crossed")
    total = sum(row.df * row.mean_square for row in result.table)
    assert total == pytest.approx(((y - y.mean()) ** 2).sum())
    assert sum(row.df for row in result.table) == y.size - 1
    cells = [y[(f == face) & (r == reader)] for face in range(10) for reader in range(3)]
    assert result.table[-1].mean_square == pytest.approx(np.mean([cell.var(ddof=1) for cell in cells]))
    assert result.table[0].mean_square == pytest.approx(9 * np.var([y[f == face].mean() for face in range(10)], ddof=1))
    # And its interaction is what the means of the cells keep when those of faces and readers are taken away.
    table = np.array([cell.mean() for cell in cells]).reshape(10, 3)
    away = table - table.mean(1, keepdims=True) - table.mean(0) + table.mean()
    assert result.table[2].mean_square == pytest.approx(3 * (away**2).sum() / 18)


def test_nested_design_agrees_with_likelihood():
    rng = np.random.default_rng(8)
    r = np.repeat(np.arange(6), 8)
    f = np.repeat(np.arange(24), 2)
    y = 0.8 * rng.normal(size=6)[r] + 0.5 * rng.normal(size=24)[f] + 0.2 * rng.normal(size=48)
    closed = by_name(gauge_anova(y, f, r, design="nested"))
    likely = {c.name: c for c in split_variance(y, {"reader": r.tolist(), "face": f.tolist()}).components}
    for name in ("reader", "face", "reading to reading"):
        assert closed[name].sd == pytest.approx(likely[name].sd, rel=1e-3)


def test_one_reader_agrees_with_variances_of_means():
    rng = np.random.default_rng(3)
    f = np.repeat(np.arange(7), 4)
    y = rng.normal(size=7)[f] + 0.3 * rng.normal(size=28)
    closed = by_name(gauge_anova(y, f, np.zeros(28), design="one reader"))
    table = y.reshape(7, 4)
    within = table.var(axis=1, ddof=1).mean()
    assert closed["face"].variance == pytest.approx(table.mean(axis=1).var(ddof=1) - within / 4)
    assert closed["reading to reading"].sd == pytest.approx(within**0.5)


def check(values, groups, between_ss, within_ss, f):
    table = gauge_anova(values, groups, np.zeros(len(values)), design="one reader").table
    between, within = table
    assert digits(between.df * between.mean_square, between_ss) >= 13
    assert digits(within.df * within.mean_square, within_ss) >= 13
    assert digits(between.mean_square / within.mean_square, f) >= 13


@pytest.mark.parametrize("name", ["SiRstv", "AtmWtAg", "SmLs07"])
def test_reference_analysis_of_variance(name):
    """NIST Statistical Reference Datasets, analysis of variance: data and certified values as in the files."""
    path = SOURCES / f"strd_anova_{name}.dat"
    lines = path.read_text().splitlines()
    first = next(place for place, line in enumerate(lines) if line.startswith("Between"))
    between = [float(word) for word in lines[first].split()[-4:]]
    within = [float(word) for word in lines[first + 1].split()[-3:]]
    data = np.loadtxt(path, skiprows=60)
    split = one_way(data[:, 1], data[:, 0])
    assert (split.between_df, split.within_df) == (between[0], within[0])
    check(data[:, 1], data[:, 0], between[1], within[1], between[3])


# Simon and Lesage (1989), as used by NIST SmLs01 to SmLs09: nine levels, each reading one tenth either side of it.
SMLS = {21: (1.68, 1.8, 21.0), 201: (16.08, 18.0, 201.0), 2001: (160.08, 180.0, 2001.0)}


@pytest.mark.parametrize("base", ["1", "1000000", "1000000000000"])
@pytest.mark.parametrize("replicates", SMLS)
def test_reference_series_of_simon_and_lesage(replicates, base):
    levels = [4, 3, 5, 3, 5, 3, 5, 3, 5]
    tenths = [[level] + [level - 1, level + 1] * (replicates // 2) for level in levels]
    values = [float(f"{base}.{tenth}") for group in tenths for tenth in group]
    check(values, np.repeat(np.arange(9), replicates), *SMLS[replicates])


def test_order_of_rows_does_not_matter():
    y, f, r = crossed(np.random.default_rng(6))
    mixed = np.random.default_rng(0).permutation(y.size)
    here, there = (by_name(gauge_anova(y[p], f[p], r[p], design="crossed")) for p in (np.arange(y.size), mixed))
    assert [here[n].variance for n in here] == pytest.approx([there[n].variance for n in here])


def test_one_reading_per_cell_leaves_no_interaction():
    y, f, r = crossed(np.random.default_rng(7), repeats=1)
    assert [row.source for row in gauge_anova(y, f, r, design="crossed").table] == [
        "face", "reader", "reading to reading"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("y", "f", "r", "design", "words"),
    [
        ([1, 2, 3, 4.0], [0, 0, 1, 1], [0, 0, 0, 0], "crossed", "one reader"),
        ([1, 2, 3.0], [0, 0, 0], [0, 1, 1], "crossed", "one face"),
        ([1, 2, 3, 4, 5.0], [0, 0, 1, 1, 1], [0, 1, 0, 1, 1], "crossed", "hold 1 to 2 readings"),
        ([1, 1, 2, 2.0, 1, 1, 2, 2], [0, 0, 1, 1, 0, 0, 1, 1], [0] * 4 + [1] * 4, "crossed", "never differ"),
        ([1, 2.0], [0, 1], [0, 0], "one reader", "no face was read twice"),
        ([1, 2, 3, 4.0], [0, 0, 1, 1], [0, 0, 1, 1], "nested", "at least two faces"),
    ],
)
def test_what_the_closed_form_cannot_do_is_said(y, f, r, design, words):
    result = gauge_anova(y, f, r, design=design)
    assert result.status == "refused" and words in result.sentence and result.components == ()


def test_bad_input():
    with pytest.raises(ValueError, match="`design` must be"):
        gauge_anova([1.0], [0], [0], design="mixed")
    with pytest.raises(ValueError, match="one entry per reading"):
        gauge_anova([1.0, 2.0], [0], [0, 1], design="crossed")
    with pytest.raises(ValueError, match="codes of its own"):
        gauge_anova([1.0, 2.0, 3.0, 4.0], [0, 0, 0, 0], [0, 0, 1, 1], design="nested")
