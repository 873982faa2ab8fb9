"""`lapcell parts`: the limits of each part number."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from spc.cli import DONE, Session, common_options
from spc.commands.moments import time_head, with_times
from spc.commands.output import one_line, print_json, print_table, records
from spc.commands.registers import ListingGroup, take_register

if TYPE_CHECKING:
    from spc.settings import Settings
    from spc.store.store import Store

__all__ = ["LIMIT_WORDS", "command", "limit_taker", "limit_um"]

LIMIT_WORDS = {
    "part": (
        *("part", "part number", "part no", "teil", "teilenummer", "artikel", "artikelnummer", "sachnummer"),
        *("pièce", "piece", "référence", "reference", "numéro de pièce"),
    ),
    "characteristic": ("characteristic", "merkmal", "caractéristique", "quantity"),
    "upper": ("upper", "upper limit", "max", "maximum", "limit", "obergrenze", "grenzwert", "limite"),
    "lower": ("lower", "lower limit", "min", "minimum", "untergrenze"),
    "unit": ("unit", "einheit", "unité"),
    "lamp": ("lamp", "lampe"),
    "valid_from": ("valid from", "from", "gültig ab", "valable dès"),
    "why": ("why", "reason", "grund", "motif"),
}
_SIDES = ("upper", "lower")

HELP = """List limits per part number and characteristic; set one, or take in a CSV of them.

A limit is written with its unit: 2 bands needs its lamp, 0.3 um, 12 uin, 600 nm. Part '*' stands for any part.

\b
JSON of list: {"limits": [{part, characteristic, upper_um, lower_um, upper_text, lower_text, revision, valid_from,
  who, why}]} (null = no such limit); of set: the revision that says it; of take: {"name", "rows", "accepted",
  "refused": [{row_number, reason}]}
