"""A report in the unit chosen: lengths of form follow, those of finish into microinches, those of grit never."""

from dataclasses import replace

from dashboard.chosen_unit import in_chosen_unit
from spc.measure.shown import MICROMETRE, ShownLength
from tests.dashboard import fixtures

HELIUM = ShownLength("bands", 0.58756 / 2)  # half the helium line of 587.56 nm


def test_a_lap_read_in_bands_is_told_in_micrometres():
    report = fixtures.lap()
    told = replace(report, sentence="Flatness read 2 bands; 15 um grit.", reasons=("under 1 band",))
    shown = in_chosen_unit(told, HELIUM, MICROMETRE)
    assert shown.sentence == "Flatness read 0.588 um; 15 um grit." and shown.reasons == ("under 0.294 um",)
    assert in_chosen_unit(told, HELIUM, HELIUM) is told


def test_micrometres_of_finish_and_grit_are_no_bands():
    said = (
        "Flatness on CE-1 drifts up: 0.294 um where 0.147 um is usual.",
        "PP-1 wears as usual: 46 to more than 189 faces left under 0.588 um (VB-25).",
        "Finish jumped on CE-1: Ra 0.027 um where the 15 before read about 0.012 um.",
        "The same hands worked 6 um on CU-1 at the bench before. Flatness reads 0.294 um.",
        "CE-1 reads flatter at like age (0.147 um) than CE-2 (0.294 um).",
    )
    shown = in_chosen_unit(replace(fixtures.lap(), reasons=said), MICROMETRE, HELIUM)
    assert shown.reasons == (
        "Flatness on CE-1 drifts up: 1 band where 0.5 bands is usual.",
        "PP-1 wears as usual: 46 to more than 189 faces left under 2 bands (VB-25).",
        said[2],
        "The same hands worked 6 um on CU-1 at the bench before. Flatness reads 1 band.",
        "CE-1 reads flatter at like age (0.5 bands) than CE-2 (1 band).",
    )


def test_finish_is_told_in_microinches_and_never_in_bands():
    said = (
        "Finish jumped on CE-1: Ra 0.0254 um where the 15 before read about 0.0127 um. The same hands worked 6 um.",
        "Flatness on CE-1 drifts up: 2 bands where 1 band is usual.",
        "Finish (Ra) on CE-1 has drifted up: 0.0254 um where 0.0127 um is usual for GA-12.",
    )
    uin = ShownLength("uin", 0.0254)
    told = replace(fixtures.lap(), reasons=said)
    assert in_chosen_unit(told, HELIUM, uin).reasons == (
        "Finish jumped on CE-1: Ra 1 uin where the 15 before read about 0.5 uin. The same hands worked 6 um.",
        "Flatness on CE-1 drifts up: 23.1 uin where 11.6 uin is usual.",
        "Finish (Ra) on CE-1 has drifted up: 1 uin where 0.5 uin is usual for GA-12.",
    )
    assert (
        in_chosen_unit(told, uin, uin).reasons[2]
        == "Finish (Ra) on CE-1 has drifted up: 1 uin where 0.5 uin is usual for GA-12."
    )
    assert in_chosen_unit(told, MICROMETRE, HELIUM).reasons[0] == said[0]
