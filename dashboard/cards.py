"""Cards as HTML: the sentence first, then the facts. Everything a person typed is shown as typed."""

from dashboard.theme import state_mark
from dashboard.words import grit_words, html_text, percent, prose
from spc.board.results import STATES, Cause, LapReport, ReconditionSlot, RoomAlarm
from spc.board.safety import DEFERENCE, short_caution
from spc.log.name_list import name_list

__all__ = [
    "causes_card",
    "cautions",
    "cautions_line",
    "facts",
    "headline",
    "health_table",
    "lap_line",
    "left_words",
    "lost_line",
    "notice",
    "rest_line",
    "room_card",
    "section",
    "slots_table",
    "sentences",
    "state_counts",
    "state_tag",
    "subject",
    "table",
]

_SHORT = 14  # characters of a cell that is never broken
_LONG = 110  # characters above which a first sentence is set smaller


def state_tag(state: str) -> str:
    """Return a lap's state as shape and word; the tip says what it asks of a person."""
    return f'<span class="lc-state" title="{html_text(STATES[state])}">{state_mark(state)}<b>{state}</b></span>'


def headline(sentence: str, *, kicker: str = "", state: str = "", below: str = "") -> str:
    """Return the page's first sentence, its heading of the first order.

    Above it stands the state of the lap it is about, `below` it what it rests on.
    """
    tag = state_tag(state) if state else ""
    above = f'<p class="lc-kicker">{tag}{prose(kicker)}</p>' if kicker or tag else ""
    long = ' class="lc-long"' if len(sentence) > _LONG else ""
    of_state = f" lc-is-{state}" if state else ""
    after = f'<p class="lc-below">{prose(below)}</p>' if below else ""
    return f'<header class="lc-headline{of_state}">{above}<h1{long}>{prose(sentence)}</h1>{after}</header>'


def subject(sentence: str, *, kicker: str = "") -> str:
    """Return the sentence of one thing on a page, a heading of the second order."""
    above = f'<p class="lc-kicker">{prose(kicker)}</p>' if kicker else ""
    return f'<div class="lc-subject">{above}<h2>{prose(sentence)}</h2></div>'


def section(title: str) -> str:
    """Return a heading of the second order."""
    return f'<h2 class="lc-section">{prose(title)}</h2>'


def facts(pairs: list[tuple[str, str]]) -> str:
    """Return a row of numbers, each with what it counts."""
    cells = "".join(f"<div><dt>{prose(name)}</dt><dd>{prose(value)}</dd></div>" for name, value in pairs)
    return f'<dl class="lc-facts">{cells}</dl>'


def sentences(lines: tuple[str, ...] | list[str], *, empty: str = "") -> str:
    """Return sentences as a list; the sentence `empty` when there are none."""
    if not lines:
        return f'<p class="lc-quiet">{prose(empty)}</p>' if empty else "<span></span>"
    return '<ul class="lc-lines">' + "".join(f"<li>{prose(line)}</li>" for line in lines) + "</ul>"


def notice(sentence: str, *, kind: str = "note") -> str:
    """Return a framed sentence; `kind` (stop, look, note, refused) sets the frame, the words carry the meaning."""
    role = "alert" if kind == "refused" else "status"  # what was not taken is read out at once
    return f'<p class="lc-notice lc-{kind}" role="{role}">{prose(sentence)}</p>'


def cautions(lines: tuple[str, ...]) -> str:
    """Return the usual cautions that go with the action asked."""
    if not lines:
        return "<span></span>"
    rows = "".join(f"<li>{html_text(line)}</li>" for line in lines if line != DEFERENCE)
    return (
        f'<aside class="lc-cautions" aria-label="Cautions"><h2>Take care</h2><ul>{rows}</ul>'
        f"<p>{html_text(DEFERENCE)}</p></aside>"
    )


def cautions_line(lines: tuple[str, ...], *, folded: bool = True) -> str:
    """Return the cautions of a board in one line; the whole is folded into it, or left out where nothing is pressed."""
    short = html_text(short_caution(lines))
    if not short:
        return "<span></span>"
    if not folded:
        return f'<p class="lc-care">{short}</p>'
    rows = "".join(f"<li>{html_text(line)}</li>" for line in lines)
    return f'<details class="lc-care"><summary>{short}</summary><ul>{rows}</ul></details>'


def lost_line(as_of: str, *, typed: bool = False) -> str:
    """Return the sentence that style alone shows when the page has lost the server; `typed` = it has forms."""
    words = f"No connection to the log. What is shown is of {as_of}{'; nothing typed now is kept' if typed else ''}."
    seen = " lc-in-sight" if typed else ""
    return f'<p class="lc-notice lc-stop lc-lost{seen}" role="alert">{html_text(words)}</p>'


def room_card(room: RoomAlarm, *, label: str = "Room alarm", said: str = "", folded: bool = True) -> str:
    """Return the room alarm: many laps moving together are one thing to look at.

    Its sentence is left out where the heading `said` above it has it. The figures behind it are folded away, or left
    out where nothing is pressed.
    """
    first = f"<p><b>{prose(room.sentence)}</b></p>" if room.sentence not in said else ""
    begun = (f"{check[:1].upper()}{check[1:]}" for check in room.checks)
    checks = " ".join(check if check.endswith(("?", ".")) else f"{check}." for check in begun)
    look = f" Look at these first. {checks}" if checks else ""
    look += f" {room.answered}" if room.answered else ""
    figures = ""
    if room.evidence and folded:
        figures = f"<details><summary>The figures</summary><p>{prose(room.evidence)}</p></details>"
    return (
        f'<section class="lc-notice lc-look" aria-label="{html_text(label)}">{first}'
        f"<p>{html_text(f'Laps: {name_list(room.laps)}.{look}')}</p>{figures}</section>"
    )


