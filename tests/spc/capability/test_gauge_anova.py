from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from spc.capability.gauge_anova import gauge_anova
from spc.model.summaries import one_way
from spc.model.variance import nested, split_variance

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


def test_table_adds_up_and_agrees_with_one_way_analysis():
    y, f, r = crossed(np.random.default_rng(5))
    result = gauge_anova(y, f, r, design="crossed")
    total = sum(row.df * row.mean_square for row in result.table)
    assert total == pytest.approx(((y - y.mean()) ** 2).sum())
    assert sum(row.df for row in result.table) == y.size - 1
    # Second route: the one-way analysis over cells has the same residual, over faces the same face mean square.
    assert result.table[-1].mean_square == pytest.approx(one_way(y, f * 10 + r).within_ms)
    assert result.table[0].mean_square == pytest.approx(one_way(y, f).between_ms)


def test_nested_design_agrees_with_likelihood():
    rng = np.random.default_rng(8)
    r = np.repeat(np.arange(6), 8)
    f = np.repeat(np.arange(24), 2)
    y = 0.8 * rng.normal(size=6)[r] + 0.5 * rng.normal(size=24)[f] + 0.2 * rng.normal(size=48)
    closed = by_name(gauge_anova(y, f, r, design="nested"))
    likely = {c.name: c for c in split_variance(y, {"reader": r.tolist(), "face": f.tolist()}).components}
    for name in ("reader", "face", "reading to reading"):
        assert closed[name].sd == pytest.approx(likely[name].sd, rel=1e-3)


def test_one_reader_agrees_with_one_way():
    rng = np.random.default_rng(3)
    f = np.repeat(np.arange(7), 4)
    y = rng.normal(size=7)[f] + 0.3 * rng.normal(size=28)
    closed = by_name(gauge_anova(y, f, np.zeros(28), design="one reader"))
    table = one_way(y, f)
    assert closed["face"].variance == pytest.approx((table.between_ms - table.within_ms) / 4)
    assert closed["reading to reading"].sd == pytest.approx(table.residual_sd)


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
