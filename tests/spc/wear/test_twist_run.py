import numpy as np
import pytest

from spc.wear.twist_run import TwistRun, twist_run


@pytest.mark.parametrize(
    ("forms", "began", "found"),
    [
        ("...........tttt", 8, TwistRun(11, 4, 4, 0, 11)),
        (".t..................tt.ttt", 8, TwistRun(20, 5, 6, 1, 20)),
        ("..........ttt", 8, None),  # too few yet
        ("..............t", 8, None),  # one face is none
        ("tttttttttttttttt", 8, None),  # as ever
        ("..tttt", 0, None),  # nothing tells how often it twists
        ("...........tttt....", 8, None),  # over
        ("...........tttt", 15, None),  # of the cycle before
        ("", 0, None),
    ],
)
def test_a_run_of_twisted_faces(forms, began, found):
    assert twist_run([form == "t" for form in forms], began=began) == found


def test_a_lap_that_twists_now_and_then_is_seldom_called():
    rng = np.random.default_rng(4)
    called = sum(
        any(twist_run(twist[:n], began=40) is not None for n in range(41, 61)) for twist in rng.random((300, 60)) < 0.15
    )
    assert called <= 6  # of 300 cycles of 20 faces