def state_counts(laps: tuple[LapReport, ...]) -> str:
    """Return how many laps are in each state, neediest first."""
    cells = []
    for state in STATES:
        total = sum(lap.state == state for lap in laps)
        if total:
            cells.append(f"<li>{state_mark(state)}<b>{total}</b> {state}</li>")
    return f'<ul class="lc-counts" aria-label="Laps by state">{"".join(cells)}</ul>'


def lap_line(lap: LapReport) -> str:
    """Return one lap of the board: state, name, sentence, faces left, next break."""
    what = ", ".join(word for word in (lap.material, grit_words(lap.grit)) if word)
    step = f'<span class="lc-quiet">{html_text(lap.next_step)}</span>'
    rest = f"next break: {lap.next_break}" if lap.next_break and lap.state == "due" else ""
    return (
        f'<article class="lc-lap lc-is-{lap.state}">'
        f'<div class="lc-lap-state">{state_tag(lap.state)}{step}</div>'
        f'<div class="lc-lap-name"><b>{html_text(lap.lap)}</b><span class="lc-quiet">{html_text(what)}</span></div>'
        f'<div class="lc-lap-says">{prose(lap.sentence)}</div>'
        f'<div class="lc-lap-left"><b>{prose(left_words(lap))}</b>'
        f'<span class="lc-quiet">{html_text(rest)}</span></div></article>'
    )


def slots_table(slots: tuple[ReconditionSlot, ...]) -> str:
    """Return the reconditioning plan as a table, the most urgent first."""
    rows = "".join(
        f'<tr><th scope="row">{prose(slot.lap)}</th><td>{prose(slot.break_text or slot.instead)}</td>'
        f"<td>{prose(slot.why)}</td></tr>"
        for slot in slots
    )
    head = '<thead><tr><th scope="col">lap</th><th scope="col">break</th><th scope="col">why then</th></tr></thead>'
    return f'<table class="lc-table">{head}<tbody>{rows}</tbody></table>'


def health_table(found: dict[str, tuple[str, ...]]) -> str:
    """Return what speaks against the readings of each lap, laps in order of their names."""
    rows = "".join(
        f'<tr><th scope="row">{prose(lap)}</th><td>{"".join(f"<p>{prose(line)}</p>" for line in lines)}</td></tr>'
        for lap, lines in sorted(found.items())
    )
    head = '<thead><tr><th scope="col">lap</th><th scope="col">what its readings cannot carry</th></tr></thead>'
    return f'<table class="lc-table lc-health">{head}<tbody>{rows}</tbody></table>'


def rest_line(laps: tuple[LapReport, ...], state: str) -> str:
    """Return the laps of a state that asks for nobody as one line, for the wall."""
    names = [lap.lap for lap in laps if lap.state == state]
    if not names:
        return ""
    return f'<p class="lc-rest">{state_tag(state)} <span>{html_text(name_list(names))}</span></p>'


def left_words(lap: LapReport) -> str:
    """Return the faces left of a lap in a few words."""
    left = lap.faces_left
    if lap.state == "held":  # nothing beside a hold may invite to go on
        return "none until answered"
    if left.status == "over":
        return f"likely at the limit {left.named}".rstrip()
    return left.sentence if left.status in ("range", "ended") else "no forecast"


def _likely(share: float) -> str:
    return percent(round(share, 2)) if share >= 0.005 else f"under {percent(0.01)}"


def causes_card(causes: tuple[Cause, ...]) -> str:
    """Return the likely causes as a table, likeliest first, with the cheapest check of each."""
    rows = "".join(
        f'<tr><th scope="row">{html_text(cause.name)}<span class="lc-quiet">{_likely(cause.likelihood)}</span></th>'
        f"<td><p>{html_text(cause.check)}</p><p><b>Then:</b> {html_text(cause.action)}</p></td>"
        f"<td>{html_text(_why(cause))}</td></tr>"
        for cause in causes
    )
    return (
        '<table class="lc-table lc-causes"><caption>Likeliest first, each with its cheapest check</caption><thead><tr>'
        '<th scope="col">cause</th><th scope="col">check</th><th scope="col">why</th></tr></thead>'
        f"<tbody>{rows}</tbody></table>"
    )


def _why(cause: Cause) -> str:
    return "; ".join(text for text in (cause.why, cause.counted) if text)


def table(
    heads: tuple[str, ...],
    rows: list[tuple[str, ...]],
    *,
    caption: str = "",
    numbers: tuple[int, ...] = (),
    as_delivered: tuple[int, ...] = (),
) -> str:
    """Return a table of sentences.

    Of the columns, numbered from 0, those in `numbers` are set as figures; those in `as_delivered` stand character by
    character, in nobody's marks.
    """
    said = {False: prose, True: html_text}
    kinds = [_kind([row[place] for row in rows], place in numbers) for place in range(len(heads))]
    head = "".join(f'<th scope="col" {kind}>{prose(name)}</th>' for kind, name in zip(kinds, heads, strict=True))
    body = "".join(
        "<tr>"
        + "".join(f"<td {kinds[at]}>{said[at in as_delivered](cell)}</td>" for at, cell in enumerate(row))
        + "</tr>"
        for row in rows
    )
    above = f"<caption>{prose(caption)}</caption>" if caption else ""
    return f'<table class="lc-table">{above}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


def _kind(cells: list[str], figures: bool) -> str:
    """Class of a column: figures to the right, short words on one line."""
    short = all(len(cell) <= _SHORT for cell in cells)
    names = " ".join(name for name, so in (("lc-num", figures), ("lc-short", short)) if so)
    return f'class="{names}"' if names else ""
