import math
import re
from contextvars import copy_context

import pytest

from dashboard.words import (
    clock_at,
    clock_words,
    count,
    grit_words,
    html_text,
    join_words,
    markdown_text,
    micro,
    micro_unit,
    number,
    percent,
    prose,
    share,
    speak,
)
from spc.report.locale import LOCALES, TOLD


@pytest.mark.parametrize(("n", "text"), [(0, "no faces"), (1, "1 face"), (2, "2 faces"), (1_200, "1,200 faces")])
def test_plurals(n, text):
    assert count(n, "face") == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0, "0"),
        (0.01234, "0.0123"),
        (612.0, "612"),
        (12345.6, "12,346"),
        (0.5, "0.5"),
        (math.nan, "\u2013"),
        (-2.5, "-2.5"),
    ],
)
def test_numbers_without_exponents_or_nan(value, text):
    assert number(value) == text


def test_numbers_and_dates_follow_the_reader():
    def german():
        speak(LOCALES["de"], ("Band 1.5 mm",))
        return (
            number(12345.6), count(1_200, "face"), prose("Ra 0.027 on Band 1.5 mm at 20:30"),
            clock_words("2026-03-04T07:20:00+01:00"), clock_words("2026-13-04 07:20"),
            prose("between 2026-04-13 15:58 and 2026-04-14 in log 2026-04-15.csv, 2026-04-16."),
        )  # fmt: skip

    assert copy_context().run(german) == (
        f"{TOLD}12.346", f"{TOLD}1.200 faces",
        'Ra 0,027 on <span class="lc-whole">Band 1.5 mm</span> at 20:30', "04.03.2026 07:20",
        "2026-13-04 07:20", "between 13.04.2026 15:58 and 14.04.2026 in log 2026-04-15.csv, 16.04.2026.",
    )  # fmt: skip
    assert number(12345.6) == "12,346"  # no other run is changed


@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("en", "0.432 of 12,346 in 1,200 faces, 4.5%, 1,234 and 0,294 as typed"),
        ("de", "0,432 of 12.346 in 1.200 faces, 4,5\u00a0%, 1.234 and 0,294 as typed"),
        ("fr", "0,432 of 12\u202f346 in 1\u202f200 faces, 4,5\u202f%, 1\u202f234 and 0,294 as typed"),
    ],
)
def test_a_number_is_given_its_marks_once(language, said):
    def told():
        speak(LOCALES[language])
        numbers = f"{number(0.432)} of {number(12345.6)} in {count(1_200, 'face')}, {percent(0.045)}"
        return prose(f"{numbers}, 1,234 and 0,294 as typed")

    assert copy_context().run(told) == said


def test_a_name_is_one_piece_and_is_not_found_inside_another():
    def named():
        speak(LOCALES["en"], ("CI-1", "big iron", "x" * 40))
        return prose("big iron, CI-12 and " + "x" * 40)

    assert copy_context().run(named) == (
        f'<span class="lc-whole">big iron</span>, <span class="lc-whole">CI-12</span> and {"x" * 40}'
    )


def test_shares_are_ranges():
    assert share(0.02, 0.224) == "2 to 22%"
    assert share(0.0, 0.0) == "0%"
    assert share(math.nan, math.nan) == "\u2013"


def test_what_a_person_typed_is_shown_as_typed():
    assert html_text('<script>"x"</script>') == "&lt;script&gt;&quot;x&quot;&lt;/script&gt;"
    assert markdown_text("*a* [b](c) $x$ :red[y]") == r"\*a\* \[b\]\(c\) \$x\$ \:red\[y\]"


def test_lists_and_grits():
    assert join_words(["a"]) == "a" and join_words(("a", "b", "c")) == "a, b and c" and join_words([]) == ""
    assert grit_words("15 um") == "15\u00a0µm" and grit_words("F600") == "F600"


def test_what_is_to_be_typed_stands_out_and_stays_text():
    assert prose("freeze with `lapcell limits freeze <LAP>`.") == (
        "freeze with <code>lapcell limits freeze &lt;LAP&gt;</code>."
    )


def test_sentences_keep_names_and_units_whole():
    assert micro("0.3 um and 12 uin, um alone") == "0.3\u00a0µm and 12\u00a0µin, um alone"


@pytest.mark.parametrize(
    ("unit", "shown"),
    [("um", "µm"), ("uin", "µin"), ("um/min per N/mm2", "µm/min per N/mm2"), ("bands", "bands"), ("min", "min")],
)
def test_a_unit_on_an_axis_has_the_sign_for_micro(unit, shown):
    assert micro_unit(unit) == shown
    shown = prose("<b> CI-1 reads 0.3 um & more")
    assert shown == '&lt;b&gt; <span class="lc-whole">CI-1</span> reads 0.3\u00a0µm &amp; more'


@pytest.mark.parametrize(
    ("typed", "shown"),
    [
        ("2026-06-26T15:52:10+02:00", "2026-06-26 15:52"),
        ("2026-06-26 15:52", "2026-06-26 15:52"),
        ("4 March 09:33", "4 March 09:33"),
        ("", ""),
    ],
)
def test_moments_are_shown_as_read_at_the_bench(typed, shown):
    assert clock_words(typed) == shown


def test_a_moment_is_told_by_the_clock_of_the_site():
    assert clock_at("2026-06-26T22:52:00.000001+00:00", "Europe/Copenhagen") == "2026-06-27 00:52"
    assert clock_at("2026-06-26", "Europe/Copenhagen") == "2026-06-26"  # a day as typed stays that day


def test_a_moment_of_the_record_is_said_as_a_clock_says_it():
    assert (
        prose("judges faces from 2026-06-26T12:52:00.000001+00:00 on.")
        == 'judges faces from <span class="lc-whole">2026-06-26</span> 12:52 UTC on.'
    )


def test_a_number_and_its_unit_are_never_broken_over_a_line_end():
    assert prose("2 bands, 1 band, 0.5 to 12.3 min and 1.22 sd") == (
        "2\u00a0bands, 1\u00a0band, 0.5 to 12.3\u00a0min and 1.22\u00a0sd"
    )
    assert prose("3 minutes, 2 bandsaws") == "3 minutes, 2 bandsaws"


def test_a_command_that_names_a_lap_is_one_command():
    speak(LOCALES["en"], ("CI-2",))
    told = prose("Look at it with `lapcell chart CI-2 --kind individuals`, or set one with `lapcell parts set`.")
    assert re.sub("</?span[^>]*>", "", told).count("<code>lapcell chart CI-2 --kind individuals</code>") == 1
    assert "`" not in told and '<span class="lc-whole">--kind</span> individuals</code>' in told
    assert "<code>lapcell parts set</code>" in told
    speak(LOCALES["en"], ())


def test_a_serial_and_a_day_are_never_broken_over_a_line_end():
    said = prose("SP-20-02876 of 2026-06-25 15:17 on a diamond-impregnated lap")
    assert '<span class="lc-whole">SP-20-02876</span> of <span class="lc-whole">2026-06-25</span> 15:17' in said
    assert "diamond-impregnated" in said and said.count("lc-whole") == 2
