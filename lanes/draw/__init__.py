"""Draws a plate of known contents from a physical model, for the demo, teaching and tests."""

from lanes.draw.render import Drawing, draw
from lanes.draw.save import save
from lanes.draw.spec import LaneSpec, PlateSpec, SpotSpec, read_spec

__all__ = ["Drawing", "LaneSpec", "PlateSpec", "SpotSpec", "draw", "read_spec", "save"]
