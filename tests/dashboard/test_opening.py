"""The words that go out with the page: only as long as they are true, only with the page, and safe."""

import asyncio
from concurrent.futures import ThreadPoolExecutor

import pytest

from dashboard import data, opening, start, where
from dashboard.opening import Opening, keep_opening, link, opened
from dashboard.theme import DARK, palette
from spc.store.store import Store

PAGE = b'<html><head><title>Streamlit</title></head><body><div id="root"></div></body></html>'


@pytest.fixture
def told(filled_store, tmp_path, monkeypatch):
    """Words kept for the filled store."""
    monkeypatch.setenv("LAPCELL_CACHE", str(tmp_path / "kept"))
    now = data.snapshot()
    keep_opening("", ["<h1>CI-1 wears as usual.</h1>"], revision=now.revision, slot=now.slot, asked={})
    return filled_store


def asked(path="/", query=b"", headers=(), status=200, kind=b"text/html; charset=utf-8", body=PAGE, method="GET"):
    """What a browser gets through the layer, and what the framework behind it was asked for."""
    seen, sent = [], []

    async def framework(scope, _receive, send):
        seen.append(scope)
        await send(
            {
                "type": "http.response.start",
                "status": status,
                "headers": [(b"content-type", kind), (b"etag", b'"1"'), (b"content-length", str(len(body)).encode())],
            }
        )
        for part, more in ((body[:20], True), (body[20:], False)):
            await send({"type": "http.response.body", "body": part, "more_body": more})

    async def receive():
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message):
        sent.append(message)

    scope = {"type": "http", "method": method, "path": path, "query_string": query, "headers": list(headers)}
    with ThreadPoolExecutor(1) as apart:  # a browser driven by this process has a loop of its own running here
        apart.submit(lambda: asyncio.run(Opening(framework)(scope, receive, send))).result()
    (got,) = seen
    return dict(sent[0]["headers"]), b"".join(m.get("body", b"") for m in sent[1:]), got


def test_the_page_goes_out_with_the_words_and_a_browser_keeps_none_of_it(told):
    headers, body, got = asked(headers=[(b"if-none-match", b'"1"'), (b"accept-encoding", b"gzip"), (b"host", b"h")])
    assert b"<h1>CI-1 wears as usual.</h1>" in body and b"<title>lapcell</title>" in body
    assert body.index(b"lc-opening") < body.index(b'<div id="root">') < body.index(b"<script>")
    assert headers[b"cache-control"] == b"no-store" and b"etag" not in headers
    assert int(headers[b"content-length"]) == len(body)
    assert got["headers"] == [(b"host", b"h")]  # nothing by which the framework answers 'not changed' or packed


@pytest.mark.parametrize(
    "other",
    [
        {"path": "/static/js/index.js", "kind": b"text/javascript"},
        {"path": "/static/js/index.js"},
        {"path": "/_stcore/health"},
        {"path": "/icon.png"},
        {"method": "POST"},
        {"status": 400},
        {"kind": b"application/json"},
    ],
)
def test_what_is_not_the_page_goes_through_as_it_is(told, other):
    headers, body, _ = asked(**other)
    assert body == PAGE and headers[b"etag"] == b'"1"'


def test_words_that_are_no_longer_true_are_not_handed_out(told, monkeypatch):
    assert opened("") is not None
    with Store.open(told) as store:
        store.set_limit("*", "flatness", upper_um=0.9, upper_text="3 bands", who="QE")
    assert opened("") is None
    assert b"lc-opening" not in asked()[1]


@pytest.mark.parametrize("path", ["/", "/lap", "/proof", "/log/"])
def test_every_page_goes_out_with_the_rules_of_the_screens_before_anything_is_drawn(told, path):
    headers, body, _ = asked(path=path, query=b"lap=CI-1")
    page = body.decode()
    assert page.index("<body>") < page.index(".st-key-lap-grid") < page.index('<div id="root">')  # after the head's own
    assert "@font-face" in page and page.count("prefers-color-scheme") == 2
    assert headers[b"cache-control"] == b"no-store" and int(headers[b"content-length"]) == len(body)
    assert ("CI-1 wears as usual" in page) == (path == "/")  # the words are those of the shift view
    asked_dark = asked(path=path, query=b"light=dark")[1].decode()
    assert "prefers-color-scheme" not in asked_dark and palette(DARK) in asked_dark


def test_words_hang_on_the_settings_and_on_the_stretch_of_the_clock(told, monkeypatch):
    with monkeypatch.context() as later:
        later.setattr(opening, "slot_now", lambda _site: 7)
        assert opened("") is None
    assert opened("") is not None
    (told.parent / "lapcell.toml").write_text('time_zone = "Europe/Vienna"\n')
    assert opened("") is None


def test_words_of_a_state_that_has_moved_on_meanwhile_are_not_kept(told):
    now = data.snapshot()
    keep_opening("", ["late"], revision=now.revision - 1, slot=now.slot, asked={"unit": "uin"})
    assert opened("unit=uin") is None


def test_each_choice_has_words_of_its_own_and_the_rest_of_the_link_goes_along(told):
    now = data.snapshot()
    line = f'<a href="{link("lap", lap="CI-1 & co")}">Open</a>'
    keep_opening("", [line], revision=now.revision, slot=now.slot, asked={"unit": "uin", "numbers": "de"})
    assert opened("unit=um") is None
    words = opened("unit=uin&numbers=de&light=dark")
    assert 'href="/lap?lap=CI-1+%26+co&amp;unit=uin&amp;numbers=de&amp;light=dark"' in words


def test_a_link_cannot_put_anything_of_its_own_into_the_page(told):
    now = data.snapshot()
    line = f'<a href="{link("lap")}">Open</a>'
    keep_opening("", [line], revision=now.revision, slot=now.slot, asked={"unit": "uin"})
    words = opened('unit=uin&x="><script>alert(1)</script>')
    assert "<script>alert" not in words and "&lt;script&gt;" in words


def test_a_store_that_cannot_be_read_is_left_to_the_live_view_to_say(told, monkeypatch):
    told.write_bytes(b"not a store at all, whatever its name says" * 100)
    assert opened("") is None
    monkeypatch.setenv("LAPCELL_STORE", str(told.parent / "nowhere.db"))
    assert opened("") is None and not (told.parent / "nowhere.db").exists()


def test_what_is_made_ready_at_the_start_has_words_for_the_desk_and_the_wall(filled_store, tmp_path, monkeypatch):
    monkeypatch.setenv("LAPCELL_CACHE", str(tmp_path / "kept"))
    monkeypatch.setattr(where, "_SLOT_SECONDS", 10**9)  # a stretch of the clock that ends meanwhile ends the words too
    assert opened("") is None
    start.make_ready(pause_s=0.0)
    desk, wall = opened(""), opened("wall=1")
    for lap in ("CI-1", "DI-2"):
        assert f"Open {lap}" in desk
    assert "<nav" in desk and "<nav" not in wall and "lc-opening-wall" in wall
