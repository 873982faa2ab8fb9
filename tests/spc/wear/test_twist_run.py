import numpy as np
import pytest

from spc.wear.twist_run import TwistRun, twist_run


@pytest.mark.parametrize(
    ("forms", "began", "found"),
    [
        ("............tttt", 8, None),  # few before tell how often it twists ...
        ("............ttttt", 8, TwistRun(12, 5, 5, 0, 12)),
        (".......................tttt", 8, TwistRun(23, 4, 4, 0, 23)),
        (".t.....................tt.ttt", 8, TwistRun(23, 5, 6, 1, 23)),
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
    """Asked after every face, with the run chosen to look longest: wrongly in at most one cycle in 50."""
    cycles, before, faces, rng = 2000, 120, 40, np.random.default_rng(4)
    called = sum(
        any(twist_run(twist[:n], began=before) is not None for n in range(before + 1, before + faces + 1))
        for share in (0.2, 0.3)  # the worst: of rarer twists hardly four come together, commoner ones prove nothing
        for twist in rng.random((cycles // 2, before + faces)) < share
    )
    assert called / cycles <= 0.02 + 4 * (0.02 * 0.98 / cycles) ** 0.5
