"""Serial numbers that begin anew with every day or lot: what was taken of them, and what cures it, in words."""

__all__ = ["used_again"]

_LEAST = 12  # faces taken as read or lapped again from which it is asked whether the numbers are of the parts
_MOST = 0.5  # and the share of all faces; our own rule


def used_again(*, faces: int, repeats: int, lapped_again: int, other_parts: int) -> list[str]:
    """Say what was taken of serial numbers that came again.

    Parameters
    ----------
    faces, repeats : int
        Rows taken in as faces and as second readings of faces.
    lapped_again : int
        Of the faces those counted as lapped again though no log says so.
    other_parts : int
        Of the faces those taken as of another part than the one that had their serial number before.

    Returns
    -------
    list of str
    """
    said = []
    if other_parts:
        have = "1 face has a serial number" if other_parts == 1 else f"{other_parts:,} faces have serial numbers"
        taken = "is taken as another part" if other_parts == 1 else "are taken as other parts"
        said.append(
            f"{have} that others had more than 12 hours before, and {taken}; of a face lapped again, log the attempt"
        )
    again = repeats + lapped_again
    if again >= _LEAST and again > _MOST * (faces + repeats):
        said.append(
            f"{again:,} of {faces + repeats:,} faces have the serial number of one shortly before: {repeats:,} are "
            f"taken as second readings of it, {lapped_again:,} as lapped again. If the numbers begin anew with every "
            'lot, join the lot to them in a column map ([columns.serial] header = ["lot", "serial"]), or leave them '
            'out (absent = ["serial"]), and take the log in again with it'
        )
    return said
