"""What a capability study takes: the plan that a person writes and the store keeps."""

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Any

__all__ = ["CHARACTERISTICS", "READINGS", "StudyPlan", "check_plan", "plan_from_json"]

READINGS = {"first pass": "the first reading of every face", "final": "the last reading of every face"}
CHARACTERISTICS = ("flatness", "finish", "parallelism", "squareness")


@dataclass(frozen=True, slots=True)
class StudyPlan:
    """What a study takes; stored as it is, so that the study can be made again."""

    part: str
    characteristic: str = "flatness"
    laps: tuple[str, ...] = ()  # none = every lap that laps the part
    since: str = ""  # ISO date, first day taken; '' = from the first
    until: str = ""  # ISO date, last day taken; '' = to the last
    readings: str = "first pass"  # a key of READINGS
    level: float = 0.95
    limit_um: float | None = None  # None = the limit in the register
    planned_age_faces: float | None = None  # None = from the costs in the settings, else from past reconditionings
    risk: float = 0.005  # largest share of bad faces among those that the rule of acceptance accepts
    flat_error_um: float | None = None  # largest error of the flat, as certified; None = not stated
    temperature_um: float | None = None  # largest form error that heat brings; None = not stated
    excluded: Mapping[int, str] = field(default_factory=dict)  # face id -> cause, each with its reason
    title: str = ""

    def as_json(self) -> dict[str, Any]:
        """Plain values, fit to be stored."""
        plain = asdict(self)
        plain["laps"] = list(self.laps)
        plain["excluded"] = {str(k): v for k, v in sorted(self.excluded.items())}
        return plain


def plan_from_json(stored: Mapping[str, Any]) -> StudyPlan:
    """Read back what `StudyPlan.as_json` gave."""
    values = dict(stored)
    values["laps"] = tuple(values.get("laps", ()))
    values["excluded"] = {int(k): str(v) for k, v in values.get("excluded", {}).items()}
    return StudyPlan(**values)


def check_plan(plan: StudyPlan) -> None:
    """Refuse a plan that cannot be carried out.

    Raises
    ------
    ValueError
        If a field is none of its choices, a number is out of its range, a date is none, or a face is left out without
        a cause.
    """
    if plan.characteristic not in CHARACTERISTICS:
        raise ValueError(f"`characteristic` must be one of {', '.join(CHARACTERISTICS)}, got {plan.characteristic!r}")
    if plan.readings not in READINGS:
        raise ValueError(f"`readings` must be one of {', '.join(READINGS)}, got {plan.readings!r}")
    if not 0.5 <= plan.level < 1:
        raise ValueError(f"`level` must be from 0.5 to below 1, got {plan.level}")
    if plan.limit_um is not None and not 0 < plan.limit_um < math.inf:
        raise ValueError(f"`limit_um` must be a finite length greater than 0, got {plan.limit_um}")
    if plan.planned_age_faces is not None and not 0 <= plan.planned_age_faces < math.inf:
        raise ValueError(f"`planned_age_faces` must be a finite number of faces, got {plan.planned_age_faces}")
    if not 0 < plan.risk < 1:
        raise ValueError(f"`risk` must be between 0 and 1, got {plan.risk}")
    for name in ("flat_error_um", "temperature_um"):
        length = getattr(plan, name)
        if length is not None and not 0 <= length < math.inf:
            raise ValueError(f"`{name}` must be a finite length, 0 or more, got {length}")
    for face_id, cause in plan.excluded.items():
        if not cause.strip():
            raise ValueError(f"`excluded` must give a cause for every face; face {face_id} has none")
    days = {name: _day(name, getattr(plan, name)) for name in ("since", "until")}
    if days["since"] and days["until"] and days["since"] > days["until"]:
        raise ValueError(f"`since` must not be after `until`, got {plan.since} and {plan.until}")


def _day(name: str, text: str) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise ValueError(f"`{name}` must be an ISO date such as 2026-03-04, got {text!r}") from None
