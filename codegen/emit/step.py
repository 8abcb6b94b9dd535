"""The text of the step function: statements under their headings, branches, the slow section, outputs and memory.

Takes a ``FixedGraph`` and how names are spelled, gives lines.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from codegen.emit.arrange import Branch, arrange
from codegen.emit.comments import describe, number, wrap_comment
from codegen.graph import Clamp, Constant, Delay, Graph, Input, Node, Output, Product, Select, SumOver, WeightedSum
from codegen.rules.branching import find_readers
from codegen.rules.ctext import RULES, Spelling, held_memory, literal, select_side
from codegen.rules.fixed import ClampDetail, FixedGraph, ProductDetail, RawDetail, SumDetail

WIDTH = 128
INDENT = "    "


def memory_members(graph: Graph) -> list[Node]:
    """What the state keeps, in its order, but for the slow section's counter and live gains."""
    return [*graph.delays, *graph.sums]


def break_expression(text: str, indent: str) -> list[str]:
    """A long expression broken before an operator or after a comma, never inside a product."""
    lines: list[str] = []
    current = indent
    for word in re.split(r" (?=[-+?:&|] )|(?<=,) ", text):
        if len(current) + len(word) > WIDTH and current.strip():
            lines.append(current.rstrip())
            current = indent
        current += word + " "
    return [*lines, current.rstrip()]


def _comment(fixed: FixedGraph, node: Node, errors: Mapping[str, float], indent: str) -> list[str]:
    """Unit, format, proven range and error of a signal, and what it is."""
    note = f"{describe(fixed, node.name)}" if not node.is_bool else ""
    if node.name in errors and not node.is_bool and errors[node.name] > 1e-6:
        note += f", error <= {number(errors[node.name])} counts"
    said = ": ".join(part for part in (note, node.note) if part)
    return wrap_comment(said, indent) if said else []


def _statement(fixed: FixedGraph, spelling: Spelling, node: Node, errors: Mapping[str, float], indent: str) -> list[str]:
    """One signal: its comment and the statement that computes it."""
    text = held_memory(node, spelling) if isinstance(node, SumOver) else RULES[type(node)](node, spelling)
    head = f"{indent}const {fixed.formats[node.name].ctype} {node.name} = "
    lines = _comment(fixed, node, errors, indent)
    if len(head) + len(text) + 1 <= WIDTH:
        return [*lines, f"{head}{text};"]
    broken = break_expression(text, indent + INDENT)
    return [*lines, head.rstrip(), *broken[:-1], f"{broken[-1]};"]


def _branch(fixed: FixedGraph, spelling: Spelling, branch: Branch, errors: Mapping[str, float], indent: str) -> list[str]:
    """Choices by one truth value: their declarations, and each side with what only it needs."""
    lines: list[str] = []
    for select in branch.selects:
        lines += [*_comment(fixed, select, errors, indent), f"{indent}{fixed.formats[select.name].ctype} {select.name};"]
    lines.append(f"{indent}if ({spelling.names[branch.condition]}) {{")
    for items, side in ((branch.if_true, True), (branch.if_false, False)):
        for item in items:
            lines += _item(fixed, spelling, item, errors, indent + INDENT)
        lines += [f"{indent}{INDENT}{select.name} = {select_side(select, spelling, side)};" for select in branch.selects]
        lines.append(f"{indent}}} else {{" if side else f"{indent}}}")
    return lines


def _item(fixed: FixedGraph, spelling: Spelling, item: Node | Branch, errors: Mapping[str, float], indent: str) -> list[str]:
    if isinstance(item, Branch):
        return _branch(fixed, spelling, item, errors, indent)
    return _statement(fixed, spelling, item, errors, indent)


def _block(
    fixed: FixedGraph, spelling: Spelling, nodes: tuple[Node, ...], errors: Mapping[str, float], indent: str, section: str = ""
) -> list[str]:
    """Statements under their headings; ``section`` is the heading that stands already."""
    lines: list[str] = []
    for item in arrange(nodes, find_readers(fixed.graph), fixed.branched):
        own = item.selects[0].section if isinstance(item, Branch) else item.section
        if own != section and own:
            section = own
            lines += ["", f"{indent}/* --- {section} --- */"]
        lines += _item(fixed, spelling, item, errors, indent)
    return lines


