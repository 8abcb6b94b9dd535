"""The float64 reference of a graph at the controls, and how far the emitted integers fly from it.

Takes: a graph, a plant. Gives: flights of the reference and checks of integer against reference. The reference runs in
Python, some 15-30 us a tick, so its flights are kept to a minute or two.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from cffi import FFI

from codegen.errors import CheckFailed
from codegen.flight.checks import FlightCheck, all_of, at_most
from codegen.flight.disturb import RECOVERY_SHARE, recovery_of
from codegen.flight.stand import HOLD_S, SEEDS, StepFactory, is_up
from codegen.flight.terms import FlightTerms
from codegen.graph import Graph
from codegen.plant import AnyPlant, Flight, Plant, Scenario, StepFunction, fly, fly_any
from codegen.rules.real import read_real, real_inputs

LARGEST_DIFFERENCE = 0.02


class ReferenceStep:
    """The reference as a step function for one flight.

    Inputs are taken in the graph's order, outputs shown in its order; a number is shown as the nearest count (halves up), a truth
    value as 0 or 1.
    """

    def __init__(self, graph: Graph) -> None:
        self._reading = read_real(graph)
        self._memory = self._reading.start()
        self._inputs = [node.name for node in graph.inputs]
        self._outputs = [(output.signal, _resolution(graph, output.signal)) for output in graph.outputs]
        self._failure: Exception | None = None
        self._ffi = FFI()
        self._callback: Any = self._ffi.callback("void (void *, const int32_t *, int32_t *)", self._step)

    def _step(self, _: Any, inputs: Any, outputs: Any) -> None:
        # An exception cannot pass through the simulator's C: keep it, and command nothing from then on.
        if self._failure is not None:
            return
        try:
            counts = {name: int(inputs[place]) for place, name in enumerate(self._inputs)}
            values = self._reading.tick(self._memory, real_inputs(self._reading.graph, counts))
            for place, (signal, resolution) in enumerate(self._outputs):
                outputs[place] = math.floor(values[signal] / resolution + 0.5)
        except (ArithmeticError, KeyError, ValueError) as failure:
            self._failure = failure

    def step_function(self) -> StepFunction:
        """What the simulator calls; keeps this object alive."""
        return StepFunction(int(self._ffi.cast("uintptr_t", self._callback)), 0, self)

    def confirm(self) -> None:
        """Say so if the reference failed during a flight.

        Raises:
            CheckFailed: It did.
        """
        if self._failure is not None:
            raise CheckFailed(f"the float64 reference fails in flight: {self._failure!r}", self._reading.graph.name)


def _resolution(graph: Graph, signal: str) -> float:
    """Real value of one count of an output; 1 for truth values."""
    node = graph.nodes[signal]
    seen = set()
    while not node.is_bool and node.resolution is None:
        # Selects, clamps and delays carry the resolution of what they pass on.
        per_count = getattr(node, "per_count", None)
        if per_count is not None:
            return float(per_count)
        seen.add(node.name)
        following = next((name for name in node.operands() if name not in seen and not graph.nodes[name].is_bool), None)
        if following is None:
            raise CheckFailed("an output has no resolution", signal)
        node = graph.nodes[following]
    return 1.0 if node.is_bool or node.resolution is None else node.resolution


def fly_reference(plant: AnyPlant, graph: Graph, scenario: Scenario) -> Flight:
    """A flight with the float64 reference at the controls.

    Raises:
        CheckFailed: The reference fails on the way.
    """
    reference = ReferenceStep(graph)
    flight = fly_any(plant, reference.step_function(), scenario)
    reference.confirm()
    return flight


def comparison_scenarios(
    plant: Plant, terms: FlightTerms, seconds: float, seeds: tuple[int, ...] = SEEDS
) -> tuple[list[Scenario], Scenario]:
    """Flights at rest with ``seconds`` of statistics each, one per seed, and one with a poke of 30 % of the bound."""
    rest = Scenario(
        terms.settling_s + seconds,
        tilt_rad=-terms.offset_rad,
        hold_s=HOLD_S,
        arm_s=HOLD_S,
        balance_offset_rad=terms.offset_rad,
        gyro_bias_rad_s=terms.gyro_bias_rad_s,
        statistics_from_s=terms.settling_s,
    )
    poke_s = HOLD_S + 2.0
    poked = Scenario(
        poke_s + 2.0,
        hold_s=HOLD_S,
        arm_s=HOLD_S,
        pokes=((poke_s, RECOVERY_SHARE * terms.poke_n_m_s),),
        balance_offset_rad=0.0,
        gyro_bias_rad_s=0.0,
        record_every=1,
    )
    return [replace(rest, seed=seed) for seed in seeds], poked


@dataclass(frozen=True)
class Comparison:
    """Integer and float64 over the same seeds; pairs (integer, float64), SI units.

    Attributes:
        all_up: Whether all flights ended standing and armed.
        tilt_rms_rad, torque_rms_n_m: Pooled over the seeds.
        wheel_mean_rad_s: Mean over the seeds.
        peak_rad: Largest tilt after the poke.
    """

    all_up: bool
    tilt_rms_rad: tuple[float, float]
    wheel_mean_rad_s: tuple[float, float]
    torque_rms_n_m: tuple[float, float]
    peak_rad: tuple[float, float]

    def differences(self) -> dict[str, float]:
        """Figure to |integer - float64| / |float64|."""
        pairs = {
            "tilt RMS": self.tilt_rms_rad,
            "mean wheel speed": self.wheel_mean_rad_s,
            "torque RMS": self.torque_rms_n_m,
            "peak tilt after a poke": self.peak_rad,
        }
        return {name: _relative(integer, real) for name, (integer, real) in pairs.items()}


def _relative(integer: float, real: float) -> float:
    """|integer - real| / |real|; a body that has fallen before the statistics begin leaves zeros, which are no difference."""
    if real == 0.0:
        return 0.0 if integer == 0.0 else math.nan
    return abs(integer - real) / abs(real)


def compare_with_reference(
    plant: Plant, terms: FlightTerms, make_step: StepFactory, graph: Graph, seconds: float
) -> Comparison:
    """Fly both in the same scenarios.

    Raises:
        CheckFailed: The reference fails on the way.
    """
    rests, poked = comparison_scenarios(plant, terms, seconds)
    integer = [fly(plant, make_step(), scenario) for scenario in (*rests, poked)]
    real = [fly_reference(plant, graph, scenario) for scenario in (*rests, poked)]

    def pooled(flights: list[Flight], figure: str) -> float:
        return math.sqrt(math.fsum(getattr(flight, figure) ** 2 for flight in flights[:-1]) / len(rests))

    def wheel(flights: list[Flight]) -> float:
        return math.fsum(flight.wheel_mean_rad_s for flight in flights[:-1]) / len(rests)

    return Comparison(
        all_up=all(is_up(flight) for flight in (*integer, *real)),
        tilt_rms_rad=(pooled(integer, "tilt_rms_rad"), pooled(real, "tilt_rms_rad")),
        wheel_mean_rad_s=(wheel(integer), wheel(real)),
        torque_rms_n_m=(pooled(integer, "torque_rms_n_m"), pooled(real, "torque_rms_n_m")),
        peak_rad=(recovery_of(integer[-1]).peak_rad, recovery_of(real[-1]).peak_rad),
    )


def check_against_reference(
    plant: Plant, terms: FlightTerms, make_step: StepFactory, graph: Graph, seconds: float
) -> list[FlightCheck]:
    """Integer against float64 with the same seeds: tilt RMS, mean wheel, torque RMS, peak after a poke; within 2 %."""
    comparison = compare_with_reference(plant, terms, make_step, graph, seconds)
    return [
        all_of("integer and float64 stand", [comparison.all_up], "sets of flights"),
        *(
            at_most(f"integer against float64: {name}", 100.0 * LARGEST_DIFFERENCE, 100.0 * difference, "%")
            for name, difference in comparison.differences().items()
        ),
    ]
