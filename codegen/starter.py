"""The build file that ``loopwright new`` writes: an invented example of a kind of machine, to be filled with measured numbers."""

from __future__ import annotations

from codegen.build import MACHINES
from codegen.resources import templates_folder


def starter_build(machine: str = MACHINES[0]) -> tuple[str, str]:
    """File name and text of the example build file of one of ``MACHINES``."""
    template = "starter.toml" if machine == MACHINES[0] else f"starter_{machine}.toml"
    return f"{machine}.toml", (templates_folder() / template).read_text(encoding="utf-8")
