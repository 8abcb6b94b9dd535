"""From a graph to bits, bounds and C text; and where designed machines come from."""

from __future__ import annotations

from codegen.bounds import LoopBounds, bound_closed_loop, bound_many_ticks, bound_one_tick
from codegen.control import ARMED_REGIME, surround_any
from codegen.emit import emit_controller
from codegen.errors import GraphError
from codegen.formats import choose_formats
from codegen.graph import Graph
from codegen.machines import DesignedLantern as Designed
from codegen.machines import design_lantern as design_build
from codegen.machines import design_machine
from codegen.plant import AnyPlant
from codegen.ranges import find_ranges
from codegen.rules.fixed import FixedGraph
from codegen.rules.linear import Regime
from codegen.shipment import Realisation
from codegen.targets import Target

__all__ = ["Designed", "design_build", "design_machine", "realise"]


def realise(graph: Graph, target: Target, error_budget_counts: float, plant: AnyPlant | None = None) -> Realisation:
    """Give a graph bits, bounds and C text.

    Raises:
        LoopwrightError: No range, no format or no name; with signal and remedy.
    """
    ranges = find_ranges(graph)
    fixed = choose_formats(ranges, target, error_budget_counts)
    one_tick, margins = bound_one_tick(fixed)
    shown = [output.signal for output in graph.outputs if output.ctype != "bool"]
    regime = ARMED_REGIME if plant is not None else {}
    memory = [delay.source for delay in fixed.graph.delays if not delay.is_bool and delay.name in ("tilt_last", "trim", "lean")]
    many, reason = bound_many_ticks(fixed, regime, tuple(dict.fromkeys([*memory, *shown])))
    loop = _bound_loop(fixed, regime, plant) if plant is not None else None
    emission = emit_controller(fixed, {name: bound.counts for name, bound in one_tick.items()})
    return Realisation(ranges, target, error_budget_counts, fixed, emission, one_tick, margins, many, reason, loop)


def _bound_loop(fixed: FixedGraph, regime: Regime, plant: AnyPlant) -> LoopBounds | None:
    """Closed-loop bounds; None for a law that is linear nowhere (on-off), to which none apply."""
    try:
        return bound_closed_loop(fixed, regime, surround_any(plant), "command_wanted")
    except GraphError:
        return None
