"""Words in the cells of a lapping log, in English, German and French, made the few words the tool works with."""

from collections.abc import Mapping, Sequence

__all__ = [
    "EMPTY_CELLS",
    "EVENTS",
    "METHODS",
    "MISSING_CELLS",
    "OUTCOMES",
    "REASONS",
    "SHAPES",
    "TRUTH",
    "nearest",
    "plain_key",
    "word",
]


# Cells with nothing in them as data bases and spreadsheets write them, whatever the column.
EMPTY_CELLS = frozenset({"nan", "null", "(null)", "#n/a"})
# Cells that say "nothing here"; not read this way where "-" or "none" means something else.
MISSING_CELLS = EMPTY_CELLS | {"-", "--", "---", "n/a", "n.a.", "na", "none", "k.a.", "k. a.", "not measured"}


def _table(lines: Mapping[str, str]) -> dict[str, str]:
    return {w: ours for ours, words in lines.items() for w in (ours, *words.split("|")) if w}


OUTCOMES = _table(
    {
        "ok": "good|pass|passed|accept|accepted|done|io|i.o.|i.o|gut|bon|conforme|bonne|y|yes|ja|oui|1|true|frei",
        "re-lap": "relap|re lap|re-lapped|relapped|again|nacharbeit|nachläppen|nachlaeppen|n.i.o.|nio|rework|retouche|"
        "à reprendre|reprise|roder à nouveau|another pass",
        "regrind": "re-grind|back to grinding|grind|nachschleifen|rectifier|rectification",
        "scrap": "scrapped|reject|rejected|ausschuss|rebut|bin",
    }
)
SHAPES = _table(
    {
        "convex": "cvx|cx|konvex|convexe|crown|crowned|high|ballig|bombé|+|up",
        "concave": "ccv|cv|cnc|konkav|dish|dished|hollow|low|hohl|creux|-|down",
        "twist": "twisted|saddle|sattel|verdreht|vrillé|selle|tw",
        "flat": "eben|plan|plat|plane",
        "": "?|unknown|unbekannt|inconnu|n/a",
    }
)
METHODS = _table(
    {
        "optical flat": "flat|of|optical|glass|planglas|planglasplatte|verre plan|lame plan|monolight|light bands|"
        "optische planglasplatte|optisches planglas",
        "indicator": "dial|dial indicator|test indicator|dti|tir|messuhr|fühlhebel|comparateur|probe",
        "interferometer": "interferometry|phase|fizeau|interferometre|interféromètre",
    }
)
EVENTS = _table(
    {
        "charged": "charge|charging|aufgeladen|eingeläppt|beladen|chargé|chargement|new charge",
        "recharged": "recharge|re-charge|re-charged|top up|top-up|topped up|nachgeladen|nachladen|rechargé",
        "cleaned": "clean|wash|washed|gereinigt|reinigung|nettoyé|nettoyage|cleaning",
        "grit changed": "grit change|change of grit|changed grit|körnungswechsel|kornwechsel|changement de grain",
        "dressed": "dress|dressing|abgezogen|abgerichtet|dressé|stoned",
        "reconditioned": "recondition|reconditioning|conditioned|condition|three-plate|trued|abgerichtet neu|"
        "aufbereitet|rectifié plan|reconditionné|remise en état|lap reconditioned",
        "re-faced": "refaced|re-face|reface|resurfaced|machined|neu überdreht|überdreht|überschliffen|surfacé",
        "measured": "measure|plate measured|plate check|checked|gemessen|vermessen|mesuré|lap measured",
        "ring moved": "ring move|rings moved|ring|ring verstellt|bague déplacée",
        "swapped": "swap|changed out|taken off|getauscht|gewechselt|échangé|removed from use",
        "returned": "return|back in use|put back|zurück|remis en service",
        "retired": "retire|scrapped lap|out of use|ausgemustert|retiré",
    }
)
REASONS = _table(
    {
        "worn": "wear|worn out|out of flat|over limit|over the limit|abgenutzt|verschlissen|verschleiß|verschleiss|"
        "abgenützt|usé|usée|usure|hors tolérance",
        "planned": "plan|by plan|as planned|scheduled|still good|geplant|planmäßig|planmaessig|nach plan|noch gut|"
        "prévu|prevu|planifié|planifie|programmé|encore bon",
        "routine": "regular|turnus|turnusmäßig|routinemäßig|de routine|systématique",
        "damaged": "damage|chipped|cracked|dropped|beschädigt|beschaedigt|schaden|endommagé|endommage|abîmé|dommage",
        "contamination": "contaminated|verunreinigt|verunreinigung|verschmutzt|contaminé|contamine|pollué|pollution",
    }
)
TRUTH: dict[str, bool] = {
    **dict.fromkeys(("1", "y", "yes", "true", "t", "x", "ja", "j", "oui", "o", "wahr", "vrai", "scratch", "s"), True),
    **dict.fromkeys(("0", "n", "no", "false", "f", "nein", "non", "-", "falsch", "faux", "none", "keine"), False),
}


def word(text: str, table: Mapping[str, str], *, what: str) -> str:
    """Our word for a typed one.

    Parameters
    ----------
    text : str
    table : mapping
        One of the tables of this module.
    what : str
        What the word is, for the refusal.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        If the word is not known; a half sentence naming the words that are.
    """
    key = plain_key(text)
    if key in table:
        return table[key]
    ours = ", ".join(dict.fromkeys(w for w in table.values() if w))
    raise ValueError(f"is no known {what}: {text[:60]!r}; known are {ours}, or translate it in the column map (values)")


def plain_key(text: str) -> str:
    """Key of the tables for a typed word: small letters, single spaces."""
    return " ".join(text.lower().replace("_", " ").split())


def nearest(text: str, names: Sequence[str], *, most: int = 3) -> list[str]:
    """Known names nearest to a typed one by edit distance (insert, delete, replace), nearest first.

    Names further away than half their length are left out.
    """
    near = sorted((_distance(text.casefold(), name.casefold()), name) for name in names)
    return [name for far, name in near if far <= max(2, len(name) // 2)][:most]


def _distance(a: str, b: str) -> int:
    row = list(range(len(b) + 1))
    for i, x in enumerate(a, start=1):
        last, row[0] = row[0], i
        for j, y in enumerate(b, start=1):
            last, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, last + (x != y))
    return row[-1]
