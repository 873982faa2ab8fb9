import socket
import subprocess
import sys
import time

import click
import pytest
from click.testing import CliRunner

from spc.commands.serve import attend, screen_command
from spc.commands.serve import command as serve


def test_the_installed_program_serves_wherever_it_is_begun_on_this_machine_alone():
    words = screen_command(port=8600)
    assert words[1:7] == ["-P", "-m", "spc.attended", "dashboard.start", "127.0.0.1", "8600"]


def test_only_known_host_names_are_answered():
    def hosts(**where):
        return screen_command(port=1, **where)[7:]

    assert hosts() == ["localhost", "127.0.0.1", "[::1]"]
    wide = hosts(address="0.0.0.0", hosts=("bench.example",))
    assert "bench.example" in wide and socket.gethostname() in wide and "*" not in wide


def test_a_taken_port_is_said_in_one_sentence():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        outcome = CliRunner().invoke(serve, ["--port", str(port)])
    assert outcome.exit_code == 3
    assert f"cannot listen on 127.0.0.1:{port}: a program listens there already" in outcome.output
    assert f"may be the screens, up at http://localhost:{port}" in outcome.output and "--port" in outcome.output


def test_a_store_that_is_none_is_refused_before_anything_starts(tmp_path):
    port = free_port()
    outcome = CliRunner().invoke(serve, ["--store", str(tmp_path), "--port", str(port)])
    assert outcome.exit_code == 3 and "it is a folder, name a file in it" in outcome.output
    assert "The screens are at" not in outcome.output


def test_screens_end_with_a_command_that_was_killed(tmp_path):
    port = free_port()
    words = [sys.executable, "-m", "spc.cli", "serve", "--store", str(tmp_path / "l.db"), "--port", str(port)]
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as command:
        try:
            assert comes_to(True, port)
        finally:
            command.kill()
    assert comes_to(False, port)


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def comes_to(answers, port):
    """Whether a port comes to answer, or no longer to, within a time in which it must."""
    for _ in range(300):
        with socket.socket() as probe:
            if (probe.connect_ex(("127.0.0.1", port)) == 0) == answers:
                return True
        time.sleep(0.1)
    return False


def test_a_missing_settings_file_is_refused():
    outcome = CliRunner().invoke(serve, ["--settings", "no-such-file.toml"])
    assert outcome.exit_code == 3 and "no-such-file.toml" in outcome.output
    assert isinstance(serve, click.Command)


@pytest.mark.parametrize("port", ["0", "70000", "abc"])
def test_impossible_ports_are_refused(port):
    assert CliRunner().invoke(serve, ["--port", port]).exit_code == 2


def test_a_watched_folder_that_is_a_file_is_refused_before_anything_starts(tmp_path):
    file = tmp_path / "log.csv"
    file.touch()
    outcome = CliRunner().invoke(serve, ["--store", str(tmp_path / "l.db"), "--watch", str(file)])
    assert outcome.exit_code == 3 and "is a file; name the folder that it lies in" in outcome.output
    assert "The screens are at" not in outcome.output


class Program:
    """A started program as far as it is waited for and asked to end."""

    def __init__(self, codes):
        self.codes, self.asked = list(codes), 0  # None = runs on

    def poll(self):
        return self.codes.pop(0) if len(self.codes) > 1 else self.codes[0]

    def wait(self, timeout=None):
        code = self.poll() if not self.asked else 0
        if code is None:
            raise subprocess.TimeoutExpired("screens", timeout)
        return code

    def terminate(self):
        self.asked += 1


def test_the_watch_ends_with_the_screens():
    watch = Program([None])
    assert attend(Program([None, None, 3]), lambda: watch) == 3
    assert watch.asked == 1


def test_a_watch_that_fell_over_is_started_again_but_not_in_a_rush(monkeypatch, capsys):
    clock = iter(range(0, 1000, 4))  # seconds; a watch is given ten before it is started anew
    monkeypatch.setattr("spc.commands.serve.time.monotonic", lambda: next(clock))
    started = [Program([1]), Program([None])]
    left = list(started)
    assert attend(Program([None] * 6 + [0]), lambda: left.pop(0)) == 0
    assert not left and started[1].asked == 1
    assert capsys.readouterr().err.count("is started again") == 1
