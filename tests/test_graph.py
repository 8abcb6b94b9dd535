"""The graph's check: every refusal by its message, the order of nodes, and the slow section by a hand-computed example."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import pytest

from codegen.errors import GraphError
from codegen.graph import Graph, GraphBuilder, Input, Node, Output, Relation, WeightedSum, check_graph
from codegen.graph.nodes import Compare, Constant, Delay, Logic, Term
from codegen.rules.real import read_real


def _builder(slow_every: int = 1) -> tuple[GraphBuilder, str, str]:
    """A graph with a number ``x`` and a truth value ``go``."""
    graph = GraphBuilder("loop", 0.001, slow_every)
    return graph, graph.input("x", "int16_t", 0.5, "rad"), graph.input("go", "bool")


def _finish(graph: GraphBuilder, signal: str, ctype: str = "int16_t") -> Graph:
    graph.output("out", signal, ctype)
    return graph.finish()


def _raw(*nodes: Node, output: str = "y", ctype: str = "int16_t", name: str = "loop", period_s: float = 0.001) -> Graph:
    x = Input(name="x", ctype="int16_t", quantity="x", per_count=1.0, low=-(2**15), high=2**15 - 1)
    y = WeightedSum(name="y", terms=(Term(1.0, "x"),), resolution=1.0)
    own = {node.name for node in nodes}
    base = [node for node in (x, y) if node.name not in own]
    return check_graph(name, name, period_s, 1, [*base, *nodes], [Output("out", output, "out", ctype)])


def _sum_with_nan() -> Graph:
    return _raw(WeightedSum(name="y", terms=(Term(math.nan, "x"),), resolution=1.0))


def _two_names() -> Graph:
    graph, x, _ = _builder()
    graph.weighted_sum("y", [(1.0, x)])
    graph.weighted_sum("y", [(2.0, x)])
    return graph.finish()


def _two_names_unbuilt() -> Graph:
    y = WeightedSum(name="y", terms=(Term(1.0, "x"),), resolution=1.0)
    return check_graph("loop", "", 0.001, 1, [y, y], [])


def _unknown_kind() -> Graph:
    @dataclass(frozen=True, kw_only=True)
    class Mystery(Node):
        pass

    return _raw(Mystery(name="m"))


def _bad_sum(terms: Callable[[str, str], list[tuple[float, str]]]) -> Callable[[], Graph]:
    def write() -> Graph:
        graph, x, go = _builder()
        return _finish(graph, graph.weighted_sum("y", terms(x, go), resolution=1.0))

    return write


def _write(use: Callable[[GraphBuilder, str, str], str], ctype: str = "int16_t", slow_every: int = 1) -> Callable[[], Graph]:
    def write() -> Graph:
        graph, x, go = _builder(slow_every)
        return _finish(graph, use(graph, x, go), ctype)

    return write


def _two_outputs() -> Graph:
    graph, x, _ = _builder()
    graph.output("out", x, "int16_t")
    graph.output("out", x, "int16_t")
    return graph.finish()


def _connect_twice(graph: GraphBuilder, x: str, go: str) -> str:
    last = graph.delay("last", source=x)
    graph.connect(last, x)
    return last


def _cycle(graph: GraphBuilder, x: str, go: str) -> str:
    first = graph.weighted_sum("first", [(0.5, "second"), (1.0, x)])
    graph.weighted_sum("second", [(0.5, first)])
    return graph.weighted_sum("y", [(1.0, first)], resolution=1.0)


def _slow_cycle(graph: GraphBuilder, x: str, go: str) -> str:
    with graph.section("outer", slow=True):
        kept = graph.delay("kept")
    y = graph.weighted_sum("y", [(0.5, kept), (1.0, x)], resolution=1.0)
    graph.connect(kept, y)
    return y


def _fast_reads_slow(graph: GraphBuilder, x: str, go: str) -> str:
    with graph.section("outer", slow=True):
        total = graph.sum_over("total", x)
        graph.delay("kept", source=total)
    return graph.weighted_sum("y", [(1.0, total)], resolution=1.0)


def _output_slow(graph: GraphBuilder, x: str, go: str) -> str:
    with graph.section("outer", slow=True):
        total = graph.sum_over("total", x)
        graph.delay("kept", source=total)
    return total


def _fast_delay_of_slow(graph: GraphBuilder, x: str, go: str) -> str:
    with graph.section("outer", slow=True):
        total = graph.sum_over("total", x)
        graph.delay("kept", source=total)
    return graph.delay("last", source=total)


def _sum_of_slow(graph: GraphBuilder, x: str, go: str) -> str:
    with graph.section("outer", slow=True):
        return graph.delay("kept", source=graph.sum_over("again", graph.sum_over("total", x)))


def _fast_sum_over(graph: GraphBuilder, x: str, go: str) -> str:
    return graph.sum_over("total", x)


def _slow_without_section(graph: GraphBuilder, x: str, go: str) -> str:
    with graph.section("outer", slow=True):
        return graph.delay("kept", source=x)


def _dead(graph: GraphBuilder, x: str, go: str) -> str:
    graph.weighted_sum("idle", [(1.0, x)])
    return x


def _wrapped_of_sum(graph: GraphBuilder, x: str, go: str) -> str:
    y = graph.weighted_sum("y", [(1.0, x)], resolution=0.5)
    return graph.wrapped_difference("turned", y, graph.delay("last", source=y), 16)


def _no_input() -> Graph:
    one = Constant(name="x", value=1.0)
    return _raw(one)


REFUSED: dict[str, tuple[Callable[[], Graph], str]] = {
    "number not finite": (_sum_with_nan, "y: a number is not finite"),
    "name twice": (_two_names, "y: two signals have the same name"),
    "name twice, unbuilt": (_two_names_unbuilt, "y: two signals have the same name"),
    "unknown kind": (_unknown_kind, "m: Mystery is no node kind"),
    "bad signal name": (lambda: _raw(Constant(name="Bad", value=1.0)), "'Bad': a signal name must match"),
    "bad note": (lambda: _raw(Constant(name="c", value=1.0, note="*/")), "c: unit or note cannot stand in a C comment"),
    "bad unit": (lambda: _raw(Constant(name="c", value=1.0, unit="/*")), "c: unit or note cannot stand in a C comment"),
    "bad graph name": (lambda: _raw(name="9"), "9: the graph needs a name"),
    "bad period": (lambda: _raw(period_s=0.0), "loop: the graph needs a name, a positive period"),
    "resolution": (
        _write(lambda g, x, go: g.weighted_sum("y", [(1.0, x)], resolution=-1.0)),
        "y: resolution must be positive",
    ),
    "unknown operand": (_bad_sum(lambda x, go: [(1.0, "ghost")]), "y: operand ghost does not exist"),
    "input type": (_write(lambda g, x, go: g.input("z", "int64_t")), "z: input type, range and value per count do not fit"),
    "value per count": (_write(lambda g, x, go: g.input("z", "int16_t", 0.0)), "z: input type, range and value per count"),
    "gain interval": (_write(lambda g, x, go: g.parameter("k", 3.0, 0.0, 1.0)), "k: a live gain needs low <= value <= high"),
    "truth in sum": (_bad_sum(lambda x, go: [(1.0, go)]), "y: a weighted sum cannot take a truth value"),
    "signal twice": (_bad_sum(lambda x, go: [(1.0, x), (2.0, x)]), "y: a signal stands twice in one sum"),
    "empty sum": (_bad_sum(lambda x, go: []), "y: a sum needs at least one operand"),
    "zero weight": (_bad_sum(lambda x, go: [(0.0, x)]), "y: a weight of zero does nothing"),
    "zero weight compared": (_write(lambda g, x, go: g.compare("c", [(0.0, x)], ">", 1.0), "bool"), "c: a weight of zero"),
    "product of truth": (_write(lambda g, x, go: g.product("p", x, go)), "p: a product takes two numbers and a positive scale"),
    "product scale": (_write(lambda g, x, go: g.product("p", x, x, scale=0.0)), "p: a product takes two numbers and a positive"),
    "clamp of truth": (_write(lambda g, x, go: g.clamp("c", go, 0.0, 1.0), "bool"), "c: the operand must be a number"),
    "select without truth": (_write(lambda g, x, go: g.select("s", x, x, x)), "s: the condition of a select must be a truth"),
    "select of two kinds": (_write(lambda g, x, go: g.select("s", go, x, go)), "s: both branches of a select must be of"),
    "logic of number": (_write(lambda g, x, go: g.all_of("l", x), "bool"), "l: logic takes truth values"),
    "logic without operands": (_write(lambda g, x, go: g.any_of("l"), "bool"), "l: logic takes truth values"),
    "logic not a truth": (
        lambda: _raw(Logic(name="l", arguments=("y",), inverted=(False,), any_of=True)),
        "l: logic takes truth values",
    ),
    "comparison not a truth": (
        lambda: _raw(Compare(name="c", terms=(Term(1.0, "x"),), relation=Relation.GREATER, threshold=0.0)),
        "c: a comparison is a truth value",
    ),
    "delay unconnected": (_write(lambda g, x, go: g.delay("last")), r"last: the delay's source \(none\) does not exist"),
    "delay of another kind": (_write(lambda g, x, go: g.delay("last", "bool", source=x), "bool"), "last: a delay and its source"),
    "connected twice": (_write(_connect_twice), "last: only an unconnected delay can be connected"),
    "crossed limits": (
        _write(lambda g, x, go: g.weighted_sum("y", [(1.0, x)], limits=(1.0, -1.0), resolution=1.0)),
        "y: limits are crossed",
    ),
    "one limit": (
        lambda: _raw(WeightedSum(name="y", terms=(Term(1.0, "x"),), low=0.0, resolution=1.0)),
        "y: limits are crossed, or only one is given",
    ),
    "short table": (_write(lambda g, x, go: g.table("t", x, 0.0, 1.0, [1.0])), "t: a table needs a positive step"),
    "table step": (_write(lambda g, x, go: g.table("t", x, 0.0, 0.0, [1.0, 2.0])), "t: a table needs a positive step"),
    "wrapped difference of a sum": (_write(_wrapped_of_sum), "turned: a wrapped difference takes one raw counter"),
    "cycle": (_write(_cycle), "signals depend on each other within one tick: .*first"),
    "cycle through the slow section": (_write(_slow_cycle, slow_every=3), "signals depend on each other within one tick: .*y"),
    "slow without section": (_write(_slow_without_section), "kept: a slow signal in a graph without a slow section"),
    "section without memory": (_write(lambda g, x, go: x, slow_every=3), "loop: the slow section has no slow delay"),
    "fast reads slow": (_write(_fast_reads_slow, slow_every=3), "y: a fast signal reads the slow signal total"),
    "fast delay of slow": (_write(_fast_delay_of_slow, slow_every=3), "last: a fast delay cannot be written by a slow signal"),
    "sum of a slow signal": (_write(_sum_of_slow, slow_every=3), "again: a sum over the slow period takes a fast signal"),
    "sum outside the section": (_write(_fast_sum_over), "total: a sum over the slow period takes a fast signal and is itself"),
    "no output": (lambda: _builder()[0].finish(), "loop: the graph has no output"),
    "no input": (_no_input, "loop: the graph has no input"),
    "unused signal": (_write(_dead), "idle: nothing reads this signal"),
    "output of nothing": (_write(lambda g, x, go: "ghost"), "out: output shows unknown signal ghost"),
    "output of slow": (_write(_output_slow, slow_every=3), "out: an output shows a slow signal"),
    "output type": (_write(lambda g, x, go: go), "out: output type int16_t does not fit the signal"),
    "output without resolution": (
        _write(lambda g, x, go: g.weighted_sum("y", [(1.0, x)])),
        "y: an output needs a resolution",
    ),
    "two outputs": (_two_outputs, "loop: two outputs have the same name"),
}


@pytest.mark.parametrize("case", sorted(REFUSED))
def test_malformed_graph_is_refused_by_name(case: str) -> None:
    """Each fault has its own message that starts with the signal at fault."""
    write, message = REFUSED[case]
    with pytest.raises(GraphError, match=f"^{message}") as caught:
        write()
    assert caught.value.what and caught.value.exit_status == 2


def test_nodes_are_ordered_by_need_and_otherwise_as_written() -> None:
    """Operands come first; where nothing forces an order the designer's stands; fast nodes split around the slow section."""
    graph, x, _ = _builder(2)
    late = graph.weighted_sum("late", [(1.0, "kept"), (1.0, "early_two")], resolution=1.0)
    graph.weighted_sum("early_two", [(1.0, "early_one")])
    graph.weighted_sum("early_one", [(1.0, x)])
    graph.weighted_sum("early_three", [(2.0, x)])
    with graph.section("outer", slow=True):
        mean = graph.weighted_sum("mean", [(0.5, graph.sum_over("total", "early_three"))])
        graph.delay("kept", source=mean)
    built = _finish(graph, late)
    assert [node.name for node in built.before] == ["early_one", "early_two", "early_three"]
    assert [node.name for node in built.slow] == ["total", "mean"]
    assert [node.name for node in built.after] == ["late"]
    assert list(built.nodes)[:2] == ["x", "go"]


