"""`lapcell chart --kind`: each kind hears the options it says it takes, and the command refuses every other."""

from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from spc.board.cell_view import look_at_cell
from spc.board.chart_kinds import KINDS, chart_of_kind
from spc.board.chart_made import ChartOptions
from spc.cli import cli
from spc.commands.chart_kinds import HEARD, _document
from spc.settings import Settings
from spc.store.store import Store

CHANGED = {  # every option of the command, at a value that no kind takes for its usual one
    "centre": 0.31,
    "sigma": 0.2,
    "baseline": 150,
    "width": 2.1,
    "sides": "lower",
    "spread": "standard deviation",
    "rules": ("far out",),
    "by": "7",
    "weight": 0.11,
    "settled": True,
    "restart": "carry",
    "reference": 0.7,
    "decision": 3.1,
    "head_start": 0.4,
    "average": 123.0,
    "times": 2.5,
    "guarantee": True,
}
OPTION_OF = {"restart": "carry_on", "average": "between"}  # where the command calls a setting otherwise


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """One lap with all that any kind charts: finish, re-laps, scratches, two parts, two cycles."""
    folder, rng = tmp_path_factory.mktemp("whole"), np.random.default_rng(8)
    lines = ["lap,part,serial,attempt,time,flatness (um),Ra (um),scratch"]
    for i in range(300):
        a, b = rng.normal(size=2)
        flat, rough = np.exp(0.3 * a - 1), np.exp(0.2 * (0.6 * a + 0.8 * b) - 3)
        when = f"2026-01-{5 + i // 20:02d} {8 + i % 20 // 2:02d}:{30 * (i % 2):02d}"
        lines.append(f"K1,P{1 + i // 40 % 2},S{i},1,{when},{flat:.1f},{rough:.4f},{'yes' if i % 50 == 7 else ''}")
        if i % 9 == 4:
            lines.append(f"K1,P{1 + i // 40 % 2},S{i},2,{when},{flat / 2:.1f},{rough:.4f},")
    (folder / "x.csv").write_text("\n".join(lines) + "\n")
    event = ("events", "add", "K1", "reconditioned", "--time", "2026-01-12 07:00", "--who", "Q")
    for words in (("ingest", folder / "x.csv"), event):
        done = CliRunner().invoke(cli, [*map(str, words), "--store", str(folder / "s.db")])
        assert done.exit_code in (0, 1), done.output
    return folder / "s.db"


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_hears_the_options_it_says_it_takes_and_no_other(whole, kind):
    with Store.open(whole) as store:
        view = look_at_cell(store, Settings(), rows=None)

    def told_with(options):
        try:
            return _document(chart_of_kind(view, "K1", "flatness", kind, part="", options=options))
        except ValueError as error:  # a word that another kind takes is refused: it was heard
            return str(error)

    plain = ChartOptions(by="day")
    usual = told_with(plain)
    assert usual["status"] == "ok"
    heard = {OPTION_OF.get(name, name) for name, value in CHANGED.items()
             if told_with(replace(plain, **{name: value})) != usual}  # fmt: skip
    if kind == "subgroup mean":
        assert told_with(replace(plain, spread="range")) != usual
        heard.add("spread")  # its usual one is the value tried above
    assert heard == HEARD[kind]


@pytest.mark.parametrize("kind", KINDS)
def test_an_option_that_a_kind_does_not_hear_is_refused(whole, kind):
    values = {"centre": "1", "sigma": "1", "baseline": "9", "width": "2", "sides": "upper", "rules": "far out",
              "spread": "range", "by": "part", "weight": "0.1", "reference": "1", "decision": "3", "times": "2",
              "head_start": "0.5", "between": "99"}  # fmt: skip
    for name in {*CHANGED, *OPTION_OF.values()} - {*OPTION_OF} - HEARD[kind]:
        words = [f"--{name.replace('_', '-')}", *([values[name]] if name in values else [])]
        done = CliRunner().invoke(cli, ["chart", "K1", "--kind", kind, *words, "--store", str(whole)])
        assert done.exit_code == 3 and f"`{words[0]}` does not go with the kind '{kind}', which takes" in done.stderr


