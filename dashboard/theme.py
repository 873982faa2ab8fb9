"""The look of the screens: colours for light and dark, type sizes, the shape of each lap state, and the CSS."""

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from urllib.parse import quote

__all__ = ["DARK", "LIGHT", "Look", "look_for", "palette", "rules", "state_mark", "stylesheet"]


@dataclass(frozen=True, slots=True)
class Look:
    """Colours of one mode; the state and picture colours are Okabe and Ito's colour-blind safe set.

    On light paper some of them are darkened, so that what is drawn in them stands out from it by 3 to 1; the orange of
    a lap that is due, which always has an outline of ink, is not.

    Each value is a CSS colour. `scale` multiplies type sizes in pictures (1 at a desk, more on a wall).

    References
    ----------
    Okabe and Ito (2008), Color Universal Design: black, orange, sky blue, bluish green, yellow, blue, vermillion,
    reddish purple.
    """

    mode: str
    paper: str
    panel: str
    ink: str
    quiet: str  # secondary text; at least 4.5 to 1 on `paper` and `panel`
    rule: str  # thin lines
    bar: str  # the top row
    bar_ink: str  # what is written on it
    now: str  # this cycle's readings
    past: str  # earlier cycles
    band: str  # the usual wear
    limit: str
    fan: str
    ring: str  # signals
    held: str
    due: str
    watch: str
    cutting: str
    resting: str
    scale: float = 1.0

    def state(self, state: str) -> str:
        """Return the colour that goes with a lap state; it never stands without the state's word and shape."""
        return str(getattr(self, state))


LIGHT = Look(
    mode="light",
    paper="#F7F6F1",
    panel="#ECEAE1",
    ink="#14191C",
    quiet="#4A5052",
    rule="#B9B8AE",
    bar="#14191C",
    bar_ink="#F7F6F1",
    now="#0072B2",
    past="#8A8F90",
    band="#009E73",
    limit="#14191C",
    fan="#B37C00",
    ring="#D55E00",
    held="#D55E00",
    due="#E69F00",
    watch="#C2739F",
    cutting="#009E73",
    resting="#8A8F90",
)
DARK = Look(
    mode="dark",
    paper="#12181B",
    panel="#1D2529",
    ink="#F2F0E8",
    quiet="#B9C0C2",
    rule="#4A5357",
    bar="#06090A",
    bar_ink="#F2F0E8",
    now="#56B4E9",
    past="#7E898D",
    band="#009E73",
    limit="#F2F0E8",
    fan="#E69F00",
    ring="#F0E442",
    held="#D55E00",
    due="#E69F00",
    watch="#CC79A7",
    cutting="#009E73",
    resting="#8A9396",
)

# One shape per state, drawn on a 24 by 24 field: a barred block, a wedge pointing down, a half-filled disc,
# an open ring, a short line.
_SHAPES = {
    "held": '<path d="M2 2h20v20H2z" fill="{c}"/><path d="M5 10h14v4H5z" fill="{paper}"/>',
    "due": '<path d="M1 3h22L12 22z" fill="{c}" stroke="{ink}" stroke-width="1.5"/>',
    "watch": '<circle cx="12" cy="12" r="10" fill="none" stroke="{ink}" stroke-width="2"/>'
    '<path d="M12 2a10 10 0 0 1 0 20z" fill="{c}"/>',
    "cutting": '<circle cx="12" cy="12" r="8.5" fill="none" stroke="{c}" stroke-width="5"/>',
    "resting": '<path d="M3 10h18v4H3z" fill="{c}"/>',
}

# The mark of the project: what a reader sees under an optical flat, bands bowed by a convex face.
_BRAND = (
    '<g fill="none" stroke="{ink}" stroke-width="2.3" stroke-linecap="round"><circle cx="12" cy="12" r="10.6" '
    'stroke-width="1.8"/><path d="M4.6 8.2Q12 3.2 19.4 8.2M2.9 13Q12 6.6 21.1 13M4.3 17.7Q12 11.4 19.7 17.7"/></g>'
)


def look_for(mode: str | None, *, scale: float = 1.0) -> Look:
    """Return the colours for 'light' or 'dark'; anything else is taken as light."""
    base = DARK if mode == "dark" else LIGHT
    return Look(**{name: getattr(base, name) for name in base.__slots__ if name != "scale"}, scale=scale)


def state_mark(state: str) -> str:
    """Return the shape of a lap state; the word stands beside it, so it is hidden from screen readers."""
    return f'<i class="lc-mark lc-mark-{state}" aria-hidden="true"></i>'


def stylesheet(look: Look, *, wall: bool) -> str:
    """Return the style element of a page as it is drawn: its colours and shapes and, on a wall, the wall's rules.

    The rules of every page stand in the page itself (`dashboard.opening`): what is drawn first is drawn in place.
    """
    return f"<style>{palette(look)}{rules('wall') if wall else ''}</style>"


def palette(look: Look) -> str:
    """Return the variables and shapes of one mode, as CSS."""
    names = (
        "paper", "panel", "ink", "quiet", "rule", "bar", "bar_ink", "held", "due", "watch", "cutting", "resting",
        "now",
    )  # fmt: skip
    variables = "".join(f"--lc-{name.replace('_', '-')}:{getattr(look, name)};" for name in names)
    variables += f"--lc-brand:url({_picture_url(_BRAND.format(ink=look.bar_ink))});"
    shapes = "".join(f".lc-mark-{state}{{background-image:url({_shape_url(state, look)})}}\n" for state in _SHAPES)
    return f":root{{{variables}}}\n{shapes}"


@cache
def rules(of: str) -> str:
    """Return the rules of every 'screen', or those that a 'wall' adds, as CSS."""
    return (files("dashboard") / f"{of}.css").read_text(encoding="utf-8")


def _shape_url(state: str, look: Look) -> str:
    return _picture_url(_SHAPES[state].format(c=look.state(state), paper=look.paper, ink=look.ink))


def _picture_url(shape: str) -> str:
    picture = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 24 24">{shape}</svg>'
    return f'"data:image/svg+xml,{quote(picture)}"'
