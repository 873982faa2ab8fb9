"""What was answered to a person: it stays, whoever writes to the log meanwhile.

A refusal or a confirmation belongs to a place on the page, such as one form. It stays until the person sends from that
place again, somebody else signs, or the place is left. The page redraws itself whenever the log has grown; without
this a sentence shown once would be gone before it was read.
"""

from dataclasses import dataclass

import streamlit as st

from dashboard import cards

__all__ = ["begin", "begun_anew", "done", "forget_left", "refuse", "round_of", "say", "sent", "stands", "to_confirm"]

_SAID = "lc_said"
_DRAWN = "lc_said_drawn"
_ROUND = "lc_said_round"


@dataclass(frozen=True, slots=True)
class _Said:
    """One answer."""

    sentence: str
    lines: tuple[str, ...]
    refused: bool
    person: str  # who signed when it was said
    typed: str = ""  # what is taken once the person says that it is so; '' = nothing of what was sent is


def refuse(place: str, sentence: str, *, person: str, lines: tuple[str, ...] = (), typed: str = "") -> None:
    """Keep why what was sent was not taken; `lines` say more, `typed` is taken if the person says that it is so."""
    _all()[place] = _Said(sentence, lines, refused=True, person=person, typed=typed)


def stands(place: str) -> bool:
    """Whether something is said in a place."""
    return place in _all()


def to_confirm(place: str) -> str:
    """Return what a person is asked about in a place, as typed; '' for nothing."""
    said = _all().get(place)
    return said.typed if said is not None else ""


def done(place: str, sentence: str) -> None:
    """Keep that what was sent was taken; what was typed is cleared where the form's key carries its round."""
    _all()[place] = _Said(sentence, (), refused=False, person="")
    begun_anew(place)


def sent(place: str) -> None:
    """Forget what was said in a place: something was sent from it again."""
    _all().pop(place, None)


def say(place: str, *, person: str = "") -> None:
    """Show what was last said in a place, if it still holds."""
    st.session_state.setdefault(_DRAWN, set()).add(place)
    said = _all().get(place)
    if said is None:
        return
    if said.refused and said.person != person:
        sent(place)
        return
    st.html(cards.notice(said.sentence, kind="refused" if said.refused else "note"))
    if said.lines:
        st.html(cards.sentences(said.lines))


def round_of(place: str) -> int:
    """Return how often a form began anew: its key carries it, so that a refused form keeps what was typed."""
    return int(st.session_state.get(_ROUND, {}).get(place, 0))


def begun_anew(place: str) -> None:
    """Let a form begin anew, empty."""
    st.session_state.setdefault(_ROUND, {})[place] = round_of(place) + 1


def begin() -> None:
    """Begin to draw a page."""
    st.session_state[_DRAWN] = set()


def forget_left() -> None:
    """Forget what was said in places that the page, now drawn whole, does not show."""
    for place in _all().keys() - st.session_state[_DRAWN]:
        sent(place)


def _all() -> dict[str, _Said]:
    kept: dict[str, _Said] = st.session_state.setdefault(_SAID, {})
    return kept
