"""Emission: header and source of a controller from its fixed graph.

Takes a ``FixedGraph`` and the error bounds to print, gives two texts.  Deterministic: the same graph gives the same bytes.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from codegen.emit.comments import CAUTIONS, OWNERSHIP, describe, number, wrap_comment
from codegen.emit.names import check_names, spell
from codegen.graph import Clamp, Constant, Delay, Graph, Input, Node, Output, Product, Select, SumOver, WeightedSum
from codegen.resources import templates_folder
from codegen.rules.ctext import RULES, Spelling, literal
from codegen.rules.fixed import ClampDetail, FixedGraph, ProductDetail, RawDetail, SumDetail
from codegen.rules.integer import raw_value
from codegen.version import VERSION

WIDTH = 128
INDENT = "    "


@dataclass(frozen=True)
class Emission:
    """The emitted files.

    Attributes:
        name: Prefix and file stem.
        header: Text of NAME.h.
        source: Text of NAME.c.
    """

    name: str
    header: str
    source: str


def emit_controller(fixed: FixedGraph, error_counts: Mapping[str, float] | None = None) -> Emission:
    """Header and source text.

    Args:
        fixed: The realisation.
        error_counts: Bound of one tick's error per signal, in counts, for the comments.

    Raises:
        GraphError: A name cannot be a C identifier.
    """
    check_names(fixed.graph)
    environment = Environment(
        loader=FileSystemLoader(templates_folder()), undefined=StrictUndefined, keep_trailing_newline=True, autoescape=False
    )
    name = fixed.graph.name
    spelling = Spelling(fixed, spell(fixed))
    step = _step(fixed, spelling, error_counts or {})
    functions = "\n".join([_tables(spelling), *_init(fixed), *_set_gains(fixed, spelling), *step]).lstrip("\n")
    header = environment.get_template("controller.h.jinja").render(
        banner=_banner(fixed, f"{name}.h"),
        guard=f"{name.upper()}_H",
        constants=_constants(fixed.graph),
        types="\n\n".join(_types(fixed)),
        prototypes=_prototypes(fixed),
    )
    source = environment.get_template("controller.c.jinja").render(
        banner=_banner(fixed, f"{name}.c"), name=name, runtime=_runtime(spelling.helpers), functions=functions
    )
    return Emission(name, header, source)


def _banner(fixed: FixedGraph, file_name: str) -> str:
    graph = fixed.graph
    period_ms = number(graph.period_s * 1e3)
    lines = [
        f"/* {file_name} - {graph.title}",
        " *",
        f" * Fixed-point controller, tick period {period_ms} ms, words for {fixed.target}; emitted by Loopwright {VERSION}.",
        " * A change by hand is welcome: `loopwright verify` says what it broke.",
        f" * {OWNERSHIP}",
        " *",
        *(f" * {line}" for line in CAUTIONS),
        " */",
    ]
    return "\n".join(lines)


def _constants(graph: Graph) -> str:
    prefix = graph.name.upper()
    period_us = graph.period_s * 1e6
    lines = [f"#define {prefix}_TICK_PERIOD_US {round(period_us)} /* call {graph.name}_step once per period */"]
    if graph.slow_every > 1:
        lines.append(f"#define {prefix}_SLOW_EVERY {graph.slow_every} /* ticks per run of the slow section */")
    return "\n".join(lines)


def _struct(name: str, comment: str, members: list[tuple[str, str, str]]) -> str:
    lines = [*wrap_comment(comment), "typedef struct {"]
    for ctype, member, note in members:
        lines += wrap_comment(note, INDENT)
        lines.append(f"{INDENT}{ctype} {member};")
    return "\n".join([*lines, f"}} {name};"])


def _types(fixed: FixedGraph) -> list[str]:
    graph = fixed.graph
    name = graph.name
    result = []
    inputs = []
    for node in graph.inputs:
        if node.is_bool:
            note = node.note or "truth value"
        else:
            note = f"{node.note or node.name}; {node.per_count:.9g} {node.unit or '1'} per count, any value allowed"
        inputs.append((node.ctype, node.name, note))
    result.append(_struct(f"{name}_inputs", "Readings of one tick, raw counts.", inputs))
    outputs = []
    for output in graph.outputs:
        shown, proven = graph.nodes[output.signal], fixed.formats[output.signal]
        if shown.is_bool:
            note = shown.note or "truth value"
        else:
            scale = f"{float(proven.lsb):.9g} {shown.unit or '1'} per count"
            note = f"{shown.note or output.name}; {scale}, always in [{proven.low}, {proven.high}]"
        outputs.append((output.ctype, output.name, note))
    result.append(_struct(f"{name}_outputs", "What the controller says in one tick.", outputs))
    if graph.parameters:
        gains = [(fixed.formats[p.name].ctype, p.name, f"{p.note or p.name}; {describe(fixed, p.name)}") for p in graph.parameters]
        result.append(_struct(f"{name}_gains", f"Live gains; {name}_set_gains holds each inside its proven interval.", gains))
    memory = [(fixed.formats[n.name].ctype, n.name, f"{n.note or n.name}; {describe(fixed, n.name)}") for n in _memory(graph)]
    if graph.slow_every > 1:
        memory.append((_counter_type(graph), "slow_count", f"ticks since the slow section ran, 0 to {graph.slow_every - 1}"))
    if graph.parameters:
        memory.append((f"{name}_gains", "gains", "live gains"))
    comment = "All memory of one controller; there is no other, so any number of controllers can run."
    result.append(_struct(f"{name}_state", comment, memory or [("uint8_t", "unused", "this controller has no memory")]))
    return result


def _memory(graph: Graph) -> list[Node]:
    return [*graph.delays, *graph.sums]


def _counter_type(graph: Graph) -> str:
    return "uint8_t" if graph.slow_every <= 2**8 else "uint16_t" if graph.slow_every <= 2**16 else "uint32_t"


def _prototypes(fixed: FixedGraph) -> str:
    name = fixed.graph.name
    lines = [
        "/* Put a controller into its start state.  Call before the first step and whenever it shall start anew. */",
        f"void {name}_init({name}_state *state);",
        "",
    ]
    if fixed.graph.parameters:
        lines += [
            "/* Set the live gains, each held inside its proven interval; takes effect with the next step. */",
            f"void {name}_set_gains({name}_state *state, const {name}_gains *gains);",
            "",
        ]
    lines += [
        "/* Advance by one tick: read inputs, update state, write outputs.  The three must not overlap. */",
        f"void {name}_step({name}_state *state, const {name}_inputs *inputs, {name}_outputs *outputs);",
    ]
    return "\n".join(lines)


def _runtime(helpers: set[str]) -> str:
    """The helpers used, cut out of the runtime between their markers, in the runtime's order."""
    text = (templates_folder() / "runtime.c").read_text(encoding="utf-8")
    chunks = re.findall(r"/\*< (\w+) \*/\n(.*?)/\*> \*/", text, flags=re.DOTALL)
    known = {name for name, _ in chunks}
    if not helpers <= known:
        raise LookupError(f"runtime helpers missing: {sorted(helpers - known)}")
    return "\n".join(chunk for name, chunk in chunks if name in helpers)


