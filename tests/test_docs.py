"""The documents cannot drift: every command is named in the README, and what the documents promise exists."""

import re
from pathlib import Path

import pytest

from spc.cli import COMMANDS, _is_there

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", [name for name, (module, _) in COMMANDS.items() if _is_there(module)])
def test_every_command_is_in_the_readme(name):
    assert f"`lapcell {name}" in README


def test_no_command_is_listed_without_its_module():
    assert [name for name, (module, _) in COMMANDS.items() if not _is_there(module)] == []


def test_the_ci_script_finds_the_readmes_own_test_command():
    lines = [line for line in README.splitlines() if re.match(r"^python3 -m venv .*pytest", line)]
    assert len(lines) == 1
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "grep -m1 -E '^python3 -m venv .*pytest' README.md" in script
    assert all(f'bash -c "${half}"' in script for half in ("set_up", "tests"))


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_paths_named_in_the_documents_exist(text):
    named = re.findall(
        r"`((?:spc|dashboard|demo_data|tests)/[\w./-]*)`|\]\(((?:spc|dashboard|demo_data|tests)/[^)#]*)\)", text
    )
    for path in {a or b for a, b in named}:
        assert (ROOT / path).exists(), path
