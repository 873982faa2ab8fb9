import socket
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from spc.commands.serve import command as serve
from spc.commands.serve import screen_command


def options(command):
    flags = command[command.index("run") + 2 :]
    return list(zip(flags[::2], flags[1::2], strict=True))


def test_safe_defaults_are_spelled_out():
    command = screen_command(port=8600)
    assert Path(command[command.index("run") + 1]).name == "app.py"
    said = dict(options(command))
    assert said["--server.address"] == "127.0.0.1" and said["--server.port"] == "8600"
    assert said["--browser.gatherUsageStats"] == "false" and said["--client.showErrorDetails"] == "none"
    assert int(said["--server.maxUploadSize"]) <= 64


def test_only_known_host_names_are_answered():
    def hosts(command):
        return [value for name, value in options(command) if name == "--server.allowedHosts"]

    assert hosts(screen_command(port=1)) == ["localhost", "127.0.0.1", "[::1]"]
    wide = hosts(screen_command(port=1, address="0.0.0.0", hosts=("bench.example",)))
    assert "bench.example" in wide and socket.gethostname() in wide and "*" not in wide


def test_a_taken_port_is_said_in_one_sentence():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        outcome = CliRunner().invoke(serve, ["--port", str(port)])
    assert outcome.exit_code == 3
    assert f"cannot listen on 127.0.0.1:{port}" in outcome.output and "--port" in outcome.output


def test_a_missing_settings_file_is_refused():
    outcome = CliRunner().invoke(serve, ["--settings", "no-such-file.toml"])
    assert outcome.exit_code == 3 and "no-such-file.toml" in outcome.output
    assert isinstance(serve, click.Command)


@pytest.mark.parametrize("port", ["0", "70000", "abc"])
def test_impossible_ports_are_refused(port):
    assert CliRunner().invoke(serve, ["--port", port]).exit_code == 2
