"""Invented reports for the screens: a cell that never was, one lap in each state, and the thin cases."""

import math
from dataclasses import replace

import numpy as np

from spc.board.results import (
    Cause,
    CycleFan,
    CyclePath,
    CyclePicture,
    FacesLeft,
    LapReport,
    RoomAlarm,
    ShiftReport,
    Signal,
)

NO_ARRAY = np.array([], dtype=float)


def path(faces, *, label="this cycle", seed=1, start=0.18, slope=0.006, first_id=1):
    """A wear path in half-band steps; the last reading is open above when there are more than 30."""
    rng = np.random.default_rng(seed)
    age = np.arange(1.0, faces + 1)
    value = start + slope * age + rng.gamma(4.0, 0.02, faces)
    step = 0.1469
    nearest = np.maximum(np.round(value / step), 1) * step
    low, high = nearest - step / 2, nearest + step / 2
    typed = [f"{count / 2:g} band" for count in np.round(nearest / step)]
    if faces > 30:
        high[-1] = math.inf
        typed[-1] = f"{low[-1] / step / 2:.1f}+ band"
    return CyclePath(
        label=label,
        age_faces=age,
        low_um=low,
        high_um=high,
        face_id=np.arange(first_id, first_id + faces, dtype=np.int64),
        text=tuple(typed),
        hover=tuple(f"4 March 09:{minute % 60:02d}, R. Oduya, seal plate" for minute in range(faces)),
        aside=np.zeros(faces, dtype=bool),
    )


def signal(**change):
    base = Signal(
        lap="CI-1",
        sign="flatness",
        rule="drifting average beyond its limit",
        sentence="Flatness on CI-1 drifts up: the drifting average passed its limit, begun 4 to 9 faces ago.",
        severity="look",
        p_value=0.002,
        face_id=31,
        since_face_id=24,
        since_faces=7,
        time_text="4 March 09:31",
        value_um=0.45,
        age_faces=31.0,
    )
    return replace(base, **change)


def faces_left(**change):
    base = FacesLeft(
        status="range",
        low=6.0,
        median=9.0,
        high=14.0,
        horizon=60.0,
        unit="faces",
        level=0.9,
        crossing="path",
        sentence="6 to 14 faces left",
        own_faces=34,
        past_cycles=5,
    )
    return replace(base, **change)


REFUSED = faces_left(
    status="refused",
    low=None,
    median=None,
    high=None,
    own_faces=1,
    past_cycles=0,
    sentence="too few faces to say: 1 face this cycle, 5 are needed",
)


def picture(faces=34, cycles=3, **change):
    ages = np.linspace(0, 60, 31)
    centre = 0.25 + 0.005 * ages
    ahead = np.linspace(faces, faces + 30, 16)
    wide = 0.02 + 0.004 * (ahead - faces)
    base = CyclePicture(
        limit_um=0.6,
        limit_text="limit 0.6 µm, seal plate, revision 2",
        now=path(faces),
        past=tuple(path(40 + 6 * n, label=f"cycle {n + 1}", seed=n + 5, slope=0.005) for n in range(cycles)),
        band_age_faces=ages if cycles else NO_ARRAY,
        band_low_um=centre - 0.08 if cycles else NO_ARRAY,
        band_centre_um=centre if cycles else NO_ARRAY,
        band_high_um=centre + 0.08 if cycles else NO_ARRAY,
        fan=CycleFan(
            age_faces=ahead,
            low_um=0.46 + 0.007 * (ahead - faces) - wide,
            median_um=0.46 + 0.011 * (ahead - faces),
            high_um=0.46 + 0.015 * (ahead - faces) + wide,
        ),
        signals=(
            signal(),
            signal(
                sign="bow", rule="the shape turned from convex to concave", face_id=20, age_faces=20.0, value_um=0.3
            ),
        ),
        sentence="34 faces since reconditioning; flatness climbed from about 0.2 to about 0.45 µm and meets 0.6 µm "
        "in 6 to 14 faces.",
        axis_note="6 to 14 faces left",
    )
    return replace(base, **change)


