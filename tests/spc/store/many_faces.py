"""Faces typed into a form, taken in together: one by one each takes as long as a hundred of them."""

import pandas as pd

from spc.store.frames import FACES, frame
from spc.store.identity import face_keys

__all__ = ["append_faces"]

_BLANK = {"str": "", "int64": 0, "float64": float("nan"), "bool": False, "object": None}


def append_faces(store, faces, *, who):
    """Take in faces, each told as `Store.append_face` takes it, with its time; gives their ids."""
    first = store.append_face(faces[0], who=who)  # makes the intake of this form and person
    if len(faces) == 1:
        return [first]
    place = store.faces(last=1).iloc[0]
    us = [pd.Timestamp(face["time_utc"]).tz_convert("UTC").as_unit("us").asm8.view("i8") for face in faces[1:]]
    told = [
        {"kind": "face", "time_text": pd.Timestamp(face["time_utc"]).isoformat()}
        | face
        | {"time_utc": at, "sort_us": at, "intake_id": place["intake_id"], "row_number": place["row_number"] + number}
        for number, (face, at) in enumerate(zip(faces[1:], us, strict=True), start=1)
    ]
    rows = frame(FACES, {name: [face.get(name, _BLANK.get(kind)) for face in told] for name, kind in FACES.items()})
    with store.writing(who=who, what=f"{len(rows)} faces"):
        keys = face_keys(rows, [repr(face) for face in told], source="form")
        admitted = store.admission(who=who).faces(rows, keys=keys)
        assert (admitted.outcome != "double").all(), admitted.outcome
        return [first, *store.face_table.face_ids(admitted.row_id)]
