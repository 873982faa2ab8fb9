"""Studies kept under a name and a version: the closed list stays, whatever is logged or corrected afterwards."""

from dataclasses import dataclass
from datetime import datetime

import pandas as pd

from spc.board.cell_view import CellView
from spc.board.study_material import StudyMaterial, material_from_json, material_to_json
from spc.store.store import Store

__all__ = ["KeptStudy", "changes_since", "keep_study", "kept_study", "list_kept"]

_TOLD = 5  # corrected readings named one by one


@dataclass(frozen=True, slots=True)
class KeptStudy:
    """One version of a study as it was kept."""

    name: str
    version: int
    material: StudyMaterial
    made_at: datetime  # wall clock of the site
    made_by: str
    site: str
    software: str  # that kept it


def keep_study(
    store: Store, material: StudyMaterial, name: str, *, made_at: datetime, made_by: str, site: str, software: str
) -> KeptStudy:
    """Keep the material of a study as a new version under a name.

    Raises
    ------
    ValueError
        If the name is empty or nobody is named.
    """
    if not name.strip():
        raise ValueError("`name` must be a name that is not empty; name the study")
    if not made_by.strip():
        raise ValueError("`made_by` must name the person who keeps the study, got none")
    content = {
        "material": material_to_json(material),
        "made_at": made_at.isoformat(),
        "made_by": made_by,
        "site": site,
        "software": software,
    }
    version = store.save_study(name, content, who=made_by)
    return KeptStudy(name, version, material, made_at, made_by, site, software)


def kept_study(store: Store, name: str, *, version: int | None = None) -> KeptStudy:
    """Find a kept study.

    Parameters
    ----------
    store : Store
    name : str
    version : int, optional
        Default: the newest.

    Raises
    ------
    ValueError
        If no study, or no such version, is kept under the name.
    """
    found = {number: content for _, number, content in store.studies(name=name)}
    if not found:
        names = sorted({other for other, _, _ in store.studies()})
        known = ", ".join(names[:8]) + (" and others" if len(names) > 8 else "")
        raise ValueError(f"no study is kept as {name!r}; " + (f"kept are {known}" if names else "none is kept yet"))
    number = max(found) if version is None else version
    if number not in found:
        raise ValueError(f"`version` must be one of {', '.join(map(str, sorted(found)))} for {name!r}, got {number}")
    content = found[number]
    return KeptStudy(
        name=name,
        version=number,
        material=material_from_json(content["material"]),
        made_at=datetime.fromisoformat(content["made_at"]),
        made_by=content["made_by"],
        site=content["site"],
        software=content["software"],
    )


def list_kept(store: Store) -> tuple[KeptStudy, ...]:
    """Every version of every study kept, oldest first."""
    return tuple(kept_study(store, name, version=version) for name, version, _ in store.studies())


def changes_since(view: CellView, kept: KeptStudy) -> str:
    """Say what has become of the readings of a kept list.

    Parameters
    ----------
    view : CellView
        The cell today, all rows of it.
    kept : KeptStudy

    Returns
    -------
    str
        '' when every reading stands in the log today as it was kept; else a sentence that names what differs.
    """
    what = kept.material.plan.characteristic
    then = kept.material.data.set_index("face_id")[["text", "low_um", "high_um"]]
    today = view.faces.set_index("face_id")[[f"{what}_text", f"{what}_low_um", f"{what}_high_um"]]
    now = today.set_axis(["text", "low_um", "high_um"], axis=1).reindex(then.index)
    gone = now["text"].isna()
    retyped = ~gone & (now["text"] != then["text"])
    same = (now["low_um"] == then["low_um"]) & (now["high_um"] == then["high_um"])
    other = ~gone & ~retyped & ~same
    told = []
    if retyped.any():
        told.append(f"{_readings(retyped)} corrected in the log since: {_named(then, now, retyped)}")
    if other.any():
        told.append(f"{_readings(other)} understood as another interval today, or called a bad reading since")
    if gone.any():
        told.append(f"{_readings(gone)} no longer in the log")
    if not told:
        return ""
    return f"{'; '.join(told)}. The figures here are of the list as it was kept; keep a new version to take these in."


def _readings(which: pd.Series) -> str:
    count = int(which.sum())
    return f"{count:,} readings of the list are" if count > 1 else "1 reading of the list is"


def _named(then: pd.DataFrame, now: pd.DataFrame, which: pd.Series) -> str:
    ids = which.index[which]
    told = [f"face {int(i)} from {then.at[i, 'text']!r} to {now.at[i, 'text']!r}" for i in ids[:_TOLD]]
    return ", ".join(told) + (" and others" if len(ids) > _TOLD else "")
