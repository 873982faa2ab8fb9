"""The usual cautions that go with an action. Reminders only: local codes, data sheets and site rules decide."""

import re
from collections.abc import Iterable

__all__ = ["CAUTIONS", "DEFERENCE", "cautions_for", "urges_speed"]

DEFERENCE = "Reminders only: local codes, the safety data sheets and your site rules decide; ask the licensed person."

# Common practice in the trade, in our words, no published source.
CAUTIONS: dict[str, tuple[str, ...]] = {
    "wash": (
        "Solvents and light oils give off flammable vapour: small closed cans, fresh air, no ignition source.",
        "Put used rags in a lidded metal bin; oily rags can heat by themselves.",
        "Wipe swarf wet, never blow it with air; collect the slurry, never pour it down the drain.",
        "Wear the gloves the data sheet names; hardened edges cut.",
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
        "Plate edges and freshly cut grooves are sharp: gloves for lifting.",
    ),
    "ring machine": (
        "Guards on; no loose sleeves, no gloves and no cloth near rotating plates and rings.",
        "Isolate the drive before moving a ring or cleaning the plate.",
    ),
    "read": (
        "Do not look into a lamp that gives off ultraviolet.",
        "Parts and plates may be warm and edges are sharp: let them cool, handle with care.",
    ),
}

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
