"""`lapcell answer`: what a person found about an open signal, kept and counted."""

from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from spc.cli import DONE, Session, common_options
from spc.commands.output import one_line, print_json

if TYPE_CHECKING:
    from spc.board.results import Signal

__all__ = ["command"]


@click.command("answer")
@click.argument("lap")
@click.option("--sign", default="", help="Sign of the signal, such as flatness; needed where several are open.")
@click.option("--cause", required=True, help="What it was: a cause that `due --lap` names, 'bad wipe', 'not found'.")
@click.option("--check", "check_done", default="looked at", show_default=True, help="What was looked at.")
@click.option("--action", default="none", show_default=True, help="What was done; 'handed to lead' leaves it open.")
@click.option("--result", default="carries on", show_default=True)
@click.option("--who", required=True, help="Who signs this.")
@common_options
def command(
    session: Session, *, lap: str, sign: str, cause: str, check_done: str, action: str, result: str, who: str
) -> int:
    """Keep what was found about an open signal of LAP.

    The answer closes the signal, is counted, and moves the ranking of the likely causes of the same signs from then on;
    'not found' is an honest answer and counts as unknown. A bad wipe strikes the reading out. With --json one document:
    reaction (its number), lap, sign, cause and signal (as in `lapcell due`).
    """
    from spc.board.reactions import keep_answer

    signal = _chosen(session.board().lap(lap).signals, lap, sign)
    with session.store() as store:
        number = keep_answer(
            store, signal, check_done=check_done, cause=cause, action=action, result=result, who=who,
            one_reading=cause in ("bad wipe", "bad reading"),
        )  # fmt: skip
    if session.as_json:
        print_json({"reaction": number, "lap": lap, "sign": signal.sign, "cause": cause, "signal": asdict(signal)})
    else:
        click.echo(one_line(f"Kept for {lap}, {signal.sign}: {cause}; {action}. Signed {who}."))
    return DONE


def _chosen(signals: tuple["Signal", ...], lap: str, sign: str) -> "Signal":
    open_signs = ", ".join(dict.fromkeys(s.sign for s in signals)) or "none"
    found = [s for s in signals if sign in ("", s.sign)]
    if not found:
        raise ValueError(f"there is no open signal of {lap}{f' in {sign}' if sign else ''}; open: {open_signs}")
    if len({s.sign for s in found}) > 1:
        raise ValueError(f"`--sign` must say which signal of {lap} is answered; open: {open_signs}")
    return found[0]
