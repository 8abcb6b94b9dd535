"""Every C identifier of an emission, and the refusal of those that C keeps for itself.

Takes a fixed graph, gives the spelling of each signal inside the step function.
"""

from __future__ import annotations

from codegen.errors import GraphError
from codegen.graph import Constant, Delay, Graph, Input, Parameter, Table
from codegen.rules.ctext import literal
from codegen.rules.fixed import FixedGraph
from codegen.rules.integer import raw_value

RESERVED = frozenset(  # keywords of C99 and the names that the emitted text itself uses
    "auto break case char const continue default do double else enum extern float for goto if inline int long register restrict "
    "return short signed sizeof static struct switch typedef union unsigned void volatile while _Bool _Complex _Imaginary "
    "bool true false state inputs outputs gains main".split()
)
HELPER_STEMS = tuple(
    "round_shift_ clamp_ saturate_ wrapped_difference_ interpolate_ int8_ int16_ int32_ int64_ uint intptr".split()
)


def check_names(graph: Graph) -> None:
    """Refuse names that cannot be C identifiers here.

    Raises:
        GraphError: A signal, output or controller name is a C keyword or collides with the emitted text's own names.
    """
    for name in [graph.name, *graph.nodes, *(output.name for output in graph.outputs)]:
        if name in RESERVED or name.startswith(HELPER_STEMS) or "__" in name:
            raise GraphError("this name is kept for C or for the emitted text itself", name, "rename the signal")
    own = {f"{graph.name}_{ending}" for ending in ("init", "step", "set_gains", "inputs", "outputs", "state", "gains")}
    own |= {f"{node.name}_knots" for node in graph.nodes.values() if isinstance(node, Table)}
    own |= {f"{node.name}_store" for node in graph.nodes.values() if isinstance(node, Delay)}
    for name in sorted(own & set(graph.nodes)):
        raise GraphError("this name is kept for the emitted text itself", name, "rename the signal")
    if graph.slow_every > 1 and "slow_count" in graph.nodes:
        raise GraphError("the name slow_count is kept for the counter of the slow section", "slow_count", "rename the signal")


def spell(fixed: FixedGraph) -> dict[str, str]:
    """C spelling of every signal inside the step function."""
    graph = fixed.graph
    result: dict[str, str] = {}
    for name, node in graph.nodes.items():
        if isinstance(node, Input):
            result[name] = f"inputs->{name}"
        elif isinstance(node, Delay):
            result[name] = f"state->{name}"
        elif isinstance(node, Parameter):
            result[name] = f"state->gains.{name}"
        elif isinstance(node, Constant):
            value = raw_value(fixed, name)
            small = str(value) if abs(value) < 2**15 else literal(value, 64 if fixed.formats[name].ctype == "int64_t" else 32)
            result[name] = ("true" if value else "false") if node.is_bool else small
        else:
            result[name] = name
    return result