"""


@click.group(cls=ListingGroup, help=HELP)
def command() -> None:
    """Parts and their limits."""


@command.command("list")
@click.option("--all", "every", is_flag=True, help="Every revision, oldest first.")
@common_options
def list_limits(session: Session, *, every: bool) -> int:
    """List the limits valid now."""
    with session.store() as store:
        limits = records(store.limits(all_revisions=every))
    if session.as_json:
        print_json({"limits": limits})
        return DONE
    settings = session.settings()
    columns = {"part": "part", "characteristic": "characteristic", "upper_um": "upper um", "lower_um": "lower um"}
    columns |= {"upper_text": "as written"}
    if any(limit["lower_text"] for limit in limits):
        columns |= {"lower_text": "lower as written"}
    columns["revision"] = "revision"
    columns |= {"valid_from": time_head("valid from", settings), "who": "who"}
    rows = with_times(limits, ["valid_from"], settings)
    print_table(rows, columns, nothing="No limit is set; `lapcell parts set` sets one.")
    return DONE


@command.command("set", context_settings={"ignore_unknown_options": True})  # '-2 um' is a limit, not an option
@click.argument("part")
@click.argument("characteristic")
@click.argument("upper")
@click.option("--lower", default="", help="For thickness only.")
@click.option("--lamp", default="", help="For limits in bands; left out, the lamp of the settings.")
@click.option("--valid-from", default="", help="ISO date or moment, by the clock of the site; left out, from now.")
@click.option("--who", required=True)
@click.option("--why", default="")
@common_options
def set_limit(
    session: Session,
    *,
    part: str,
    characteristic: str,
    upper: str,
    lower: str,
    lamp: str,
    valid_from: str,
    who: str,
    why: str,
) -> int:
    """Set the limit of PART and CHARACTERISTIC to UPPER, such as '2 bands'; 'none' takes it back."""
    settings = session.settings()
    lamp, characteristic = lamp or settings.lamp, _characteristic(characteristic)
    with session.store(create=True) as store:
        done = store.set_limit(
            part, characteristic, upper_um=limit_um(upper, lamp=lamp), upper_text=upper, who=who, why=why,
            lower_um=limit_um(lower or "none", lamp=lamp), lower_text=lower,
            valid_from=_by_site_clock(valid_from, settings.time_zone),
        )  # fmt: skip
        limits = store.limits(all_revisions=True)
    record = records(limits.loc[limits["revision"] == done.revision])[0]
    if session.as_json:
        print_json(record)
        return DONE
    said = [
        f"{words} {text}, {record[name]:.6g} um"
        for words, text, name in (("at least", lower, "lower_um"), ("at most", upper, "upper_um"))
        if record[name] == record[name]
    ]
    told = f"{characteristic} {' and '.join(said)}" if said else f"the limit of {characteristic} is taken back"
    as_before = "" if done.new else f", as revision {done.revision} says already: nothing changed"
    click.echo(one_line(f"{part}: {told}{as_before}."))
    return DONE


@command.command("take")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--who", required=True, help="Who delivers it.")
@common_options
def take(session: Session, *, file: Path, who: str) -> int:
    """Take in a CSV of limits: part, characteristic, upper, lower, unit, lamp, valid from, why."""
    settings = session.settings()
    with session.store(create=True) as store:
        taker = limit_taker(store, who=who, settings=settings)
        return take_register(session, file, words=LIMIT_WORDS, take=taker)


def limit_taker(store: "Store", *, who: str, settings: "Settings") -> Callable[[Mapping[str, str], str], None]:
    """
    Give what takes one row of a register of limits into the store.

    Parameters
    ----------
    store : Store
    who : str
        Who delivers the register.
    settings : Settings
        Its lamp is for limits in bands that name none, its zone for moments that carry none.

    Returns
    -------
    callable
        Takes the cells of a row and the decimal mark; raises ValueError with a sentence.
    """

    def one(cells: Mapping[str, str], decimal: str) -> None:
        lamp = cells.get("lamp", "") or settings.lamp
        upper, lower = ((cells.get(name, "") or "none") for name in _SIDES)
        unit = cells.get("unit", "")
        upper_um, lower_um = (limit_um(text, lamp=lamp, unit=unit, decimal=decimal or ".") for text in (upper, lower))
        if upper_um is None and lower_um is None:
            raise ValueError("has no limit; write upper, or lower for thickness")
        upper_text, lower_text = (f"{said} {unit}".strip() if (said := cells.get(n, "")) else "" for n in _SIDES)
        store.set_limit(
            cells["part"], _characteristic(cells.get("characteristic", "") or "flatness"), upper_um=upper_um,
            lower_um=lower_um, who=who, upper_text=upper_text, lower_text=lower_text, why=cells.get("why", ""),
            valid_from=_by_site_clock(cells.get("valid_from", ""), settings.time_zone),
        )  # fmt: skip

    return one


def _characteristic(text: str) -> str:
    """Give our name of a characteristic by the words that name its column in a log; others stay as they are."""
    from spc.log.lexicon import READINGS, header_meaning

    meant = header_meaning(text).field
    return meant if meant in READINGS else text


def _by_site_clock(text: str, zone: str) -> str:
    """Give an ISO day or moment as a moment in UTC, one without a zone by the clock of the site; '' stays ''."""
    from spc.board.frozen_limits import iso_of, moment_us

    return iso_of(moment_us(text, zone)) if text and zone else text


def limit_um(text: str, *, lamp: str, unit: str = "", decimal: str = ".") -> float | None:
    """
    Read a limit as written.

    Parameters
    ----------
    text : str
        '2 bands', '0.3 um'; 'none' is no limit.
    lamp : str
        For bands.
    unit : str
        For a number without one.
    decimal : str
        '.' or ','.

    Returns
    -------
    float or None
        Micrometres; below zero as written, for a dimension that is a deviation.

    Raises
    ------
    ValueError
        If it is no length, or its unit or lamp is missing.
    """
    from spc.measure import length
    from spc.measure.reading import parse_typed

    if text.strip().lower() in ("none", ""):
        return None
    try:
        typed = parse_typed(text, decimal=decimal)
    except ValueError as error:
        raise ValueError(f"the limit {error}; write it such as '2 bands' or '0.3 um'") from None
    if typed.kind != "value":
        raise ValueError(f"a limit must be one length, got {text!r}")
    name = typed.unit or (length.unit_name(unit) if unit else "")
    if not name:
        raise ValueError(f"the limit {text!r} has no unit; write it such as '2 bands' or '0.3 um'")
    if name == "band" and not lamp:
        raise ValueError(
            f"the limit {text!r} is in bands, and no lamp is known; name it with --lamp or in the settings"
        )
    wavelength_nm = length.lamp(lamp).wavelength_nm if name == "band" else None
    return float(typed.sign * typed.high * length.um_per(name, wavelength_nm=wavelength_nm))
