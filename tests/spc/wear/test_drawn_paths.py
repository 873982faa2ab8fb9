import numpy as np
import pytest

from spc.wear.drawn_paths import draw_paths
from spc.wear.path_shape import SHAPES
from spc.wear.pooled import fit_pooled
from spc.wear.wear_path import wear_path


@pytest.fixture(scope="module")
def pooled():
    draw = np.random.default_rng(1)
    age = np.arange(1.0, 13.0)
    past = [wear_path(f"cycle {i}", age, 0.7 + 0.02 * age + 0.1 * draw.normal(size=12)) for i in range(4)]
    return fit_pooled(past, shapes=[s for s in SHAPES if s.name in ("linear", "exponential")], rng=draw)


def test_every_shape_that_takes_the_readings_is_drawn_by_its_share(pooled):
    own = wear_path("now", [1, 2, 3], [0.8, 0.8, 0.9])
    drawn = draw_paths(
        pooled, own, np.array([4.0, 5.0]), signed=False, draws=400, parts=("",), rng=np.random.default_rng(2)
    )
    shapes = {future.scale.shape.name: len(future.path) for future in drawn.futures}
    assert set(shapes) == {"linear", "exponential"} and 400 <= sum(shapes.values()) <= 402
    assert shapes[drawn.shape] == pytest.approx(400 * drawn.shape_share, abs=1) and drawn.own_way_share == 0


def test_a_signed_path_is_drawn_by_no_shape_that_needs_one_side(pooled):
    own = wear_path("now", [1, 2, 3], [-0.1, 0.0, 0.1])
    drawn = draw_paths(pooled, own, np.array([4.0]), signed=True, draws=50, parts=("",), rng=np.random.default_rng(2))
    assert [future.scale.shape.name for future in drawn.futures] == ["linear"]


def test_readings_that_go_with_no_shape_give_nothing(pooled):
    only = [s for s in pooled.shapes if s.name == "exponential"]
    below = wear_path("now", [1, 2], [-0.1, -0.2])
    pooled = type(pooled)(tuple(only), pooled.past, (), "")
    assert (
        draw_paths(pooled, below, np.array([4.0]), signed=False, draws=50, parts=("",), rng=np.random.default_rng(2))
        is None
    )
