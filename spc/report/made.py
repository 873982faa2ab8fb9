"""Who asks for a report, when, and how it is to be written; handed in, so that the same report repeats."""

from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version

from spc.board.kept_studies import KeptStudy
from spc.report.locale import LOCALES, Locale
from spc.report.units import MICROMETRE, ReportUnit

__all__ = ["Made", "made_of_kept", "software_version"]


@dataclass(frozen=True, slots=True)
class Made:
    """The circumstances of one report."""

    at: datetime  # wall clock of the site, without zone
    by: str = ""
    site: str = ""
    study: str = ""  # name under which the study is kept; '' = not kept
    version: int = 0
    changed: str = ""  # what has become of the readings of a kept study since; '' = nothing
    software: str = ""  # that computes now
    kept_with: str = ""  # software that kept the study, where it was another
    unit: ReportUnit = MICROMETRE
    locale: Locale = LOCALES["en"]


def software_version() -> str:
    """Name and version of this software."""
    try:
        return f"lapcell {version('lapcell')}"
    except PackageNotFoundError:
        return "lapcell, not installed"


def made_of_kept(kept: KeptStudy, *, changed: str) -> Made:
    """Give the circumstances under which a kept study was made, for writing its report again.

    Parameters
    ----------
    kept : KeptStudy
    changed : str
        From `changes_since`.
    """
    software = software_version()
    return Made(
        at=kept.made_at,
        by=kept.made_by,
        site=kept.site,
        study=kept.name,
        version=kept.version,
        changed=changed,
        software=software,
        kept_with=kept.software if kept.software != software else "",
    )
