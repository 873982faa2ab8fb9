import numpy as np
import pandas as pd

from spc.board.trade_remarks import trade_remarks
from spc.settings import Settings

# Knowledge of the trade: common practice, no source.
GLAZED = {"finish": "down", "minutes": "up"}


def faces(*coverage):
    return pd.DataFrame({"coverage": np.array(coverage, dtype=float)})


def test_shiny_is_not_flat():
    (told,) = trade_remarks(faces(np.nan), GLAZED, Settings())
    assert "glazed lap" in told and "common practice, no source" in told
    assert trade_remarks(faces(np.nan), {"finish": "down", "minutes": "steady"}, Settings()) == ()
    assert trade_remarks(faces(np.nan), GLAZED, Settings(guards_off=frozenset({"shiny_not_flat"}))) == ()


def test_a_flat_smaller_than_the_part_is_told():
    (told,) = trade_remarks(faces(0.6, np.nan, 1.0, 0.5), {}, Settings())
    assert told.startswith("2 faces were read with a flat that covered 50% to 60% of them")
    (one,) = trade_remarks(faces(0.6), {}, Settings())
    assert one.startswith("1 face was read with a flat that covered 60%")
    assert trade_remarks(faces(1.0, np.nan), {}, Settings()) == ()
    assert trade_remarks(faces(0.6), {}, Settings(guards_off=frozenset({"part_covered"}))) == ()
