"""Shapes of wear by their names."""

from spc.wear.path_shape import SHAPES

SHAPE = {shape.name: shape for shape in SHAPES}
