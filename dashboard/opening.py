"""What a page holds when a browser is handed it, before the screens' own program has come: style, and first words.

Every page holds the rules of the screens and their type faces: nothing is drawn first in another place and jumps when
they come. The page of the shift view holds its words too. What the live view drew is kept under the state of the store
and all that the link asked for. As long as nothing of it has changed, the next browser that asks for the page gets
these words with it, and they go when the live view is there.
"""

import asyncio
from collections.abc import Awaitable, Callable, MutableMapping
from functools import cache
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlencode

from dashboard.theme import DARK, LIGHT, look_for, palette, rules
from dashboard.where import is_page, settings_file, slot_now, store_path
from spc.board.kept import digest_of_values, find_kept, kept
from spc.settings import SettingsError, load_settings
from spc.store.database import StoreError, state_of

__all__ = ["ASKED", "Opening", "keep_opening", "link", "opened", "page_style"]

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]

ASKED = ("unit", "numbers", "wall")  # of a link: what the words hang on
_REST = "__the_rest_of_the_link__"  # stands for what else the link of a browser says
_MOST = 8  # states and choices kept
_FACES = {"Source Sans": "SourceSans*-Upright.*", "Source Serif": "SourceSerif*-Roman.*"}  # of the framework's own
_LATE = '<p class="lc-opening-late">The rest of this page has not come yet.</p>'
_GO = """<script>
{
  const opening = document.getElementById("lc-opening"), root = document.getElementById("root");
  const lines = ".lc-lap, .lc-rest", told = opening.querySelectorAll(lines).length;
  const watch = new MutationObserver(() => {
    const drawn = root.querySelector(".lc-headline") && (root.querySelectorAll(lines).length >= told
      || root.querySelector('[data-test-script-state="notRunning"]'));
    if (drawn) { watch.disconnect(); opening.remove(); }
  });
  watch.observe(root, { childList: true, subtree: true, attributes: true });
}
</script>"""


def link(route: str, **params: str) -> str:
    """Return the address of a view for the words of the page, ready for HTML; the browser's own choices go along."""
    return f"/{escape(route)}?{escape(urlencode(params))}{_REST}"


def keep_opening(menu: str, pieces: list[str], *, revision: int, slot: int, asked: dict[str, str]) -> None:
    """Keep the words of the shift view as it was just drawn.

    Parameters
    ----------
    menu : str
        What the top row holds, HTML with addresses from `link`; '' = no top row.
    pieces : list of str
        The view from its top, HTML of the same kind.
    revision, slot : int
        Of the store and the stretch of the clock that the words are of; where either has moved on, nothing is kept.
    asked : dict of str
        What the link says of each name in `ASKED`.
    """
    found = _digest(asked)
    top = f'<nav class="lc-opening-top">{menu}</nav>' if menu else ""
    words = f"{top}<main>{''.join(f'<div>{piece}</div>' for piece in pieces)}{_LATE}</main>"
    if found is not None and found[1:] == (revision, slot):
        kept("opening", found[0], lambda: words, place=f"{store_path()} {sorted(asked.items())}", most=_MOST)


def opened(query: str) -> str | None:
    """Return the words that go into the page for a link, or None where nothing that is still true is at hand.

    Parameters
    ----------
    query : str
        Of the address, without the question mark.
    """
    said = dict(parse_qsl(query))
    found = _digest(said)
    words = find_kept("opening", found[0]) if found else None
    if not isinstance(words, str):
        return None
    rest = escape(f"&{query}") if query else ""
    place = "lc-opening lc-opening-wall" if said.get("wall") == "1" else "lc-opening"
    own = rules("opening") + (rules("wall") if said.get("wall") == "1" else "")
    return f'<div class="{place}" id="lc-opening"><style>{own}</style>{words.replace(_REST, rest)}</div>'


def _digest(asked: dict[str, str]) -> tuple[str, int, int] | None:
    """Digest of all that the words hang on, revision and stretch of the clock among it; None = cannot be told."""
    path = store_path()
    if not path.is_file():
        return None
    try:
        site = load_settings(settings_file()[0] or None)
        state = state_of(path)
    except (SettingsError, StoreError):
        return None  # the live view says what is wrong
    slot = slot_now(site)
    choices = [asked.get(name, "") for name in ASKED]
    return digest_of_values(str(path.resolve()), *state, repr(site), slot, *choices), state[1], slot


