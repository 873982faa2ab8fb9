"""Runs a program of ours only while the one that began it is there, however that one ended.

`python -m spc.attended MODULE [WORD ...]` runs MODULE as `python -m MODULE [WORD ...]` would. Whoever begins it gives
it one end of a pipe as standard input, and holds the other end open: the system closes that end with its holder, even
one that was killed and could tell nobody.
"""

import os
import runpy
import signal
import sys
import threading

__all__ = ["attended_command"]

_STANDARD_INPUT = 0


def attended_command(module: str, *words: str) -> list[str]:
    """Return the command that runs a module until its standard input ends.

    Parameters
    ----------
    module : str
    *words : str
        The module's own arguments.

    Returns
    -------
    list of str
    """
    # -P: the program that is installed, not one that lies in the folder it is begun from
    return [sys.executable, "-P", "-m", "spc.attended", module, *words]


def _end_with_input() -> None:
    while os.read(_STANDARD_INPUT, 4096):  # not by `sys.stdin`, whose lock would be held at the end
        pass
    os.kill(os.getpid(), signal.SIGTERM)  # as who began it would ask it to end


def _main() -> None:
    threading.Thread(target=_end_with_input, name="lapcell ends with who began it", daemon=True).start()
    module = sys.argv.pop(1)
    runpy.run_module(module, run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    _main()
