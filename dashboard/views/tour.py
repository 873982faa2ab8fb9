"""A two-minute tour of the screens, on pictures of the invented cell."""

from importlib.resources import files

import streamlit as st

from dashboard import cards
from dashboard.parts.glossary import glossary
from dashboard.parts.page import Page
from spc.board.safety import CAUTIONS, cautions_for

__all__ = ["STEPS", "render"]

# Picture, heading, sentences; the pictures are of these screens on the invented cell.
STEPS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    (
        "shift.png",
        "1. Shift: what needs a person",
        (
            "The first sentence says it all; under it every lap, the neediest on top, each with its state in a word "
            "and a shape.",
            "held: nothing more goes on it until somebody has answered. due: recondition it before its faces run out. "
            "watch: look before the next lot. cutting: faces left, nothing to look at. resting: not in use.",
        ),
    ),
    (
        "lap.png",
        "2. Lap: may I go on, and for how long",
        (
            "Each upright bar is one face: not a dot, because a reading in half bands can mean anything within its "
            "step. This cycle is bold, earlier ones are faint.",
            "The fan is the forecast; where it meets the limit the faces left are printed, as a range that holds the "
            "truth nine times in ten.",
        ),
    ),
    (
        "answer.png",
        "3. Answer a signal, log a face",
        (
            "A signal is answered with one tap, a likely cause or what was done, signed, and kept; that nothing was "
            "found is an honest answer. Handing it to the lead leaves it open.",
            "A face is logged with two taps: the reading, then the button. The rest comes from the face before; Undo "
            "takes it back and keeps it on record.",
        ),
    ),
    (
        "wall.png",
        "4. The wall",
        (
            "The same board with nothing to tap, for a screen in the shop: add ?wall=1 to the address. It refreshes "
            "itself, and says so when it has lost the log and since when.",
        ),
    ),
)


def render(page: Page) -> None:
    """Draw the tour."""
    st.html(
        cards.headline(
            "Two minutes, five stops.", kicker="The cell in these pictures is invented; so is every number in it"
        )
    )
    folder = files("dashboard") / "tour"
    for picture, title, said in STEPS:
        with st.container(key=f"tour-{picture.removesuffix('.png')}"):
            st.html(cards.section(title) + cards.sentences(said))
            st.image((folder / picture).read_bytes(), width="stretch", alt=f"{title}. {said[0]}")
    st.html(
        cards.section("5. Proof and log")
        + cards.sentences(
            [
                "Proof holds the chart behind a sentence, the limits with who froze them and why, and the index with "
                "its interval, or the reason why there is none.",
                "Log takes in files, shows how each column was read before anything is kept, and lists the rows that "
                "wait for a person.",
            ]
        )
    )
    with st.container(key="tour-on", horizontal=True):
        for name, label in (("shift", "To the shift"), ("log", "Take in a file")):
            if name in page.routes:
                st.page_link(page.routes[name], label=label)
    st.html(cards.cautions(cautions_for(CAUTIONS)))
    st.html(cards.section("The words"))
    glossary()
