from datetime import time

import pytest

from spc.settings import GUARDS, KnownLap, Settings, SettingsError, Shift, load_settings

FULL = """
time_zone = "Europe/Berlin"
flatness_unit = "band"
finish_unit = "um"
grit_unit = "um"
lamp = "helium"
date_order = "dmy"
decimal = ","
step_bands = 0.5
zero_means = "half step"
false_calls_per_week = 0.5

[[shift]]
name = "early"
start = "06:00"
end = "14:00"
[[shift]]
name = "night"
start = 22:00:00
end = 06:00:00

[[lap]]
name = "CI-1"
material = "cast iron"
kind = "ring machine plate"
group = "iron 15 um"

[guards]
too_flat = false

[costs]
planned_reconditioning = 40
unplanned_reconditioning = 220.5
"""


def load(tmp_path, text):
    path = tmp_path / "lapcell.toml"
    path.write_text(text, encoding="utf-8")
    return load_settings(path)


def test_nothing_given_assumes_nothing(tmp_path):
    assert load_settings(None) == Settings() == load(tmp_path, "")
    settings = Settings()
    said = (settings.time_zone, settings.flatness_unit, settings.lamp, settings.date_order, settings.decimal)
    assert said == ("", "", "", "", "")
    assert settings.false_calls_per_week == 1.0
    assert all(settings.guard_on(name) for name in GUARDS)


def test_reads_every_key(tmp_path):
    settings = load(tmp_path, FULL)
    assert settings.time_zone == "Europe/Berlin"
    assert (settings.lamp, settings.decimal, settings.step_bands, settings.zero_means) == (
        "helium",
        ",",
        0.5,
        "half step",
    )
    assert settings.shifts == (Shift("early", time(6), time(14)), Shift("night", time(22), time(6)))
    assert settings.laps == (KnownLap("CI-1", "cast iron", "ring machine plate", group="iron 15 um"),)
    assert not settings.guard_on("too_flat") and settings.guard_on("coarse_grit")
    assert (settings.planned_cost, settings.unplanned_cost) == (40.0, 220.5)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("lampe = 'helium'", r"lapcell.toml: `lampe` is not a known setting; known are .*lamp"),
        ("lamp = 'neon'", r"lapcell.toml: `lamp` must be one of helium, .* got 'neon'"),
        ("lamp = ['helium']", r"`lamp` must be a text"),
        ("lamp = '200 nm'", r"lapcell.toml: `lamp` must have a wavelength from 300 to 1100 nm"),
        ("time_zone = 'Mars/Base'", r"`time_zone` must be a zone name such as .* got 'Mars/Base'"),
        ("time_zone = '../x'", r"`time_zone` must be a zone name"),
        ("time_zone = 3", r"`time_zone` must be a text, got 3"),
        ("step_bands = 0", r"`step_bands` must be a number greater than 0, got 0"),
        ("step_bands = true", r"`step_bands` must be a number greater than 0, got True"),
        ("false_calls_per_week = nan", r"`false_calls_per_week` must be a number greater than 0"),
        ("false_calls_per_week = inf", r"`false_calls_per_week` must be a number greater than 0"),
        ("decimal = ';'", r"`decimal` must be one of '\.', ','"),
        ("shift = 3", r"`shift` must be a list of tables"),
        ("[[shift]]\nname='a'\nstart='25:00'\nend='06:00'", r"`shift.start` must be a time of day .* got '25:00'"),
        ("[[shift]]\nname='a'\nstart='06:00'", r"`shift.end` must be a time of day .* got None"),
        ("[[shift]]\nname='a'\nstart='06:00'\nend='06:00'", r"`shift.end` must be another time"),
        ("[[shift]]\nstart='06:00'\nend='14:00'", r"`shift.name` must be a text that is not empty"),
        ("[[lap]]\nname='A'\n[[lap]]\nname='A'", r"`lap.name` must be given once only, got 'A'"),
        ("[[lap]]\nname='A'\nsize=3", r"`lap.size` is not a known setting"),
        ("[guards]\ntoo_flat = 'no'", r"`guards.too_flat` must be true or false, got 'no'"),
        ("[guards]\nother = true", r"`guards.other` is not a known setting"),
        ("lamp = ", r"lapcell.toml: not valid TOML"),
    ],
)
def test_refuses_in_one_sentence(tmp_path, text, sentence):
    with pytest.raises(SettingsError, match=sentence) as refusal:
        load(tmp_path, text)
    assert "\n" not in str(refusal.value)


def test_refuses_a_file_it_cannot_read(tmp_path):
    with pytest.raises(SettingsError, match="cannot be read: No such file"):
        load_settings(tmp_path / "none.toml")
    (tmp_path / "utf16.toml").write_bytes("lamp = 'helium'".encode("utf-16"))
    with pytest.raises(SettingsError, match="must be UTF-8 text"):
        load_settings(tmp_path / "utf16.toml")


def test_a_guard_nobody_knows_is_refused():
    with pytest.raises(ValueError, match="`name` must be one of too_flat"):
        Settings().guard_on("none")


@pytest.mark.parametrize(
    ("costs", "sentence"),
    [
        (
            "planned_reconditioning = 4\nunplanned_reconditioning = 1",
            "`costs.unplanned_reconditioning` must be greater than costs.planned_reconditioning, 4, got 1.0",
        ),
        (
            "planned_reconditioning = 4\nunplanned_reconditioning = 4",
            "`costs.unplanned_reconditioning` must be greater than costs.planned_reconditioning, 4, got 4.0",
        ),
        (
            "planned_reconditioning = -1\nunplanned_reconditioning = 4",
            "`costs.planned_reconditioning` must be a number greater than 0, got -1",
        ),
        ("planned_reconditioning = '40 EUR'", "`costs.planned_reconditioning` must be a number greater than 0"),
        ("planed_reconditioning = 4", "`costs.planed_reconditioning` is not a known setting"),
    ],
)
def test_costs_that_cannot_be_weighed_stop_nothing_else(tmp_path, costs, sentence):
    settings = load(tmp_path, f"site_name = 'Cell 4'\n[costs]\n{costs}\n")
    assert settings.site_name == "Cell 4"
    assert (settings.planned_cost, settings.unplanned_cost) == (None, None)
    assert f"lapcell.toml: {sentence}" in settings.costs_fault and "\n" not in settings.costs_fault
    assert load(tmp_path, FULL).costs_fault == Settings().costs_fault == ""
