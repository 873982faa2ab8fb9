"""The invented cell: its people, laps, part numbers and habits. Nothing here was measured anywhere.

Figures are plausible values chosen for the demonstration; no shop, person, part or product is meant.
"""

from dataclasses import dataclass
from datetime import date

__all__ = [
    "FIRST_DAY",
    "FROZEN",
    "FROZEN_UNTIL",
    "LAPS",
    "LAST_DAY",
    "OPERATORS",
    "PARTS",
    "SEED",
    "TIME_ZONE",
    "DemoLap",
    "DemoPart",
    "Operator",
]

SEED = 20260302
TIME_ZONE = "Europe/Copenhagen"
FIRST_DAY = date(2026, 3, 2)
LAST_DAY = date(2026, 6, 26)
# Charts whose limits the demonstration's engineer froze, and from faces up to when.
FROZEN = (("CU-1", "minutes"), ("CU-1", "finish"), ("DI-1", "minutes"), ("CE-1", "finish"))
FROZEN_UNTIL = "2026-05-16"


@dataclass(frozen=True, slots=True)
class Operator:
    """A person of the demonstration and how that person writes a reading."""

    name: str
    shift: str
    whole_bands_only: bool = False
    writes_fractions: bool = False  # 1½ in place of 1.5


@dataclass(frozen=True, slots=True)
class DemoPart:
    """One part number: limits as on its drawing, and how much work a face of it is."""

    part: str
    flatness: str  # as on the drawing, with its unit
    flatness_bands: float  # the same in helium bands, for the simulation only
    ra_um: float
    thickness_mm: float
    minutes: float  # usual minutes per face on a fresh lap
    wear: float  # how much one face wears the lap, 1 = usual


@dataclass(frozen=True, slots=True)
class DemoLap:
    """One lap of the demonstration and how it wears."""

    lap: str
    material: str
    kind: str
    size: str
    grit_um: float
    parts: tuple[str, ...]
    form_bands: float  # median form error a fresh lap leaves
    wear_bands: float  # bow gained per usual face, median over cycles
    ra_um: float
    rate_um_min: float
    recharge_after: int  # faces between top-ups
    faces_per_shift: float
    reads: str = "bands"  # 'bands' (optical flat), 'um' (interferometer or indicator)
    planned_after: int | None = None  # a planned reconditioning at this age, worn or not
    since: date = FIRST_DAY


OPERATORS = (
    Operator("Lindqvist", "early"),
    Operator("Okafor", "early", writes_fractions=True),
    Operator("Marchetti", "late"),
    Operator("Iversen", "late", whole_bands_only=True),
)

PARTS = {
    p.part: p
    for p in (
        DemoPart("SP-20", "2 bands", 2.0, 0.10, 12.0, 6.0, 1.0),
        DemoPart("SP-32", "3 bands", 3.0, 0.10, 16.0, 9.0, 1.5),
        DemoPart("GB-15", "2 bands", 2.0, 0.12, 22.0, 5.0, 0.8),
        DemoPart("SB-100", "2 bands", 2.0, 0.10, 30.0, 8.0, 1.2),
        DemoPart("GA-08", "0.30 um", 1.02, 0.03, 8.0, 7.0, 0.7),
        DemoPart("GA-12", "0.30 um", 1.02, 0.03, 9.5, 8.0, 0.9),
        DemoPart("VB-25", "8 um", 27.2, 0.40, 40.0, 4.0, 1.0),
    )
}

LAPS = (
    # The hand laps of one three-plate set; CI-2 hollows in its last cycle.
    DemoLap("CI-1", "cast iron", "hand lap", "300 x 300 mm", 15, ("SP-20", "GB-15"), 0.45, 0.016, 0.07, 0.80, 16, 4.5),
    DemoLap("CI-2", "cast iron", "hand lap", "300 x 300 mm", 15, ("SP-20", "GB-15"), 0.45, 0.016, 0.07, 0.80, 16, 4.5),
    DemoLap("CI-3", "cast iron", "hand lap", "300 x 300 mm", 15, ("GB-15", "SB-100"), 0.50, 0.015, 0.07, 0.80, 16, 3.5),
    # The ring machine: big plate, trued by its rings, so it wears slowly.
    DemoLap(
        "RM-1",
        "cast iron",
        "ring machine plate",
        "610 mm",
        9,
        ("SP-20", "SP-32"),
        0.55,
        0.005,
        0.05,
        0.60,
        24,
        6.0,
        planned_after=280,
    ),
    # Copper: CU-1 is the lap in perfect health; CU-2 is new in May and has to borrow.
    DemoLap("CU-1", "copper", "hand lap", "250 mm", 6, ("SP-20", "GB-15"), 0.40, 0.009, 0.04, 0.45, 12, 4.0),
    DemoLap(
        "CU-2",
        "copper",
        "hand lap",
        "250 mm",
        6,
        ("SP-20", "SB-100"),
        0.40,
        0.011,
        0.04,
        0.45,
        12,
        3.0,
        since=date(2026, 5, 11),
    ),
    # Ceramic, fine: read with an interferometer; CE-1 is contaminated near the end.
    DemoLap(
        "CE-1", "ceramic", "plate", "200 mm", 1, ("GA-08", "GA-12"), 0.30, 0.0035, 0.012, 0.12, 10, 3.0, reads="um"
    ),
    # Diamond-impregnated: DI-1 glazes near the end.
    DemoLap("DI-1", "diamond-impregnated", "plate", "200 mm", 9, ("GB-15", "SB-100"), 0.45, 0.007, 0.06, 1.20, 40, 4.0),
    DemoLap("DI-2", "diamond-impregnated", "plate", "200 mm", 9, ("SP-20", "GB-15"), 0.45, 0.008, 0.06, 1.20, 40, 3.5),
    # Paper on a reference plate, read with an indicator in micrometres; fresh paper is the reconditioning.
    DemoLap(
        "PP-1",
        "paper on plate",
        "plate",
        "300 x 450 mm",
        30,
        ("VB-25",),
        15.0,
        0.14,
        0.20,
        2.50,
        30,
        2.5,
        reads="um",
        planned_after=60,
    ),
)
