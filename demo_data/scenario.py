"""Builds the demonstration: writes the invented papers and takes them into a store as a shop would."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from demo_data.write import write
from spc.log.intake import IntakeResult, ingest
from spc.settings import load_settings
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
        files = [directory / "events.csv", *logs]
        for done, path in enumerate(files):
            if progress is not None:
                progress(done, len(files))
            results.append(ingest(store, path, name=path.name, settings=settings, who="demonstration"))
        if progress is not None:
            progress(len(files), len(files))
    return Demonstration(store_path, settings_path, tuple(results))
