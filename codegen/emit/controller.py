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
from codegen.emit.step import INDENT, break_expression, memory_members, write_step
from codegen.graph import Graph, SumOver
from codegen.resources import templates_folder
from codegen.rules.ctext import Spelling, literal
from codegen.rules.fixed import FixedGraph, RawDetail
from codegen.rules.integer import raw_value
from codegen.version import VERSION


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
    step = write_step(fixed, spelling, error_counts or {})
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
    memory = [(fixed.formats[n.name].ctype, n.name, f"{n.note or n.name}; {describe(fixed, n.name)}") for n in memory_members(graph)]
    if graph.slow_every > 1:
        memory.append((_counter_type(graph), "slow_count", f"ticks since the slow section ran, 0 to {graph.slow_every - 1}"))
    if graph.parameters:
        memory.append((f"{name}_gains", "gains", "live gains"))
    comment = "All memory of one controller; there is no other, so any number of controllers can run."
    result.append(_struct(f"{name}_state", comment, memory or [("uint8_t", "unused", "this controller has no memory")]))
    return result


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
        lines += [f"static const {ctype} {name}[{len(values)}] = {{", *break_expression(text, INDENT), "};", ""]
    return "\n".join(lines)


def _init(fixed: FixedGraph) -> list[str]:
    graph = fixed.graph
    name = graph.name
    lines = [f"void {name}_init({name}_state *state)", "{"]
    for node in memory_members(graph):
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
