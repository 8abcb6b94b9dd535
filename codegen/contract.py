"""The contract of an emitted controller: ranges, start values and the integer model, as JSON beside the C.

Takes a ``FixedGraph`` and its ``Emission``, gives one text.  A pure function: the same graph gives the same bytes.  What reads it
(the proof room) knows nothing of graphs; the names are those of the C text.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from typing import Any

from codegen.emit import Emission
from codegen.graph import (
    Clamp,
    Compare,
    Constant,
    Logic,
    Node,
    Product,
    Select,
    Shorten,
    SumOver,
    Table,
    WeightedSum,
    WrappedDifference,
)
from codegen.rules.fixed import (
    ClampDetail,
    CompareDetail,
    FixedGraph,
    ProductDetail,
    ShortenDetail,
    SumDetail,
    TableDetail,
    WrapDetail,
)
from codegen.rules.integer import raw_value
from codegen.rules.walk import WALKED, total

SCHEMA = 1
MODELS = ("LP64", "ILP32", "I16")
Fields = dict[str, Any]


def write_contract(fixed: FixedGraph, emission: Emission) -> str:
    """The contract as JSON text."""
    graph, name = fixed.graph, emission.name
    texts = {f"{name}.c": emission.source, f"{name}.h": emission.header}
    data = {
        "schema": SCHEMA,
        "name": name,
        "functions": {
            "init": f"{name}_init",
            "step": f"{name}_step",
            "set_gains": f"{name}_set_gains" if graph.parameters else None,
        },
        "text_sha256": {file: hashlib.sha256(text.encode()).hexdigest() for file, text in texts.items()},
        "models": list(MODELS),
        "inputs": [{"name": n.name, "ctype": n.ctype, "low": n.low, "high": n.high} for n in graph.inputs],
        "outputs": [_member(o.name, o.ctype, fixed.formats[o.signal].low, fixed.formats[o.signal].high) for o in graph.outputs],
        "state": _state(fixed),
        "gains": [_argument(fixed.formats[p.name].ctype, p.name) for p in graph.parameters],
        "model": _model(fixed),
    }
    return json.dumps(data, indent=1) + "\n"


def _member(name: str, ctype: str, low: int, high: int) -> Fields:
    return {"name": name, "ctype": ctype, "low": low, "high": high}


def _argument(ctype: str, name: str) -> Fields:
    """A new gain may be any value of its type; the setter holds it."""
    bits = int("".join(letter for letter in ctype if letter.isdigit()))
    return _member(name, ctype, -(1 << (bits - 1)), (1 << (bits - 1)) - 1)


def _state(fixed: FixedGraph) -> list[Fields]:
    graph, rows = fixed.graph, []
    for delay in graph.delays:
        proven = fixed.formats[delay.name]
        rows.append({**_member(delay.name, proven.ctype, proven.low, proven.high), "reset": raw_value(fixed, delay.name)})
    for node in graph.sums:
        # Memory is held before it is used, so that even a whole period's sum is a legal memory.
        proven = fixed.formats[node.name]
        rows.append({**_member(node.name, proven.ctype, min(0, proven.low), max(0, proven.high)), "reset": 0})
    if graph.slow_every > 1:
        bits = next(bits for bits in (8, 16, 32) if graph.slow_every <= 1 << bits)
        rows.append({**_member("slow_count", f"uint{bits}_t", 0, graph.slow_every - 1), "reset": 0})
    for parameter in graph.parameters:
        proven = fixed.formats[parameter.name]
        member = _member(f"gains.{parameter.name}", proven.ctype, proven.low, proven.high)
        rows.append({**member, "reset": raw_value(fixed, parameter.name)})
    if not rows:
        rows.append({**_member("unused", "uint8_t", 0, 255), "reset": 0})
    return rows


def _model(fixed: FixedGraph) -> Fields:
    graph = fixed.graph
    sums = {node.name: fixed.partial_sum_range(node) for node in graph.sums}
    return {
        "slow_every": graph.slow_every,
        "slow_counter": "slow_count" if graph.slow_every > 1 else None,
        "constants": [
            {"name": node.name, "value": raw_value(fixed, node.name)} for node in graph.nodes.values() if isinstance(node, Constant)
        ],
        "before": [_equation(fixed, node) for node in graph.before],
        "slow": [_equation(fixed, node) for node in graph.slow if not isinstance(node, SumOver)],
        "after": [_equation(fixed, node) for node in graph.after],
        "delays": [{"name": delay.name, "source": delay.source, "slow": delay.slow} for delay in graph.delays],
        "sums": [{"name": n.name, "operand": n.operand, "low": sums[n.name][0], "high": sums[n.name][1]} for n in graph.sums],
        "outputs": [{"name": output.name, "signal": output.signal} for output in graph.outputs],
    }


def _equation(fixed: FixedGraph, node: Node) -> Fields:
    return {"name": node.name, **EQUATIONS[type(node)](node, fixed.details[node.name])}


def _sum(node: WeightedSum, detail: SumDetail) -> Fields:
    return {
        "op": "sum",
        "operands": [term.name for term in node.terms],
        "weights": list(detail.weights),
        "bias": detail.bias,
        "shift": detail.shift,
        "low": detail.low,
        "high": detail.high,
    }


def _compare(node: Compare, detail: CompareDetail) -> Fields:
    return {
        "op": "compare",
        "operands": [term.name for term in node.terms],
        "weights": list(detail.weights),
        "relation": node.relation.value,
        "threshold": detail.threshold,
    }


def _clamp(node: Clamp, detail: ClampDetail) -> Fields:
    return {"op": "clamp", "operand": node.operand, "low": detail.low, "high": detail.high}


def _product(node: Product, detail: ProductDetail) -> Fields:
    fields = {"op": "product", "left": node.left, "right": node.right}
    return {**fields, "shift": detail.shift, "low": detail.low, "high": detail.high}


def _select(node: Select, _: object) -> Fields:
    return {"op": "select", "condition": node.condition, "if_true": node.if_true, "if_false": node.if_false}


def _logic(node: Logic, _: object) -> Fields:
    return {"op": "logic", "operands": list(node.arguments), "inverted": list(node.inverted), "any_of": node.any_of}


def _table(node: Table, detail: TableDetail) -> Fields:
    return {
        "op": "table",
        "operand": node.operand,
        "weight": detail.weight,
        "bias": detail.bias,
        "shift": detail.shift,
        "position_bits": detail.position_bits,
        "knots": list(detail.knots),
    }


def _wrapped_difference(node: WrappedDifference, detail: WrapDetail) -> Fields:
    return {"op": "wrapped_difference", "newer": node.newer, "older": node.older, "bits": detail.bits}


def _shorten(node: Shorten, detail: ShortenDetail) -> Fields:
    return {"op": "shorten", "operand": node.operand, "shift": detail.shift}


EQUATIONS: Mapping[type[Node], Callable[..., Fields]] = total(
    {
        WeightedSum: _sum,
        Clamp: _clamp,
        Product: _product,
        Select: _select,
        Compare: _compare,
        Logic: _logic,
        Table: _table,
        WrappedDifference: _wrapped_difference,
        Shorten: _shorten,
    },
    "the contract",
    WALKED,
)
