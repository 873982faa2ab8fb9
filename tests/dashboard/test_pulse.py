import pytest

from dashboard.data import Snapshot, snapshot
from dashboard.parts import pulse
from dashboard.parts.pulse import count_the_tap, state_now, tapped


def test_settings_that_cannot_be_read_are_a_sentence_until_they_can(filled_store):
    settings = filled_store.parent / "lapcell.toml"
    settings.write_text("false_calls_per_week = ", encoding="utf-8")
    said = state_now()
    assert isinstance(said, str) and "lapcell.toml: not valid TOML" in said
    settings.write_text("false_calls_per_week = 2", encoding="utf-8")
    assert isinstance(state_now(), Snapshot)


@pytest.fixture
def done(monkeypatch):
    """What is done to the page, in order; the session's own state is a plain one."""
    order = []
    monkeypatch.setattr(pulse.st, "session_state", {})
    monkeypatch.setattr(pulse.st, "rerun", lambda: order.append("page"))
    monkeypatch.setattr(pulse.time, "sleep", lambda seconds: order.append(f"wait {seconds <= 0.1}"))
    return order


def test_the_report_is_made_before_the_page_that_shows_it(filled_store, done):
    drawn = snapshot()
    tapped(drawn)
    count_the_tap(drawn, done.append)
    assert [type(done[0]), *done[1:]] == [Snapshot, "wait True", "page"]
    count_the_tap(drawn, done.append)
    assert len(done) == 3  # one tap is counted once


def test_a_page_that_shows_a_newer_state_counts_the_tap_itself(filled_store, done):
    drawn = snapshot()
    tapped(drawn)
    count_the_tap(
        Snapshot(drawn.store, drawn.revision + 1, drawn.settings, drawn.settings_stamp, drawn.slot), done.append
    )
    assert done == []


def test_a_report_that_cannot_be_made_leaves_it_to_the_page_to_say_so(filled_store, done):
    def fails(now):
        raise ValueError("this lap is unknown")

    drawn = snapshot()
    tapped(drawn)
    count_the_tap(drawn, fails)
    assert done[-1] == "page"
