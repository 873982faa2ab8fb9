"""Header words of lapping logs in English, German and French, and the qualifiers that ride in a header."""

import re
from dataclasses import dataclass

from spc.measure.length import lamp, unit_name
from spc.measure.number import tidy
from spc.measure.rubbing import QUANTITIES, WEIGHED, quantity_unit

__all__ = [
    "ALONE",
    "FIELDS",
    "LENGTH_FIELDS",
    "READINGS",
    "HeaderMeaning",
    "header_meaning",
    "looks_like_header",
    "stated_unit",
]

# Every field a column can feed, with what it is. The first six are the least a face log needs.
FIELDS: dict[str, str] = {
    "operator": "who lapped or read the face",
    "lap": "the lap's name",
    "grit": "abrasive grit on the lap",
    "minutes": "minutes on the lap",
    "flatness": "measured flatness",
    "finish": "Ra",
    "time": "when the face was read, or start where an end column follows",
    "time_end": "end of lapping",
    "date": "date apart from the time of day",
    "zone": "time zone or offset of the row's time",
    "shift": "shift name",
    "shift_date": "date the shift began",
    "material": "lap material",
    "part": "part number",
    "serial": "serial number of the part",
    "face": "which face of the part",
    "stage": "rough, semi, finish, touch-up",
    "attempt": "1 for the first pass, 2 for the first re-lap; how many passes it took",
    "flatness_unit": "unit of the row's flatness",
    "finish_unit": "unit of the row's finish",
    "lamp": "lamp the bands were read under",
    "shape": "convex, concave, twist, flat",
    "method": "optical flat, indicator, interferometer",
    "cutoff": "roughness cut-off, mm",
    "parallelism": "measured parallelism",
    "squareness": "measured squareness",
    "thickness": "thickness after lapping",
    "thickness_before": "thickness before lapping",
    "outcome": "ok, re-lap, regrind, scrap",
    "temperature": "temperature",
    "load": "load on the face: N, kgf, lbf",
    "area": "contact area of the face: mm2, cm2, in2",
    "speed": "rubbing speed: m/s, m/min, ft/min",
    "coverage": "share of the face that the flat covered",
    "scratch": "whether a scratch was seen",
    "note": "free text",
    "event": "what was done to the lap (the row is then no face)",
    "grit_from": "grit before a change",
    "abrasive": "kind of abrasive charged",
    "lot": "abrasive lot",
    "reason": "why the lap was taken out or treated",
    "planned": "whether the event was planned",
    "found_late": "whether the event was found after the fact",
    "before": "lap form before the event",
    "after": "lap form after the event",
    "removed": "material removed from the lap",
    "from_mm": "ring position before, mm",
    "to_mm": "ring position after, mm",
}
READINGS: tuple[str, ...] = ("flatness", "finish", "parallelism", "squareness", "thickness", "thickness_before")
LENGTH_FIELDS: tuple[str, ...] = (*READINGS, "before", "after", "removed")