def _tables(spelling: Spelling) -> str:
    lines = []
    for name, (ctype, values) in sorted(spelling.tables.items()):
        text = ", ".join(literal(value, 32) for value in values)
        lines += [f"static const {ctype} {name}[{len(values)}] = {{", *_broken(text, INDENT), "};", ""]
    return "\n".join(lines)


def _broken(text: str, indent: str) -> list[str]:
    """A long expression broken before an operator or after a comma, never inside a product."""
    lines: list[str] = []
    current = indent
    for word in re.split(r" (?=[-+?:] |&& |\|\| )|(?<=,) ", text):
        if len(current) + len(word) > WIDTH and current.strip():
            lines.append(current.rstrip())
            current = indent
        current += word + " "
    return [*lines, current.rstrip()]


def _init(fixed: FixedGraph) -> list[str]:
    graph = fixed.graph
    name = graph.name
    lines = [f"void {name}_init({name}_state *state)", "{"]
    for node in _memory(graph):
        if isinstance(node, SumOver):
            value = "0"
        elif node.is_bool:
            value = "true" if raw_value(fixed, node.name) else "false"
        else:
            raw = raw_value(fixed, node.name)
            value = literal(raw, 64 if fixed.formats[node.name].ctype == "int64_t" else 32) if raw else "0"
        lines.append(f"{INDENT}state->{node.name} = {value};")
    if graph.slow_every > 1:
        lines.append(f"{INDENT}state->slow_count = 0u;")
    lines += [f"{INDENT}state->gains.{p.name} = {literal(raw_value(fixed, p.name), 32)};" for p in graph.parameters]
    if len(lines) == 2:
        lines.append(f"{INDENT}state->unused = 0u;")
    return [*lines, "}", ""]


