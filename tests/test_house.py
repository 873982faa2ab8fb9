"""The house rules that a machine can hold: who may import what, how long a file may be, what must not be named."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LEVELS = {
    "measure": 0,
    "log": 1,
    "model": 1,
    "store": 2,
    "chart": 2,
    "wear": 2,
    "capability": 2,
    "board": 3,
    "report": 4,
}
# Where the log meets the store, and nowhere else.
INTAKE = {"intake.py", "delivery.py", "known.py", "piece.py", "rereading.py"}
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "dashboard", "spc", "tests", "demo_data"}


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
    return names


@pytest.mark.parametrize("path", sorted((ROOT / "spc").rglob("*.py")), ids=lambda p: str(p.relative_to(ROOT)))
def test_computing_never_imports_the_screen(path):
    bad = {name for name in imported(path) if name.split(".")[0] in {"streamlit", "plotly", "dashboard", "tkinter"}}
    assert not bad


@pytest.mark.parametrize("path", sorted((ROOT / "spc").rglob("*.py")), ids=lambda p: str(p.relative_to(ROOT)))
def test_arrows_run_one_way(path):
    package = path.relative_to(ROOT / "spc").parts[0]
    if package not in LEVELS or path.name in INTAKE:
        return
    for name in imported(path):
        parts = name.split(".")
        if parts[0] == "spc" and len(parts) > 1 and parts[1] in LEVELS:
            assert LEVELS[parts[1]] <= LEVELS[package], f"{path} imports {name}"


def test_no_file_outgrows_one_idea():
    files = [p for folder in ("spc", "dashboard", "demo_data", "tests") for p in (ROOT / folder).rglob("*.py")]
    assert files
    assert not [str(p) for p in files if len(p.read_text(encoding="utf-8").splitlines()) > 400]


def test_no_form_forgets_what_is_half_typed_when_its_page_is_left():
    """A form of the framework's own does: fields are named by `dashboard.parts.draft` instead."""
    forms = [path.name for path in (ROOT / "dashboard").rglob("*.py") if "st.form(" in path.read_text(encoding="utf-8")]
    assert forms == []


def test_top_level_is_fixed():
    made = (".egg-info", ".db", ".db-wal", ".db-shm")
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith(".") and not p.name.endswith(made)}
    assert found - {"build", "dist"} <= TOP_LEVEL