_WORDS: dict[str, str] = {}
for _field, _phrases in {
    "operator": "operator|op|operator id|operator name|operator initials|initials|who|lapper|lapped by|read by|"
    "measured by|worker|technician|tech|inspector|bediener|werker|mitarbeiter|prüfer|läpper|"
    "bearbeiter|opérateur|operateur|opérateur id",
    "lap": "lap|lap id|lap no|lap name|lap number|plate|lap plate|läppscheibe|läppplatte|lappscheibe|scheibe|platte|"
    "läppwerkzeug|rodoir|plateau|plateau de rodage|disque",
    "grit": "grit|grit size|abrasive grit|grain|grain size|körnung|koernung|korn|korngröße|grit to|new grit|"
    "granulométrie|granulometrie|taille de grain|grit used",
    "minutes": "minutes|min|mins|lapping time|lap time|run time|minutes on lap|duration|time on lap|lapping minutes|"
    "lap minutes|läppzeit|laeppzeit|dauer|läppdauer|minuten|durée|duree|temps de rodage|temps rodage",
    "flatness": "flatness|flat|flatness reading|measured flatness|ebenheit|ebenheitsabweichung|planheit|planéité|"
    "planeite|défaut de planéité|bands|fringes|streifen|bandes|franges|light bands",
    "finish": "finish|ra|roughness|surface finish|surface roughness|finish ra|rauheit|rauhigkeit|oberfläche|"
    "mittenrauwert|rugosité|rugosite|état de surface|roughness ra|rauheit ra|rugosité ra|ra value",
    "time": "time|timestamp|ts|datetime|date time|time stamp|read time|time read|measured at|when|start|start time|"
    "time start|lapped at|zeit|zeitstempel|zeitpunkt|uhrzeit|datum uhrzeit|messzeit|beginn|startzeit|heure|"
    "date heure|horodatage|début|heure début|time of reading",
    "time_end": "end|end time|time end|finished|finish time|stop|ende|endzeit|fin|heure fin",
    "date": "date|datum|date of reading|date de mesure",
    "zone": "zone|time zone|timezone|tz|utc offset|offset|zeitzone|fuseau|fuseau horaire",
    "shift": "shift|schicht|équipe|equipe|poste|quart",
    "shift_date": "shift date|schichtdatum|schichttag|date équipe|date de poste",
    "material": "material|lap material|plate material|werkstoff|läppscheibenwerkstoff|material lap|matière|matériau|"
    "matiere|matériau du plateau",
    "part": "part|part number|part no|partno|pn|part nr|item|teil|teilenummer|teilenr|teile nr|teil nr|artikel|"
    "artikelnummer|sachnummer|pièce|piece|référence|reference|numéro de pièce|part id",
    "serial": "serial|serial number|serial no|sn|s n|serialno|seriennummer|serien nr|seriennr|numéro de série|"
    "numero de serie|n de série|no série",
    "face": "face|face id|side|surface id|fläche|flaeche|seite|face no|côté",
    "stage": "stage|step|operation|stufe|arbeitsgang|étape|etape|phase|pass type",
    "attempt": "attempt|pass|pass no|try|attempt no|passes|number of passes|no of passes|passes taken|attempts|versuch|"
    "durchgang|durchgänge|anzahl durchgänge|essai|passe|tentative|nombre de passes",
    "flatness_unit": "unit|units|flatness unit|unit flatness|einheit|ebenheit einheit|unité|unite|unité planéité",
    "finish_unit": "ra unit|finish unit|unit ra|ra einheit|rauheit einheit|unité ra|roughness unit",
    "lamp": "lamp|light|light source|lampe|lichtquelle|source lumineuse|lamp used",
    "shape": "shape|form|sign|direction|shape sign|convex concave|cvx ccv|formabweichung|formrichtung|forme|sens",
    "method": "method|instrument|measured with|gauge|measuring method|messmittel|messmethode|verfahren|méthode|"
    "methode|moyen de mesure",
    "cutoff": "cutoff|cut off|cut-off|ra cutoff|ra cut off|grenzwellenlänge|lambda c|longueur de coupure|finish cutoff",
    "parallelism": "parallelism|parallelität|parallelitaet|parallélisme|parallelisme",
    "squareness": "squareness|perpendicularity|rechtwinkligkeit|perpendicularité|équerrage|perpendicularite",
    "thickness": "thickness|thickness after|thick after|after thickness|size after|dicke|dicke nachher|dicke nach|"
    "enddicke|épaisseur|epaisseur|épaisseur après|thk|thk after",
    "thickness_before": "thickness before|thick before|before thickness|size before|dicke vorher|dicke vor|"
    "anfangsdicke|épaisseur avant|epaisseur avant|thk before",
    "outcome": "outcome|result|status|disposition|verdict|ergebnis|befund|resultat|résultat|décision|accept|ok",
    "temperature": "temperature|temp|room temperature|temperatur|raumtemperatur|température",
    "load": "load|lapping load|load on face|load on lap|contact load|normal force|force|auflast|läpplast|anpresskraft|"
    "kraft|force d'appui|effort|effort d'appui",
    "area": "area|contact area|face area|lapped area|kontaktfläche|läppfläche|auflagefläche|aire|aire de contact|"
    "surface de contact",
    "speed": "speed|rubbing speed|lapping speed|sliding speed|lap speed|plate speed|geschwindigkeit|"
    "gleitgeschwindigkeit|läppgeschwindigkeit|vitesse|vitesse de glissement|vitesse de rodage",
    "coverage": "coverage|flat coverage|covered|covered share|abdeckung|couverture",
    "scratch": "scratch|scratched|scratches|kratzer|rayure|rayures",
    "note": "note|notes|comment|comments|remark|remarks|bemerkung|kommentar|notiz|remarque|commentaire|observations",
    "event": "event|lap event|action|ereignis|événement|evenement|event type",
    "grit_from": "grit from|from grit|old grit|grit before|körnung vorher|grain avant",
    "abrasive": "abrasive|abrasive type|compound|läppmittel|schleifmittel|abrasif",
    "lot": "lot|batch|abrasive lot|charge|charge nr|los|n de lot|lot no|charge number",
    "reason": "reason|why|cause|grund|ursache|raison|motif",
    "planned": "planned|geplant|prévu|planifié",
    "found_late": "found late|late|spät gefunden|constaté tard",
    "before": "before|form before|shape before|flatness before|before form|vorher|form vorher|avant",
    "after": "after|form after|shape after|flatness after|after form|nachher|form nachher|après",
    "removed": "removed|removal|stock removed|material removed|abtrag|enlevé|enlèvement",
    "from_mm": "from|ring from|position from|von|de",
    "to_mm": "to|ring to|position to|nach",
}.items():
    for _phrase in _phrases.split("|"):
        _WORDS[_phrase] = _field