def _set_gains(fixed: FixedGraph, spelling: Spelling) -> list[str]:
    graph = fixed.graph
    if not graph.parameters:
        return []
    name = graph.name
    lines = [f"void {name}_set_gains({name}_state *state, const {name}_gains *gains)", "{"]
    for parameter in graph.parameters:
        detail, ctype = fixed.details[parameter.name], fixed.formats[parameter.name].ctype
        assert isinstance(detail, RawDetail)
        call = spelling.call("clamp", 32, f"(int32_t)gains->{parameter.name}", literal(detail.low, 32), literal(detail.high, 32))
        lines.append(f"{INDENT}state->gains.{parameter.name} = {call if ctype == 'int32_t' else f'({ctype}){call}'};")
    return [*lines, "}", ""]


def _statement(fixed: FixedGraph, spelling: Spelling, node: Node, errors: Mapping[str, float], indent: str) -> list[str]:
    """One signal: a comment with unit, format, proven range and error, and the statement that computes it."""
    note = f"{describe(fixed, node.name)}" if not node.is_bool else ""
    if node.name in errors and not node.is_bool and errors[node.name] > 1e-6:
        note += f", error <= {number(errors[node.name])} counts"
    said = ": ".join(part for part in (note, node.note) if part)
    ctype = fixed.formats[node.name].ctype
    if isinstance(node, SumOver):
        bits = 64 if ctype == "int64_t" else 32
        operand = spelling.names[node.operand]
        added = operand if fixed.formats[node.operand].ctype == f"int{bits}_t" else f"(int{bits}_t){operand}"
        # Held before it is used: legal memory is inside anyway, and a flipped bit must not leave the proven range.
        low, high = (literal(end, bits) for end in fixed.partial_sum_range(node))
        memory = f"state->{node.name}" if ctype == f"int{bits}_t" else f"(int{bits}_t)state->{node.name}"
        text = f"{spelling.call('clamp', bits, memory, low, high)} + {added}"
        text = text if ctype == f"int{bits}_t" else f"({ctype})({text})"
    else:
        text = RULES[type(node)](node, spelling)
    head = f"{indent}const {ctype} {node.name} = "
    lines = wrap_comment(said, indent) if said else []
    if len(head) + len(text) + 1 <= WIDTH:
        return [*lines, f"{head}{text};"]
    broken = _broken(text, indent + INDENT)
    return [*lines, head.rstrip(), *broken[:-1], f"{broken[-1]};"]


def _block(
    fixed: FixedGraph, spelling: Spelling, nodes: tuple[Node, ...], errors: Mapping[str, float], indent: str, section: str = ""
) -> list[str]:
    """Statements under their headings; ``section`` is the heading that stands already."""
    lines: list[str] = []
    for node in nodes:
        if node.section != section and node.section:
            section = node.section
            lines += ["", f"{indent}/* --- {section} --- */"]
        lines += _statement(fixed, spelling, node, errors, indent)
    return lines


def _step(fixed: FixedGraph, spelling: Spelling, errors: Mapping[str, float]) -> list[str]:
    graph = fixed.graph
    name = graph.name
    lines = [f"void {name}_step({name}_state *state, const {name}_inputs *inputs, {name}_outputs *outputs)", "{"]
    if not _memory(graph) and not graph.parameters:
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
    bits = 64 if proven.ctype == "int64_t" else 32
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
