"""The linear plant around a controller, for a machine of any kind."""

from __future__ import annotations

from codegen.bounds import PlantLoop
from codegen.control.loop import surround
from codegen.control.rolling import surround_rolling
from codegen.plant import AnyPlant, RollingPlant


def surround_any(plant: AnyPlant) -> PlantLoop:
    """The plant over one tick, readings in the units of the controller's inputs."""
    return surround_rolling(plant) if isinstance(plant, RollingPlant) else surround(plant)
