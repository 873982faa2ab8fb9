"""What each likely cause does to the signs of a lap, how to check it cheaply, and what to do about it.

Common practice in the trade, no published source; the odds are ours, a starting point that logged reactions move.
"""

from dataclasses import dataclass

__all__ = ["CAUSES", "GROUPS", "SCOPES", "SIGNS", "UNKNOWN", "CauseEntry"]

# What each sign can show. A sign with too few readings is left out of the odds.
SIGNS: dict[str, tuple[str, ...]] = {
    "flatness": ("up", "down", "steady"),
    "bow": ("turned", "steady"),
    "minutes": ("up", "down", "steady"),
    "removal rate": ("up", "down", "steady"),
    "finish": ("up", "down", "steady"),
    "re-lap share": ("up", "down", "steady"),
    "scratch": ("yes", "no"),
    "grit": ("coarser", "no"),
    "identical": ("yes", "no"),
    "charge": ("old", "young", "usual"),
    "other laps": ("hit", "no"),  # that shared a wash or bench with a scratched lap; asked of no other lap
}

SCOPES: tuple[str, ...] = ("one lap", "one operator", "one part number", "many laps")

GROUPS: tuple[str, ...] = ("the lap", "the grit", "the hand", "the reading", "the part", "the room", "unknown")

UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class CauseEntry:
    """One row of the reaction table."""

    name: str
    group: str  # one of `GROUPS`
    prior: float  # relative weight before any sign and any logged reaction
    signs: dict[str, dict[str, float]]  # sign -> probability of each state it makes likely; the rest is shared out
    scopes: dict[str, float]  # scope -> probability, the rest shared out
    check: str
    check_minutes: float  # rough cost of the check; ranks checks, is never shown as a target
    action: str
    cautions: tuple[str, ...]  # keys of spc.board.safety.CAUTIONS
    short: str  # its words on a button
    cured_by: tuple[str, ...] = ()  # events that are logged when it is put right


_ONE_LAP = {"one lap": 0.9}

