"""C text of a fixed graph: a pure function of it, with no clock, no path and no set order."""

from codegen.emit.controller import Emission, emit_controller

__all__ = ["Emission", "emit_controller"]
