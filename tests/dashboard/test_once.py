"""A tap that arrives twice."""

from dashboard.parts.once import once


def test_what_arrives_twice_is_done_once_and_again_when_the_button_is_drawn_anew():
    did = []
    first = once(did.append)
    first("logged")
    first("logged")
    assert did == ["logged"]
    once(did.append)("taken back")
    assert did == ["logged", "taken back"]


def test_a_tap_that_fails_is_not_tried_again_by_itself():
    came = []

    def act():
        came.append(1)
        raise OSError("the disk is full")

    tapped = once(act)
    for _ in range(2):
        try:
            tapped()
        except OSError:
            came.append(2)
    assert came == [1, 2]