_WORDS["form"] = "shape"

# Headers that say something else as often (a batch, a place, a setting) unless a unit stands with them.
ALONE = frozenset(("load", "force", "kraft", "effort", "area", "aire", "speed", "geschwindigkeit", "vitesse"))

_ZONES = {"utc": "UTC", "gmt": "UTC", "z": "UTC", "local": "", "lokal": ""}
_MINUTES = frozenset({"min", "mins", "minute", "minutes", "minuten", "mn"})
_SECONDS = {
    "s": "s",
    "sec": "s",
    "secs": "s",
    "seconds": "s",
    "sek": "s",
    "h": "h",
    "hours": "h",
    "hrs": "h",
    "std": "h",
}
_DEGREES = {"c": "C", "degc": "C", "f": "F", "degf": "F", "celsius": "C", "fahrenheit": "F"}
_SHARE = {"%": "%", "percent": "%", "prozent": "%", "pct": "%"}
_GRITS = {"mesh": "mesh", "jis": "JIS", "fepa f": "F", "fepa p": "P"}


@dataclass(frozen=True, slots=True)
class HeaderMeaning:
    """What one header says."""

    field: str  # key of FIELDS, '' = not understood
    unit: str  # '' or: length unit; 'min', 's', 'h' (minutes); 'C', 'F'; '%'; a grit scale; 'UTC' or an offset (times);
    # a unit of `spc.measure.rubbing`
    lamp: str  # '' or a lamp named in the header


def header_meaning(header: str) -> HeaderMeaning:
    """Understand one header: its field, and the unit, lamp or zone written in it.

    Parameters
    ----------
    header : str
        "flatness (um)", "Ebenheit [µm]", "planéité (bandes)", "flatness_bands", "Ra µin", "time UTC".

    Returns
    -------
    HeaderMeaning
        Field '' when the words are not known.
    """
    plain = tidy(header[:200])
    aside = " ".join(re.findall(r"[\[(<]([^\])>]*)[\])>]", plain))
    body = re.sub(r"[\[(<][^\])>]*[\])>]", " ", plain)
    body = re.sub(r"(?<=[a-zà-ÿ])(?=[A-Z][a-zà-ÿ])", " ", body)
    words = [w for w in re.split(r"[\s_.,:/#°º-]+", body.lower()) if w]
    if not words and aside:  # "(um)" alone says nothing
        return HeaderMeaning("", "", "")
    for cut in range(len(words), 0, -1):
        field = _WORDS.get(" ".join(words[:cut]), "")
        if not field:
            continue
        rest = " ".join(words[cut:])
        meaning = _qualified(field, f"{rest} {aside.lower()}".replace("°", "").strip(), " ".join(words[:cut]))
        if meaning:
            return meaning
    return HeaderMeaning("", "", "")


