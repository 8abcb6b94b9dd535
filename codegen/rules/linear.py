"""Linear meaning of every node kind: each signal as a weighted sum of memory, inputs and rounding errors.

Takes a graph and a regime (which truth values hold), gives for an ordinary and for a slow tick the matrices of the map that the
controller is while no clamp acts.  A node that is not linear there is refused by name.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.errors import GraphError
from codegen.graph import (
    Clamp,
    Compare,
    Constant,
    Delay,
    Graph,
    Logic,
    Node,
    Parameter,
    Product,
    Select,
    Shorten,
    SumOver,
    Table,
    WeightedSum,
    WrappedDifference,
)
from codegen.rules.walk import WALKED, total

Form = dict[str, float]
Regime = Mapping[str, bool]
ONE = "1"


def error_symbol(name: str) -> str:
    """Symbol of the rounding error that node ``name`` adds."""
    return f"error of {name}"


def _combine(pairs: list[tuple[float, Form]], bias: float = 0.0) -> Form:
    result: Form = {ONE: bias} if bias else {}
    for weight, form in pairs:
        for symbol, coefficient in form.items():
            result[symbol] = result.get(symbol, 0.0) + weight * coefficient
    return result


def _sum(node: WeightedSum, forms: Mapping[str, Form], regime: Regime) -> Form:
    form = _combine([(term.weight, forms[term.name]) for term in node.terms], node.bias)
    form[error_symbol(node.name)] = 1.0
    return form


def _clamp(node: Clamp, forms: Mapping[str, Form], regime: Regime) -> Form:
    return forms[node.operand]


def _product(node: Product, forms: Mapping[str, Form], regime: Regime) -> Form:
    for factor, other in ((node.left, node.right), (node.right, node.left)):
        if set(forms[factor]) <= {ONE}:
            form = _combine([(node.scale * forms[factor].get(ONE, 0.0), forms[other])])
            form[error_symbol(node.name)] = 1.0
            return form
    raise GraphError("a product of two signals is not linear", node.name, "no linear bound exists for it")


def _select(node: Select, forms: Mapping[str, Form], regime: Regime) -> Form:
    if node.condition not in regime:
        raise GraphError(f"the regime does not say whether {node.condition} holds", node.name, "add it to the regime")
    return forms[node.if_true if regime[node.condition] else node.if_false]


def _truth(node: Compare | Logic, forms: Mapping[str, Form], regime: Regime) -> Form:
    return {}


def _table(node: Table, forms: Mapping[str, Form], regime: Regime) -> Form:
    raise GraphError("a table is not linear", node.name, "no linear bound exists for it")


def _wrapped(node: WrappedDifference, forms: Mapping[str, Form], regime: Regime) -> Form:
    return _combine([(1.0, forms[node.newer]), (-1.0, forms[node.older])])


def _shorten(node: Shorten, forms: Mapping[str, Form], regime: Regime) -> Form:
    return _combine([(1.0, forms[node.operand])]) | {error_symbol(node.name): 1.0}


RULES: Mapping[type[Node], Callable[..., Form]] = total(
    {
        WeightedSum: _sum,
        Clamp: _clamp,
        Product: _product,
        Select: _select,
        Compare: _truth,
        Logic: _truth,
        Table: _table,
        WrappedDifference: _wrapped,
        Shorten: _shorten,
    },
    "linear forms",
    WALKED,
)


@dataclass(frozen=True)
class LinearMap:
    """x' = A x + B u + E e, y = C x + D u + F e for one kind of tick.

    Attributes:
        A: (n, n) memory to memory.
        B: (n, m) inputs to memory.
        E: (n, r) rounding errors to memory.
        C: (p, n), D: (p, m), F: (p, r): the same for the chosen signals.
    """

    A: NDArray[np.float64]
    B: NDArray[np.float64]
    E: NDArray[np.float64]
    C: NDArray[np.float64]
    D: NDArray[np.float64]
    F: NDArray[np.float64]


@dataclass(frozen=True)
class LinearController:
    """The controller while no clamp acts.

    Attributes:
        states: Names of the n memory cells (delays, then sums of the slow period).
        inputs: Names of the m inputs.
        errors: Names of the r nodes that add a rounding error.
        signals: Names of the p signals observed.
        ordinary: Map of an ordinary tick.
        outer: Map of a slow tick (equal to ``ordinary`` where there is no slow section).
        slow_every: Ticks per slow period.
    """

    states: tuple[str, ...]
    inputs: tuple[str, ...]
    errors: tuple[str, ...]
    signals: tuple[str, ...]
    ordinary: LinearMap
    outer: LinearMap
    slow_every: int


def _needed(graph: Graph, regime: Regime, signals: tuple[str, ...]) -> set[str]:
    """Numbers on which ``signals`` depend in the regime, through memory too."""
    needed: set[str] = set()
    waiting = list(signals)
    while waiting:
        name = waiting.pop()
        node = graph.nodes[name]
        if name in needed or node.is_bool:
            continue
        needed.add(name)
        if isinstance(node, Delay):
            waiting.append(node.source)
        elif isinstance(node, Select) and node.condition in regime:
            waiting.append(node.if_true if regime[node.condition] else node.if_false)
        else:
            waiting += node.operands()
    return needed


def linearise_graph(graph: Graph, regime: Regime, signals: tuple[str, ...]) -> LinearController:
    """Linear maps of ``graph`` in ``regime`` (truth value by name of the conditions of selects).

    Raises:
        GraphError: A signal on the way is not linear, or the regime leaves a condition open.
    """
    needed = _needed(graph, regime, signals)
    delays = [delay for delay in graph.delays if delay.name in needed]
    sums = [node for node in graph.sums if node.name in needed]
    states = tuple(delay.name for delay in delays) + tuple(node.name for node in sums)
    inputs = tuple(node.name for node in graph.inputs if node.name in needed)
    rounding = (WeightedSum, Product, Shorten)
    errors = tuple(node.name for node in graph.nodes.values() if isinstance(node, rounding) and node.name in needed)
    columns = {f"state {name}": place for place, name in enumerate(states)}
    columns |= {f"input {name}": len(states) + place for place, name in enumerate(inputs)}
    columns |= {error_symbol(name): len(states) + len(inputs) + place for place, name in enumerate(errors)}
    n, m, width = len(states), len(inputs), len(columns)

    def leaf(node: Node) -> Form:
        if isinstance(node, Constant | Parameter):
            return {ONE: node.value}
        if isinstance(node, Delay):
            return {f"state {node.name}": 1.0}
        return {f"input {node.name}": 1.0}

    def row(form: Form) -> NDArray[np.float64]:
        result = np.zeros(width)
        for symbol, coefficient in form.items():
            if symbol != ONE:
                result[columns[symbol]] += coefficient
        return result

    def compute(slow_tick: bool) -> LinearMap:
        forms = {name: leaf(node) for name, node in graph.nodes.items() if name in needed and type(node) in WALKED - {SumOver}}

        def run(nodes: tuple[Node, ...]) -> None:
            for node in nodes:
                if node.name not in needed:
                    continue
                if isinstance(node, SumOver):
                    forms[node.name] = _combine([(1.0, {f"state {node.name}": 1.0}), (1.0, forms[node.operand])])
                else:
                    forms[node.name] = RULES[type(node)](node, forms, regime)

        run(graph.before)
        rows: dict[str, Form] = {}
        if slow_tick:
            run(graph.slow)
            rows |= {delay.name: forms[delay.source] for delay in delays if delay.slow}
            forms |= rows
            rows |= {node.name: {} for node in sums}
        else:
            rows |= {delay.name: forms[delay.name] for delay in delays if delay.slow}
            for node in sums:
                rows[node.name] = _combine([(1.0, {f"state {node.name}": 1.0}), (1.0, forms[node.operand])])
        run(graph.after)
        rows |= {delay.name: forms[delay.source] for delay in delays if not delay.slow}
        memory = np.array([row(rows[name]) for name in states]).reshape(n, width)
        seen = np.array([row(forms.get(name, {})) for name in signals]).reshape(len(signals), width)
        return LinearMap(
            memory[:, :n], memory[:, n : n + m], memory[:, n + m :], seen[:, :n], seen[:, n : n + m], seen[:, n + m :]
        )

    has_slow = graph.slow_every > 1
    ordinary = compute(slow_tick=False)
    return LinearController(
        states, inputs, errors, signals, ordinary, compute(slow_tick=True) if has_slow else ordinary, graph.slow_every
    )