def page_style(query: str) -> str:
    """Return the style elements of every page: the light that the link asks for, else the one the device is set to.

    Parameters
    ----------
    query : str
        Of the address, without the question mark.
    """
    light = dict(parse_qsl(query)).get("light", "")
    if light:
        colours = f"<style>{palette(look_for(light))}</style>"
    else:
        colours = "".join(
            f'<style media="(prefers-color-scheme: {look.mode})">{palette(look)}</style>' for look in (LIGHT, DARK)
        )
    return f"{colours}<style>{_type_faces()}{rules('screen')}</style>"


@cache
def _type_faces() -> str:
    """Return the framework's type faces as CSS: it declares them later, and words that change their face jump."""
    from streamlit import file_util

    folder = Path(file_util.get_static_dir())
    found = {name: next(folder.glob(f"static/media/{pattern}woff2"), None) for name, pattern in _FACES.items()}
    return "".join(
        f'@font-face{{font-family:"{name}";font-weight:200 900;src:url("/{file.relative_to(folder).as_posix()}")}}\n'
        for name, file in found.items()
        if file is not None
    )


@cache
def _keys() -> str:
    """Return what the keys of every page do, as JavaScript."""
    return (files("dashboard") / "keys.js").read_text(encoding="utf-8")


class Opening:
    """A layer of the web server that puts style and words into pages; everything else goes through as it is."""

    def __init__(self, app: App) -> None:
        self._app = app

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http" or scope["method"] != "GET" or not is_page(scope["path"]):
            await self._app(scope, receive, send)
            return
        query, words = scope["query_string"].decode("latin-1"), None
        if scope["path"] == "/" and _may_read(scope):
            words = await asyncio.to_thread(opened, query)
        # whole and as plain text: what a browser kept of the page has other words
        dropped = (b"if-none-match", b"if-modified-since", b"accept-encoding", b"range")
        asked = {**scope, "headers": [pair for pair in scope["headers"] if pair[0] not in dropped], "extensions": {}}
        await self._app(asked, receive, _Filled(send, page_style(query), words))


def _may_read(scope: Message) -> bool:
    """Whether the framework would open its connection to whoever asks: the words are of the log, the bare page not."""
    from streamlit.web.server.starlette.starlette_websocket import is_host_allowed

    host = dict(scope["headers"]).get(b"host")
    return is_host_allowed(host.decode("latin-1") if host is not None else None)


class _Filled:
    """Takes what the framework answers, and sends it on with style and words in it if it is a page."""

    def __init__(self, send: Send, style: str, words: str | None) -> None:
        self._send = send
        self._style = style
        self._words = words
        self._start: Message | None = None
        self._body = b""

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = dict(message["headers"])
            if message["status"] != 200 or not headers.get(b"content-type", b"").startswith(b"text/html"):
                await self._send(message)
                return
            self._start = message
        elif self._start is None:
            await self._send(message)
        else:
            self._body += message.get("body", b"")
            if not message.get("more_body", False):
                await self._send_filled(self._start)

    async def _send_filled(self, start: Message) -> None:
        page = self._body.decode("utf-8")
        # within the body: the framework's own rules come into the head, and where two are alike the later one holds
        page = page.replace('<div id="root">', f'{self._style}{self._words or ""}<div id="root">', 1)
        scripts = f"<script>{_keys()}</script>{_GO if self._words is not None else ''}"
        page = page.replace("</body>", f"{scripts}</body>", 1)
        page = page.replace("<title>Streamlit</title>", "<title>lapcell</title>", 1)
        body = page.encode("utf-8")
        left_out = (b"content-length", b"etag", b"last-modified", b"cache-control")
        headers = [pair for pair in start["headers"] if pair[0] not in left_out]
        headers += [(b"content-length", str(len(body)).encode()), (b"cache-control", b"no-store")]
        await self._send({**start, "headers": headers})
        await self._send({"type": "http.response.body", "body": body})