CAUSES: tuple[CauseEntry, ...] = (
    CauseEntry(
        "lap worn out of shape", "the lap", 3.0,
        {"flatness": {"up": 0.8}, "bow": {"turned": 0.4}, "minutes": {"up": 0.3}, "re-lap share": {"up": 0.5}},
        _ONE_LAP,
        "Read the face again when cool, then by another reader, then a check piece, then measure the lap.", 15,
        "Recondition the lap, such as by a three-plate turn; hold the parts since the last good check.",
        ("recondition", "wash"),
        "Lap out of shape", ("reconditioned",),
    ),
    CauseEntry(
        "stroke pattern or ring position", "the lap", 2.0,
        {"flatness": {"up": 0.35, "down": 0.25}, "bow": {"turned": 0.9}, "re-lap share": {"up": 0.2}},
        {"one lap": 0.75, "one operator": 0.2},
        "Look at the ring position, the stroke pattern and how the part is held.", 5,
        "Move the ring or change the stroke, then watch the slope: a plate answers after hours.", ("ring machine",),
        "Stroke or ring",
    ),
    CauseEntry(
        "glazed lap", "the lap", 1.5,
        {"minutes": {"up": 0.8}, "removal rate": {"down": 0.85}, "finish": {"down": 0.6, "up": 0.1},
         "re-lap share": {"up": 0.2}},
        _ONE_LAP,
        "Look at the lap face under light: does it shine where it should be matt?", 2,
        "Dress the lap; shape work is not needed.", ("dress",), "Glazed lap", ("reconditioned",),
    ),
    CauseEntry(
        "charge used up", "the grit", 3.0,
        {"minutes": {"up": 0.8}, "removal rate": {"down": 0.85}, "re-lap share": {"up": 0.3},
         "charge": {"old": 0.4, "young": 0.005}},
        {"one lap": 0.85},
        "Look up the last recharge, then the load and the swarf in the slurry.", 2,
        "Recharge; shape work is not needed.", ("recharge",), "Charge used up", ("recharged",),
    ),
    CauseEntry(
        "coarse grain or contamination", "the grit", 2.0,
        {"scratch": {"yes": 0.9}, "grit": {"coarser": 0.9}, "finish": {"up": 0.5}, "re-lap share": {"up": 0.4},
         "other laps": {"hit": 0.7}},
        {"one lap": 0.7, "many laps": 0.15},
        "Which bottle, which wash, who shared the bench? Look at the lap under light.", 5,
        "Stop, clean everything, hold the faces since the last clean one, strip and charge again.",
        ("wash", "recharge"), "Coarse grain", ("recharged",),
    ),
    CauseEntry(
        "wrong or uneven grit", "the grit", 1.0,
        {"finish": {"up": 0.8}, "removal rate": {"up": 0.5, "down": 0.1}, "scratch": {"yes": 0.25},
         "grit": {"coarser": 0.25}, "minutes": {"down": 0.35}, "other laps": {"hit": 0.3}},
        {"one lap": 0.6, "many laps": 0.3},
        "Read the bottle and the lot, then check stylus and cut-off.", 3,
        "Wash, recharge from a known lot.", ("wash", "recharge"), "Wrong grit", ("recharged",),
    ),
    CauseEntry(
        "pressure or hold of the part", "the hand", 1.5,
        {"flatness": {"up": 0.6}, "bow": {"turned": 0.4}, "minutes": {"up": 0.3, "down": 0.2},
         "re-lap share": {"up": 0.4}},
        {"one operator": 0.85},
        "Let a second person lap one check piece on the same lap.", 15,
        "Agree load, stroke and turn of the part; write it on the job card.", ("recondition",), "Pressure or hold",
    ),
    CauseEntry(
        "read warm, in poor light or by another eye", "the reading", 1.5,
        {"flatness": {"up": 0.6, "down": 0.15}, "re-lap share": {"up": 0.3}},
        {"one operator": 0.5, "one lap": 0.3, "many laps": 0.15},
        "Let it cool, wipe it, read it again; then a second reader.", 3,
        "Correct the reading with its reason; do no shape work on the strength of it.", ("read",), "Reading was off",
    ),
    CauseEntry(
        "reading step too coarse, or readings copied", "the reading", 1.0,
        {"identical": {"yes": 0.9}},
        {"one operator": 0.5, "one lap": 0.3, "many laps": 0.15},
        "Compare the readings with their step; ask how they are typed.", 3,
        "Run a short gauge study; until then chart minutes and passes.", ("read",), "Readings copied",
    ),
    CauseEntry(
        "part mix or more stock to remove", "the part", 1.5,
        {"minutes": {"up": 0.8}, "re-lap share": {"up": 0.2}},
        {"one part number": 0.85},
        "Compare start thickness and part number with the last lots.", 2,
        "Plan minutes by part number; nothing to do on the lap.", (), "Part or stock",
    ),
    CauseEntry(
        "part out of form before lapping, or springy", "the part", 1.5,
        {"flatness": {"up": 0.7}, "bow": {"turned": 0.3}, "re-lap share": {"up": 0.4}},
        {"one part number": 0.85},
        "Read a face of another part number on the same lap, then one of this number before it is lapped.", 5,
        "Send the lot back to the stage before; nothing to do on the lap.", (), "Part form",
    ),
    CauseEntry(
        "grit step before skipped or too short", "the part", 1.5,
        {"re-lap share": {"up": 0.7}, "finish": {"up": 0.6}, "minutes": {"up": 0.5}, "scratch": {"yes": 0.3},
         "grit": {"coarser": 0.3}},
        {"one part number": 0.7, "one operator": 0.2},
        "Compare stock removed at each step with the size of the grit before.", 5,
        "Send the lot back one step; find the stage at fault.", ("wash",), "Step before",
    ),
    CauseEntry(
        "the room: temperature, lamp, flat, slurry batch", "the room", 1.5,
        {"flatness": {"up": 0.6, "down": 0.1}, "removal rate": {"down": 0.3}, "minutes": {"up": 0.3},
         "re-lap share": {"up": 0.4}},
        {"many laps": 0.95},
        "Look at the thermometer, the lamp and the flat, then the slurry batch.", 3,
        "Treat it as one cause for the room; rework no lap until it is found.", ("read", "wash", "recharge"),
        "The room",
    ),
    CauseEntry(
        UNKNOWN, "unknown", 3.0,
        {"flatness": {"up": 0.3, "down": 0.15}, "bow": {"turned": 0.2}, "minutes": {"up": 0.3, "down": 0.15},
         "removal rate": {"up": 0.15, "down": 0.3}, "finish": {"up": 0.3, "down": 0.15},
         "re-lap share": {"up": 0.3, "down": 0.1}, "scratch": {"yes": 0.2}, "grit": {"coarser": 0.2},
         "identical": {"yes": 0.1}},
        {"one lap": 0.4, "one operator": 0.2, "one part number": 0.2, "many laps": 0.2},
        "Write down what is different since the last good face.", 2,
        "Hold the doubtful faces and fetch the lead; 'not found' is an honest answer and is counted.", (), "Not found",
    ),
)  # fmt: skip