@pytest.mark.parametrize("kind", ["subgroup mean", "scratches", "share of re-laps"])
def test_faces_that_carry_no_part_are_of_no_subgroup_together(tmp_path, kind):
    rng = np.random.default_rng(4)
    lines = ["lap,part,operator,time,flatness (um),scratch"]
    for i, part in enumerate([*["A"] * 5, *[""] * 7, *["B"] * 5, *[""] * 4, *["C"] * 5]):
        when = f"2026-01-05 {8 + i // 4:02d}:{15 * (i % 4):02d}"
        lines.append(f"K1,{part},,{when},{np.exp(0.3 * rng.normal()):.2f},{'yes' if i % 4 == 1 else ''}")
    (tmp_path / "x.csv").write_text("\n".join(lines) + "\n")
    done = CliRunner().invoke(cli, ["ingest", str(tmp_path / "x.csv"), "--store", str(tmp_path / "s.db")])
    assert done.exit_code in (0, 1), done.output
    with Store.open(tmp_path / "s.db") as store:
        view = look_at_cell(store, Settings(), rows=None)
    found = chart_of_kind(view, "K1", "flatness", kind, part="", options=ChartOptions(by="part"))
    assert found.panels[0].labels == ("A", "B", "C")
    assert "11 faces carry no part and are left out" in found.remarks
    with pytest.raises(ValueError, match="`by` must not be 'operator' where no face carries one"):
        chart_of_kind(view, "K1", "flatness", kind, part="", options=ChartOptions(by="operator"))


@pytest.mark.parametrize("kind", ["ratio to part", "standardised by part"])
def test_faces_that_carry_no_part_number_are_no_part(tmp_path, kind):
    rng = np.random.default_rng(4)
    for name, parts in (("some", [*["A"] * 9, *[""] * 7, *["B"] * 9]), ("none", [""] * 25)):
        lines = ["lap,part,serial,time,flatness (um)"]
        for i, part in enumerate(parts):
            when = f"2026-01-05 {8 + i // 4:02d}:{15 * (i % 4):02d}"
            lines.append(f"K1,{part},S{i},{when},{np.exp(0.3 * rng.normal()):.2f}")
        (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n")
        store = tmp_path / f"{name}.db"
        done = CliRunner().invoke(cli, ["ingest", str(tmp_path / f"{name}.csv"), "--store", str(store)])
        assert done.exit_code in (0, 1), done.output
        with Store.open(store) as opened:
            view = look_at_cell(opened, Settings(), rows=None)
        if name == "none":
            with pytest.raises(ValueError, match="`kind` must not be one by part where no face carries a part number"):
                chart_of_kind(view, "K1", "flatness", kind, part="", options=ChartOptions())
        else:
            found = chart_of_kind(view, "K1", "flatness", kind, part="", options=ChartOptions())
            assert np.count_nonzero(~np.isnan(found.panels[0].chart.value)) == 18
            assert found.baseline.startswith("2 part numbers; ")
            assert "7 faces carry no part number and are left out" in found.remarks
            assert not any("for want of a target" in remark for remark in found.remarks)


def test_further_passes_are_called_left_out_only_where_they_are(whole):
    """Finish has them, re-laps are made of them, and the joint charts take every pass."""
    with Store.open(whole) as store:
        view = look_at_cell(store, Settings(), rows=None)
    for kind in KINDS:
        found = chart_of_kind(view, "K1", "flatness", kind, part="", options=ChartOptions(by="day"))
        said = any("further passes on a face already lapped are not charted" in remark for remark in found.remarks)
        joint, of_faces = kind.startswith("joint"), kind in ("share of re-laps", "scratches", "faces between re-laps")
        assert said == (not joint and not of_faces), kind
        if joint:
            assert found.baseline.startswith("333 passes with flatness and finish")
            assert len(found.panels[0].labels) == 333