def stated_unit(name: str, unit: str) -> str:
    """Our name of the unit that a column map states for a field; refuses one that the field has not.

    Parameters
    ----------
    name : str
        A key of `FIELDS`.
    unit : str
        As stated; '' = not stated.

    Returns
    -------
    str
        Of a field that has no units of its own, as stated.

    Raises
    ------
    ValueError
        If it is a length, load, area or speed and the unit is not one of its own, or a mass.
    """
    if unit and name in LENGTH_FIELDS:
        return unit_name(unit)
    if not unit or name not in QUANTITIES:
        return unit
    found = quantity_unit(name, unit)
    if found in WEIGHED:
        raise ValueError(f"`unit` {found} is a mass; write {WEIGHED[found]} if its weight is the load")
    if not found:
        raise ValueError(f"`unit` must be one of {', '.join(QUANTITIES[name].units)}, got {unit[:40]!r}")
    return found


def looks_like_header(row: list[str]) -> bool:
    """Whether a line's cells are headers: two or more known words (one in a narrow file) and no plain number."""
    cells = [c.strip() for c in row]
    if any(re.fullmatch(r"[<>~+-]?[\d.,:]+", c) for c in cells if c):
        return False
    known = sum(bool(header_meaning(c).field) for c in cells if c)
    return known >= 2 or (known == 1 and len(cells) <= 2)


def _qualified(field: str, rest: str, phrase: str) -> HeaderMeaning | None:
    """Take unit, lamp or zone from what follows the field's words; None if it says something else."""
    unit, lamp_name = "", ""
    if field == "time" and rest in _MINUTES:
        return HeaderMeaning("minutes", "min", "")
    if field in LENGTH_FIELDS or field in ("cutoff", "from_mm", "to_mm"):
        if field == "flatness" and _unit(phrase) == "band":
            unit = "band"
        words = [w for w in re.split(r"[\s,;]+", rest) if w and not (field == "finish" and w == "ra")]
        if len(words) > 1 and words[0] in ("in", "en") and _unit(words[1]):
            del words[0]  # "in um": the word, not the inch
        while words:
            for size in (3, 2, 1):
                part = " ".join(words[:size])
                found = _unit(part) or _unit(part.replace(" ", "-"))
                if len(words) >= size and not unit and found:
                    unit, words = found, words[size:]
                    break
                if len(words) >= size and not lamp_name and _lamp(part):
                    lamp_name, words = _lamp(part), words[size:]
                    break
            else:
                return None
        return HeaderMeaning(field, unit, lamp_name)
    if field in ("minutes",):
        known = "min" if rest in _MINUTES else _SECONDS.get(rest, "")
        return HeaderMeaning(field, known, "") if known or not rest else None
    if field == "temperature":
        return HeaderMeaning(field, _DEGREES.get(rest, ""), "") if rest in _DEGREES or not rest else None
    if field in QUANTITIES:
        known = quantity_unit(field, re.sub(r"^(?:in|en) ", "", rest))
        return HeaderMeaning(field, known, "") if known or not rest else None
    if field == "coverage":
        return HeaderMeaning(field, _SHARE.get(rest, ""), "") if rest in _SHARE or not rest else None
    if field in ("grit", "grit_from"):
        scale = _GRITS.get(rest) or ("um" if _unit(rest) == "um" else "")
        return HeaderMeaning(field, scale, "") if scale or not rest else None
    if field in ("time", "time_end", "date"):
        if rest in _ZONES or not rest:
            return HeaderMeaning(field, _ZONES.get(rest, ""), "")
        offset = re.fullmatch(r"(?:utc|gmt)? ?([+-](?:0?\d|1[0-4])(?::?[0-5]\d)?)", rest)
        return HeaderMeaning(field, offset.group(1), "") if offset else None
    return HeaderMeaning(field, "", "") if not rest or rest in ("text", "id", "no", "name", "code") else None


def _unit(text: str) -> str:
    try:
        return unit_name(text) if text else ""
    except ValueError:
        return ""


def _lamp(text: str) -> str:
    try:
        return lamp(text).name
    except ValueError:
        return ""
