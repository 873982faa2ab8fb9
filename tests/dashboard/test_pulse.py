from dashboard.data import Snapshot
from dashboard.parts.pulse import state_now


def test_settings_that_cannot_be_read_are_a_sentence_until_they_can(filled_store):
    settings = filled_store.parent / "lapcell.toml"
    settings.write_text("false_calls_per_week = ", encoding="utf-8")
    said = state_now()
    assert isinstance(said, str) and "lapcell.toml: not valid TOML" in said
    settings.write_text("false_calls_per_week = 2", encoding="utf-8")
    assert isinstance(state_now(), Snapshot)