def test_slow_section_runs_on_every_third_tick() -> None:
    """Hand-computed: sums restart, slow memory holds between, slow nodes read the old and fast nodes the new value."""
    graph, x, _ = _builder(3)
    with graph.section("outer", slow=True):
        kept = graph.delay("kept", initial=100.0)
        total = graph.sum_over("total", x)
        level = graph.weighted_sum("level", [(1.0, total), (0.5, kept)])
        graph.connect(kept, level)
        older = graph.delay("older", source=kept)
    shown = graph.weighted_sum("shown", [(1.0, kept), (10.0, older)], resolution=1.0)
    reading = read_real(_finish(graph, shown, "int32_t"))
    memory = reading.start()
    seen = []
    for tick in range(7):
        values = reading.tick(memory, {"x": float(tick + 1), "go": True})
        seen.append(values["shown"])
        assert ("level" in values) == (tick in (2, 5))
    # Ticks 1, 2: 100 + 0.  Tick 3: level = (1+2+3) + 50 = 56, older = 100.  Tick 6: (4+5+6) + 28 = 43, older = 56.
    assert seen == [100.0, 100.0, 1056.0, 1056.0, 1056.0, 603.0, 603.0]
    assert memory.count == 1 and memory.sums == {"total": 7.0}


def test_delays_of_delays_move_together() -> None:
    """A chain of delays shifts by one place per tick, whatever the order in which it is declared."""
    graph, x, _ = _builder()
    third = graph.delay("third", source="second")
    graph.delay("second", source="first")
    graph.delay("first", source=x)
    reading = read_real(_finish(graph, third))
    memory = reading.start()
    seen = [reading.tick(memory, {"x": float(value), "go": False})["third"] for value in range(1, 7)]
    assert seen == [0.0, 0.0, 0.0, 1.0, 2.0, 3.0]


def test_delay_is_a_node_without_operands() -> None:
    """A delay breaks a cycle: it reads nothing within the tick."""
    assert Delay(name="d", source="y").operands() == ()