def lap(**change):
    base = LapReport(
        lap="CI-1",
        material="cast iron",
        kind="ring machine plate",
        grit="15 um",
        state="due",
        next_step="Recondition",
        sentence="CI-1 is due: plan to recondition it within 6 to 14 faces.",
        reasons=(
            "Flatness climbs by about 0.01 µm per face; five past cycles climbed by 0.005.",
            "The drifting average passed its limit at face 31 and began 4 to 9 faces ago.",
        ),
        faces_left=faces_left(),
        next_break="shift change at 14:00",
        confidence="good: 34 faces of this cycle and 5 past cycles",
        lead_sign="flatness",
        signals=(
            signal(),
            signal(
                sign="minutes",
                rule="minutes per face above this lap's own",
                value_um=math.nan,
                face_id=33,
                age_faces=33.0,
                sentence="Minutes per face rose by about a third since face 27.",
            ),
        ),
        causes=(
            Cause(
                "plate hollowing",
                0.62,
                "straightedge across the plate",
                "recondition with the rings",
                "steady climb, convex parts",
                "found 3 of 5 times",
            ),
            Cause("ring position", 0.2, "read the ring scale", "move the ring out by 5 mm", "shape turned", ""),
            Cause("unknown", 0.18, "", "", "", ""),
        ),
        safety=(
            "The plate is heavy: lifting aid, two people.",
            "No gloves or loose sleeves near the turning plate.",
        ),
        picture=picture(),
        age_faces=34,
        age_minutes=612.0,
        last_time_text="4 March 09:33",
        last_part="seal plate",
        data_health=("3 of 34 faces have no minutes.",),
        answers=(("May I go on?", "Yes, for at least 6 faces; then look again."),),
    )
    return replace(base, **change)


def cell():
    """Eight laps, one at least in every state, in order of need."""
    return (
        lap(
            lap="CE-2",
            material="ceramic",
            kind="hand lap",
            grit="3 um",
            state="held",
            next_step="Stop",
            sentence="CE-2 is held: a scratch at the last face. Nothing more goes on it until a person has answered.",
            signals=(
                signal(
                    lap="CE-2",
                    sign="scratch",
                    rule="a scratch",
                    severity="stop",
                    sentence="A deep scratch on the last face, none in the 60 before.",
                    value_um=math.nan,
                ),
            ),
            faces_left=faces_left(
                status="refused",
                low=None,
                median=None,
                high=None,
                sentence="held: no forecast until the scratch is answered",
            ),
        ),
        lap(),
        lap(
            lap="CI-3",
            state="due",
            next_step="Recondition",
            sentence="CI-3 is due: at its limit now.",
            faces_left=faces_left(status="over", low=0.0, median=0.0, high=0.0, sentence="at the limit now"),
        ),
        lap(
            lap="DI-1",
            material="diamond-impregnated",
            kind="hand lap",
            grit="9 um",
            state="watch",
            next_step="Look",
            sentence="DI-1: minutes per face rose by a third. Look before the next lot.",
            faces_left=faces_left(low=22.0, median=40.0, high=None, sentence="at least 22 faces left"),
        ),
        lap(
            lap="CU-1",
            material="copper",
            kind="hand lap",
            grit="6 um",
            state="watch",
            next_step="Look",
            sentence="CU-1: one face only, too little to say.",
            faces_left=REFUSED,
            age_faces=1,
            signals=(),
            picture=picture(faces=1, cycles=0, fan=None, signals=(), axis_note=""),
        ),
        lap(
            lap="CI-2",
            state="cutting",
            next_step="Carry on",
            sentence="CI-2 is cutting as usual.",
            faces_left=faces_left(low=35.0, median=48.0, high=70.0, sentence="35 to 70 faces left"),
            signals=(),
            causes=(),
        ),
        lap(
            lap="CU-2",
            material="copper",
            kind="hand lap",
            grit="3 um",
            state="cutting",
            next_step="Carry on",
            sentence="CU-2 is cutting as usual.",
            faces_left=faces_left(low=30.0, median=41.0, high=55.0, sentence="30 to 55 faces left"),
            signals=(),
            causes=(),
        ),
        lap(
            lap="<script>alert(1)</script>",
            material="=1+1",
            state="resting",
            next_step="",
            sentence="../../x rests.",
            faces_left=REFUSED,
            signals=(),
            causes=(),
        ),
    )


def shift(**change):
    base = ShiftReport(
        as_of_text="4 March 2026, 09:41",
        shift_text="early shift of 4 March",
        sentence="One lap is held and two are due before the break at 14:00.",
        laps=cell(),
        room=RoomAlarm(
            "Three of eight laps moved together since 08:10: look at the room before the laps.",
            ("CI-1", "DI-1", "CU-1"),
            0.003,
            ("room temperature", "lamp and optical flat", "slurry batch"),
        ),
        room_before=None,
        changed=("CE-2 went from cutting to held at 09:22.", "CI-1 went from watch to due at 09:31."),
        holds=("CE-2: scratch at 09:22, 4 parts since the last clean face.",),
        faces_this_shift=37,
        relaps_this_shift=3,
        relap_share_low=0.02,
        relap_share_high=0.22,
        pace=("Seal plates: 14 minutes per face, 12 last shift.", "Gauge anvils: 9 minutes per face, as last shift."),
        go_look=("CI-1", "DI-1"),
        go_look_sentence="CI-1 and DI-1 stand apart from the other laps this shift; of ten such at most one is fine.",
        false_calls="This board cries wolf about once a week.",
        newest_face_text="4 March 09:33",
        stale="",
    )
    return replace(base, **change)
