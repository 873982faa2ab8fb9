"""What the register commands share: a group that lists by default, and the intake of a register's rows."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import click

from spc.cli import DONE, NEEDS_A_PERSON, Session
from spc.commands.output import counted, one_line, print_json

__all__ = ["ListingGroup", "take_register"]


class ListingGroup(click.Group):
    """A group whose command without a subcommand is `list`."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Put `list` in front where no subcommand is named."""
        if not args or (args[0].startswith("-") and args[0] not in ctx.help_option_names):
            args = ["list", *args]
        return super().parse_args(ctx, args)


def take_register(
    session: Session,
    file: Path,
    *,
    words: Mapping[str, tuple[str, ...]],
    take: Callable[[Mapping[str, str], str], None],
) -> int:
    """
    Take in the rows of a register, each by itself; a refused row is named and does not stop the others.

    Parameters
    ----------
    session : Session
    file : Path
    words : mapping
        As in `read_register`.
    take : callable
        Takes the cells of one row and the decimal mark of the file; raises ValueError with a sentence.

    Returns
    -------
    int
        The exit code.
    """
    from spc.log.register import read_register

    decimal, rows = read_register(file.read_bytes(), name=file.name, words=words)
    taken, refused = 0, []
    for row in rows:
        try:
            if row.fault:
                raise ValueError(row.fault)
            take(row.cells, decimal)
            taken += 1
        except ValueError as error:
            refused.append({"row_number": row.row_number, "reason": str(error)})
    if session.as_json:
        document: dict[str, Any] = {"name": file.name, "rows": len(rows), "accepted": taken, "refused": refused}
        print_json(document)
    else:
        click.echo(
            f"{one_line(file.name)}: {counted(len(rows), 'row')} = {taken:,} taken in + {len(refused):,} refused"
        )
        for one in refused:
            click.echo(f"  row {one['row_number']}: {one_line(str(one['reason']))}")
    return NEEDS_A_PERSON if refused else DONE
