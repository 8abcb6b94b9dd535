"""From a build file to a designed machine: read, model, design."""

from __future__ import annotations

from pathlib import Path

from codegen.build import Build, CartBuild, read_build, read_machine
from codegen.control import design_structure
from codegen.design.laws import structure_of
from codegen.design.rolling import design_rolling
from codegen.machines.lantern import DesignedLantern, told_to_fall
from codegen.machines.machine import Machine
from codegen.machines.rolling import DesignedRolling
from codegen.plant import model_cart, model_plant, model_trolley


def design_machine(path: Path) -> Machine:
    """The designed machine of a build file, of whatever kind.

    Raises:
        LoopwrightError: The build file is wrong, or no controller stands.
    """
    build = read_machine(path)
    if isinstance(build, Build):
        return _lantern(build)
    plant = model_cart(build) if isinstance(build, CartBuild) else model_trolley(build)
    return DesignedRolling(build, plant, design_rolling(build, plant))


def design_lantern(path: Path) -> DesignedLantern:
    """The designed body with a reaction wheel of a build file.

    Raises:
        LoopwrightError: The build file is wrong or another machine's, or no controller stands.
    """
    return _lantern(read_build(path))


def _lantern(build: Build) -> DesignedLantern:
    plant = model_plant(build)
    designed = DesignedLantern(build, plant, design_structure(build, plant))
    return designed if structure_of(designed.design.law.structure).stands else told_to_fall(designed)
