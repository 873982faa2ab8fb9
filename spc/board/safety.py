"""The usual cautions that go with an action. Reminders only: local codes, data sheets and site rules decide."""

import re
from collections.abc import Iterable

from spc.board.results import ShiftReport

__all__ = [
    "CAUTIONS", "DEFERENCE", "by_hand", "cautions_for", "lap_cautions", "shift_cautions", "short_caution",
    "urges_speed",
]  # fmt: skip

DEFERENCE = "Reminders only: local codes, the safety data sheets and your site rules decide; ask the licensed person."

# Common practice in the trade, in our words, no published source. What turns is stopped first: gloves come after it.
CAUTIONS: dict[str, tuple[str, ...]] = {
    "ring machine": (
        "Stop and isolate the drive before a hand comes near: moving a ring, lifting, cleaning or washing the plate.",
        "While it turns: guards on, no loose sleeves, no gloves and no cloth near plates and rings.",
    ),
    "wash": (
        "Solvents and light oils give off flammable vapour: small closed cans, fresh air, no ignition source.",
        "Put used rags in a lidded metal bin; oily rags can heat by themselves.",
        "Wipe swarf wet, never blow it with air; collect the slurry, never pour it down the drain.",
        "For washing, with nothing turning: the gloves the data sheet names; hardened edges cut.",
    ),
    "recharge": (
        "Keep diamond paste and slurry off the skin and out of the eyes.",
        "Change gloves between grits: that protects the hands and the work.",
        "Swarf of hard metal or cobalt-bearing work sensitises skin and lungs: check the alloys on the data sheet.",
    ),
    "dress": (
        "Dressing throws grit and dust: eye protection, wet, no air-blast.",
        "Stop the plate before reaching over it.",
    ),
    "recondition": (
        "Lap plates are heavy and can pinch: lifting aid and two people.",
        "Long repeated strokes strain wrist and shoulder: change posture, take turns.",
        "Collect the slurry and wipe wet; steel dust does not belong in the lungs.",
    ),
    "lift plate": (
        "Use the lifting aid the plate is rated for, with two people; keep fingers clear of the seat.",
        "Plate edges and freshly cut grooves are sharp: gloves for lifting, with nothing turning.",
    ),
    "read": (
        "Do not look into a lamp that gives off ultraviolet.",
        "Parts and plates may be warm and edges are sharp: let them cool, handle with care.",
    ),
}

# The same in a few words, for a line.
_SHORT = {
    "ring machine": "stop and isolate what turns first",
    "wash": "gloves once nothing turns, no flame near solvents, rags in a lidded bin",
    "recharge": "paste off skin and eyes",
    "dress": "eye protection",
    "recondition": "two people and a lifting aid for plates",
    "lift plate": "two people and a lifting aid for plates",
    "read": "no looking into the lamp",
}
_OF_STATE = {"due": ("recondition", "wash"), "held": ("wash",), "watch": ("read",)}
_OF_ROOM = ("read", "wash", "recharge")  # the lamp and the flat are cleaned, the slurry is looked at
_TURNING = ("ring machine", "lift plate")
_BY_HAND = re.compile(r"\bhand", re.I)
_DRIVEN = re.compile(r"ring|machin|maschin|motor|driv", re.I)

_HURRY = re.compile(r"\b(hurry|quick(ly|er)?|fast(er)?|rush|speed up|at once and go|as soon as|no time)\b", re.I)


def cautions_for(actions: Iterable[str]) -> tuple[str, ...]:
    """Cautions for the actions asked, each once, ending with who decides.

    Parameters
    ----------
    actions : iterable of str
        Keys of `CAUTIONS`; none gives no cautions at all.

    Returns
    -------
    tuple of str

    Raises
    ------
    ValueError
        If an action is unknown.
    """
    wanted = list(dict.fromkeys(actions))
    unknown = [a for a in wanted if a not in CAUTIONS]
    if unknown:
        raise ValueError(f"`actions` must be among {', '.join(CAUTIONS)}; got {', '.join(unknown)}")
    lines = dict.fromkeys(line for action in wanted for line in CAUTIONS[action])
    return (*lines, DEFERENCE) if lines else ()


def by_hand(kind: str) -> bool:
    """Whether a lap is known to be worked by hand; one of which nobody says so may turn."""
    return _BY_HAND.search(kind) is not None and _DRIVEN.search(kind) is None


def lap_cautions(state: str, kind: str, causes: Iterable[str] = ()) -> tuple[str, ...]:
    """Cautions for what a lap's state and its likely causes ask of a person.

    Parameters
    ----------
    state : str
        A key of `spc.board.results.STATES`.
    kind : str
        Of the lap, as registered; unless it says that the lap is worked by hand, the plate is taken to turn.
    causes : iterable of str
        Cautions of a diagnosis, as lines.

    Returns
    -------
    tuple of str
        None where nothing is asked of a person.
    """
    of_state, more = _OF_STATE.get(state, ()), [line for line in causes if line != DEFERENCE]
    if not of_state and not more:
        return ()
    wanted = cautions_for((*(() if by_hand(kind) else _TURNING), *of_state))[:-1]
    return (*dict.fromkeys((*wanted, *more)), DEFERENCE)


def shift_cautions(shift: ShiftReport) -> tuple[str, ...]:
    """Cautions for what a board asks of a person, each once: of its laps in need, and of a room that moved."""
    lines = [line for lap in shift.laps if lap.state in _OF_STATE for line in lap.safety]
    if shift.room is not None or shift.not_the_room is not None:
        lines += cautions_for(_OF_ROOM)
    place = {line: at for at, line in enumerate(cautions_for(CAUTIONS))}
    return tuple(sorted(dict.fromkeys(lines), key=lambda line: (line == DEFERENCE, place.get(line, len(place)))))


def short_caution(lines: Iterable[str]) -> str:
    """Say cautions in one line that ends with who decides; '' for none."""
    told = set(lines)
    words = dict.fromkeys(_SHORT[action] for action, of in CAUTIONS.items() if told.intersection(of))
    return f"Take care: {'; '.join(words)}. Local rules and data sheets decide." if words else ""


def urges_speed(sentence: str) -> bool:
    """Whether a sentence hurries a person; such a sentence must never stand beside a hold or a caution.

    Parameters
    ----------
    sentence : str

    Returns
    -------
    bool
    """
    return bool(_HURRY.search(sentence))
