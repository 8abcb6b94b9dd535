"""The integer model of a contract as expressions: the proof room's own reading of what a controller shall compute.

Takes the contract's equations and a ``Dag`` with one variable per input and memory member, gives the value of every signal, of
every output and of all memory after one tick.  Shares no code with what reads the C.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from codegen.proof.contract import Equation, IntegerModel
from codegen.proof.dag import Dag, Node
from codegen.proof.refusal import Refusal


@dataclass(frozen=True)
class ModelTick:
    """One tick of the model.

    Attributes:
        signals: Value of every signal; those of the slow section as they are on a slow tick.
        slow_tick: Condition under which the slow section runs.
        after: Value of every output and memory member after the tick, by ``outputs.`` and ``state.`` names.
    """

    signals: Mapping[str, Node]
    slow_tick: Node
    after: Mapping[str, Node]


def build_model(model: IntegerModel, dag: Dag, start: Mapping[str, Node]) -> ModelTick:
    """Expressions of one tick.

    Args:
        model: The equations.
        dag: Where they are made.
        start: Variables of inputs (``inputs.NAME``) and memory (``state.NAME``, live gains ``state.gains.NAME``).

    Raises:
        Refusal: An equation names a signal that has no value yet.
    """
    builder = _Builder(model, dag, start)
    return builder.tick()


class _Builder:
    def __init__(self, model: IntegerModel, dag: Dag, start: Mapping[str, Node]) -> None:
        self._model = model
        self._dag = dag
        self._start = start
        self._signals: dict[str, Node] = {name: dag.const(value) for name, value in model.constants.items()}
        for key, node in start.items():
            prefix, _, name = key.partition(".")
            if prefix == "inputs":
                self._signals[name] = node
            elif name.startswith("gains."):
                self._signals[name.removeprefix("gains.")] = node
        for name, _, _ in model.delays:
            self._signals[name] = start[f"state.{name}"]

    def tick(self) -> ModelTick:
        model, dag = self._model, self._dag
        self._run(model.before)
        slow_tick = dag.const(1)
        after: dict[str, Node] = {}
        if model.slow_counter is not None:
            count = self._start[f"state.{model.slow_counter}"]
            slow_tick = dag.nonnegative(dag.shifted(count, 1 - model.slow_every))
            after[f"state.{model.slow_counter}"] = dag.select(slow_tick, dag.const(0), dag.shifted(count, 1))
        for name, operand, low, high in model.sums:
            held = self._clamped(self._start[f"state.{name}"], low, high)
            self._signals[name] = dag.add(held, self._signal(operand))
            after[f"state.{name}"] = dag.select(slow_tick, dag.const(0), self._signals[name])
        self._run(model.slow)
        kept = {name: self._signal(source) for name, source, slow in model.delays if slow}
        for name, value in kept.items():
            self._signals[name] = dag.select(slow_tick, value, self._signals[name])
            after[f"state.{name}"] = self._signals[name]
        self._run(model.after)
        for name, source, slow in model.delays:
            if not slow:
                after[f"state.{name}"] = self._signal(source)
        for name, signal in model.outputs:
            after[f"outputs.{name}"] = self._signal(signal)
        return ModelTick(self._signals, slow_tick, after)

    def _run(self, equations: Sequence[Equation]) -> None:
        for equation in equations:
            self._signals[equation.name] = getattr(self, f"_{equation.operation}")(equation)

    def _signal(self, name: str) -> Node:
        if name not in self._signals:
            raise Refusal("contract.model", f"{name} is used before it has a value")
        return self._signals[name]

    def _clamped(self, node: Node, low: int | None, high: int | None) -> Node:
        if low is None or high is None:
            return node
        return self._dag.most(self._dag.least(node, high), low)

    def _rounded(self, node: Node, shift: int) -> Node:
        return self._dag.shift(self._dag.shifted(node, 1 << (shift - 1)), shift) if shift else node

    def _weighted(self, equation: Equation, constant: int) -> Node:
        weights, operands = equation.fields["weights"], equation.fields["operands"]
        return self._dag.linear([(weight, self._signal(name)) for weight, name in zip(weights, operands, strict=True)], constant)

    def _limited(self, equation: Equation, node: Node) -> Node:
        return self._clamped(self._rounded(node, equation.fields["shift"]), equation.fields["low"], equation.fields["high"])

    def _sum(self, equation: Equation) -> Node:
        return self._limited(equation, self._weighted(equation, equation.fields["bias"]))

    def _product(self, equation: Equation) -> Node:
        left, right = self._signal(equation.fields["left"]), self._signal(equation.fields["right"])
        return self._limited(equation, self._dag.product(left, right))

    def _clamp(self, equation: Equation) -> Node:
        return self._clamped(self._signal(equation.fields["operand"]), equation.fields["low"], equation.fields["high"])

    def _compare(self, equation: Equation) -> Node:
        dag, beyond = self._dag, self._weighted(equation, -equation.fields["threshold"])
        match equation.fields["relation"]:
            case ">":
                condition = dag.nonnegative(dag.shifted(beyond, -1))
            case ">=":
                condition = dag.nonnegative(beyond)
            case _:
                condition = dag.negation(dag.zero(beyond))
        return dag.truth(condition)

    def _select(self, equation: Equation) -> Node:
        condition, if_true, if_false = (self._signal(equation.fields[key]) for key in ("condition", "if_true", "if_false"))
        return self._dag.select(self._dag.holds(condition), if_true, if_false)

    def _logic(self, equation: Equation) -> Node:
        dag = self._dag
        parts = [dag.holds(self._signal(name)) for name in equation.fields["operands"]]
        turned = [dag.negation(one) if inverted else one for one, inverted in zip(parts, equation.fields["inverted"], strict=True)]
        return dag.truth(dag.any_of(turned) if equation.fields["any_of"] else dag.all_of(turned))

    def _table(self, equation: Equation) -> Node:
        dag, fields = self._dag, equation.fields
        knots, bits = fields["knots"], fields["position_bits"]
        wide = dag.linear(((fields["weight"], self._signal(fields["operand"])),), fields["bias"])
        position = self._clamped(self._rounded(wide, fields["shift"]), 0, (len(knots) - 1) << bits)
        index = dag.least(dag.shift(position, bits), len(knots) - 2)
        left, right = dag.entry(knots, index), dag.entry(knots, dag.shifted(index, 1))
        rise = dag.product(dag.subtract(right, left), dag.linear(((1, position), (-(1 << bits), index))))
        return dag.add(left, self._rounded(rise, bits))

    def _wrapped_difference(self, equation: Equation) -> Node:
        dag, bits = self._dag, equation.fields["bits"]
        half = 1 << (bits - 1)
        newer, older = self._signal(equation.fields["newer"]), self._signal(equation.fields["older"])
        turned = dag.linear(((1, newer), (-1, older)), half)
        return dag.shifted(dag.residue(turned, bits), -half)

    def _shorten(self, equation: Equation) -> Node:
        return self._rounded(self._signal(equation.fields["operand"]), equation.fields["shift"])
