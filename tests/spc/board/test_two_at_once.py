"""Two logs of one lap: the same faces in both or two laps of one name are asked after, operators by turns are not."""

import numpy as np
import pandas as pd

from spc.board.data_health import check_data_health
from tests.spc.wear.made_up_log import faces_frame, hours


def _log(intake_id, *, begin=0.0, every=0.5, minutes=5.0, n=40):
    rng = np.random.default_rng(intake_id)
    return faces_frame(
        [
            {
                "sort_us": hours(begin + every * k), "minutes": minutes, "intake_id": intake_id,
                "operator": f"O{intake_id}", "serial": f"{intake_id}-{k}",
                "flatness_um": 0.3 + 0.01 * int(rng.integers(9)),
            }
            for k in range(n)
        ]
    )  # fmt: skip


def _kinds(*logs):
    together = pd.concat(logs, ignore_index=True).sort_values("sort_us", kind="stable", ignore_index=True)
    return [finding.kind for finding in check_data_health(together)]


def test_faces_of_two_logs_on_one_lap_at_once_are_asked_after():
    assert _kinds(_log(1), _log(2, begin=0.05)) == ["two at once"]
    assert _kinds(_log(1), _log(2)) == ["two at once"]


def test_operators_who_log_by_turns_and_days_in_files_of_their_own_are_not():
    assert _kinds(_log(1), _log(2, begin=0.25)) == []
    assert _kinds(_log(1), _log(2, begin=20.0)) == []


def test_a_plate_that_takes_several_parts_at_once_is_no_fault_of_its_logs():
    def plate(n, begin):
        rows = _log(n, begin=begin)
        return rows.assign(sort_us=[hours(begin + 0.5 * (k // 4)) for k in range(len(rows))])

    assert "two at once" not in _kinds(plate(1, 0.0), plate(2, 0.02))


def test_a_few_faces_at_once_are_a_slip_of_the_clock():
    assert _kinds(_log(1), _log(2, begin=15.02, n=12)) == []
