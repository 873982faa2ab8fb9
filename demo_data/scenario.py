"""Builds the demonstration: writes the invented papers and takes them into a store as a shop would."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from demo_data.cell import FROZEN, FROZEN_UNTIL
from demo_data.write import write
from spc.board.frozen_limits import freeze_limits, moment_us
from spc.commands.parts import LIMIT_WORDS, limit_taker
from spc.log.intake import IntakeResult, ingest
from spc.log.register import read_register
from spc.settings import Settings, load_settings
from spc.store.store import Store

__all__ = ["Demonstration", "build"]


@dataclass(frozen=True, slots=True)
class Demonstration:
    """Where the demonstration lies and what its intake said."""

    store_path: Path
    settings_path: Path
    intakes: tuple[IntakeResult, ...]  # in the order of delivery: registers, events, logs


def build(directory: Path, *, progress: Callable[[int, int], None] | None = None) -> Demonstration:
    """Write the scenario below `directory` and take it into `directory`/lapcell.db.

    Parameters
    ----------
    directory : Path
        Made where missing; a store already there grows only by what it does not hold yet.
    progress : callable, optional
        Called with (files done, files in all).

    Returns
    -------
    Demonstration
    """
    logs = write(directory)
    settings_path = directory / "lapcell.toml"
    settings = load_settings(settings_path)
    store_path = directory / "lapcell.db"
    results = []
    with Store.open(store_path) as store:
        _take_limits(store, settings, directory / "limits.csv")
        files = [directory / "events.csv", *logs]
        for done, path in enumerate(files):
            if progress is not None:
                progress(done, len(files))
            results.append(ingest(store, path, name=path.name, settings=settings, who="demonstration"))
        _freeze(store, settings)
        if progress is not None:
            progress(len(files), len(files))
    return Demonstration(store_path, settings_path, tuple(results))


def _take_limits(store: Store, settings: Settings, path: Path) -> None:
    """Take in the drawing limits, once: a limit set again would be a new revision."""
    if len(store.limits()):
        return
    decimal, rows = read_register(path.read_bytes(), name=path.name, words=LIMIT_WORDS)
    take = limit_taker(store, who="demonstration", site_lamp=settings.lamp, zone=settings.time_zone)
    for row in rows:
        take(row.cells, decimal)


def _freeze(store: Store, settings: Settings) -> None:
    """Freeze the limits of a few charts from their first stable stretch, as a quality engineer would."""
    until = moment_us(FROZEN_UNTIL, settings.time_zone)
    for lap, sign in FROZEN:
        if not store.baselines(lap=lap, sign=sign):
            freeze_limits(
                store, settings, lap=lap, sign=sign, who="demonstration engineer", why="first stable stretch of spring",
                until_us=until, last=200, knowingly=True,
            )  # fmt: skip