def write_step(fixed: FixedGraph, spelling: Spelling, errors: Mapping[str, float]) -> list[str]:
    """Lines of the step function.

    Args:
        fixed: The realisation.
        spelling: Spelling of names; collects the helpers that are called.
        errors: Bound of one tick's error per signal, in counts, for the comments.
    """
    graph = fixed.graph
    name = graph.name
    lines = [f"void {name}_step({name}_state *state, const {name}_inputs *inputs, {name}_outputs *outputs)", "{"]
    if not memory_members(graph) and not graph.parameters:
        lines.append(f"{INDENT}(void)state;")
    lines += _block(fixed, spelling, graph.before, errors, INDENT)
    if graph.slow_every > 1:
        lines += _slow(fixed, spelling, errors)
    lines += _block(fixed, spelling, graph.after, errors, INDENT)
    lines += ["", f"{INDENT}/* --- outputs and memory --- */"]
    for output in graph.outputs:
        lines.append(f"{INDENT}outputs->{output.name} = {_shown(fixed, spelling, output)};")
    lines += _stores(fixed, spelling, [delay for delay in graph.delays if not delay.slow], INDENT)
    while len(lines) > 2 and lines[2] == "":
        del lines[2]
    return [*lines, "}"]


def _shown(fixed: FixedGraph, spelling: Spelling, output: Output) -> str:
    """What an output shows: held inside its stated range even where a flipped bit in memory has led to something else."""
    text, proven = spelling.names[output.signal], fixed.formats[output.signal]
    if proven.ctype == "bool" or _is_held(fixed, output.signal, proven.low, proven.high):
        return text if proven.ctype == output.ctype else f"({output.ctype}){text}"
    bits = 64 if proven.ctype == "int64_t" else 16 if fixed.short_arithmetic and proven.ctype == "int16_t" else 32
    operand = text if proven.ctype == f"int{bits}_t" else f"(int{bits}_t){text}"
    held = spelling.call("clamp", bits, operand, literal(proven.low, bits), literal(proven.high, bits))
    return held if output.ctype == f"int{bits}_t" else f"({output.ctype}){held}"


def _is_held(fixed: FixedGraph, name: str, low: int, high: int) -> bool:
    """Whether the statement that computes a signal keeps it inside [low, high] whatever its operands are."""
    node, detail = fixed.graph.nodes[name], fixed.details[name]
    match node, detail:
        case (Constant(), RawDetail()):
            return low <= detail.value <= high
        case (Input(), _):
            return low <= node.low and node.high <= high
        case (WeightedSum() | Product() | Clamp(), SumDetail() | ProductDetail() | ClampDetail()):
            return detail.low is not None and detail.high is not None and low <= detail.low and detail.high <= high
        case (Select(), _):
            return all(_is_held(fixed, branch, low, high) for branch in (node.if_true, node.if_false))
    return False


def _slow(fixed: FixedGraph, spelling: Spelling, errors: Mapping[str, float]) -> list[str]:
    """The slow section: sums go on every tick; on the n-th its nodes run, its memory is written and the sums start anew."""
    graph = fixed.graph
    deeper = INDENT * 2
    heading = next(node.section for node in (*graph.slow, *graph.delays) if node.slow)
    lines = [f"{INDENT}/* --- {heading}, every {graph.slow_every} ticks --- */"]
    for node in graph.sums:
        lines += _statement(fixed, spelling, node, errors, INDENT)
    lines.append(f"{INDENT}if (state->slow_count >= {graph.slow_every - 1}u) {{")
    nodes = tuple(node for node in graph.slow if not isinstance(node, SumOver))
    lines += _block(fixed, spelling, nodes, errors, deeper, heading)
    lines += _stores(fixed, spelling, [delay for delay in graph.delays if delay.slow], deeper)
    lines += [f"{deeper}state->{node.name} = 0;" for node in graph.sums]
    lines += [f"{deeper}state->slow_count = 0u;", f"{INDENT}}} else {{"]
    lines += [f"{deeper}state->{node.name} = {node.name};" for node in graph.sums]
    lines += [f"{deeper}state->slow_count++;", f"{INDENT}}}"]
    return ["", *lines]


def _stores(fixed: FixedGraph, spelling: Spelling, delays: list[Delay], indent: str) -> list[str]:
    """Write memory; what another delay of the same kind still holds is read before any of them is written."""
    lines: list[str] = []
    stores: list[str] = []
    written = {delay.name for delay in delays}
    for delay in delays:
        text = spelling.names[delay.source]
        ctype = fixed.formats[delay.name].ctype
        if delay.source in written:
            lines.append(f"{indent}const {ctype} {delay.name}_store = {text};")
            text = f"{delay.name}_store"
        elif fixed.formats[delay.source].ctype != ctype:
            text = f"({ctype}){text}"
        stores.append(f"{indent}state->{delay.name} = {text};")
    return lines + stores
