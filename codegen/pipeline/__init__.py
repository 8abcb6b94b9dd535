"""The whole chain, stage after stage, and the only writer of outputs."""

from codegen.pipeline.check import BIT_TICKS, check, fly_traces
from codegen.pipeline.progress import Progress
from codegen.pipeline.realise import Designed, design_build, design_machine, realise
from codegen.pipeline.ship import make_shipment, ship, ship_graph, shipped_files
from codegen.pipeline.simulate import simulate_build
from codegen.pipeline.verify import Verification, verify
from codegen.pipeline.write import write_files

__all__ = [
    "BIT_TICKS",
    "Designed",
    "Progress",
    "Verification",
    "check",
    "design_build",
    "design_machine",
    "fly_traces",
    "make_shipment",
    "realise",
    "ship",
    "ship_graph",
    "shipped_files",
    "simulate_build",
    "verify",
    "write_files",
]
