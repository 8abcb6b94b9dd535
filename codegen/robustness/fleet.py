"""Many machines flown by one emitted controller, in one compiled program.

Takes an order (build, C text, what is uncertain, what happens in a flight), gives one outcome per machine. Simulator and controller are
compiled together, so no call crosses a library and nothing of Python runs during a batch; the interpreter's lock is free meanwhile.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace
from typing import Any

from codegen.build import Build
from codegen.flight import FlightTerms
from codegen.flight.stand import HOLD_S
from codegen.host.shape import Shape, assign
from codegen.native.compile import Library, compile_library
from codegen.plant import Plant, Scenario, model_plant
from codegen.plant.scenario import machine_members
from codegen.plant.simulator import SIMULATOR_FLAGS, pack_run, simulator_declarations, simulator_sources, too_long
from codegen.robustness.draw import DrawnMachine, draw_machine
from codegen.robustness.spreads import Uncertain

REST_S = 5.0
"""Length of the window, before the first poke, in which rest is measured."""

# Included, not compiled by themselves: names that do not end in .c.
_CONTROLLER, _SIMULATOR = "controller.inc", "simulator.inc"
_FLY = """
int64_t loopwright_fleet(int64_t count, const simulated_machine *machines, const simulated_run *runs, simulated_result *results);
"""


@dataclass(frozen=True)
class FleetOrder:
    """What is to be flown; can be sent to another process or computer that has the same program installed.

    Attributes:
        build: The machine that the controller was made for.
        uncertain: What differs from machine to machine.
        seed: Of all draws.
        shape: The controller's outer shape.
        header, source: Its C texts.
        poke_n_m_s: Angular impulse of both pokes.
        settling_s: From release to the first window.
        between_s: From poke to poke, and from the last one to the end.
        fall_tilt_rad: Tilt at which a flight ends.
    """

    build: Build
    uncertain: tuple[Uncertain, ...]
    seed: int
    shape: Shape
    header: str
    source: str
    poke_n_m_s: float
    settling_s: float
    between_s: float
    fall_tilt_rad: float = 1.0472

    @property
    def poke_times_s(self) -> tuple[float, float]:
        """When the pokes come: the one positive, the other negative."""
        first = HOLD_S + self.settling_s + REST_S
        return first, first + self.between_s


def flight_times(terms: FlightTerms) -> tuple[float, float]:
    """(settling, from poke to poke) in s: the slow loops forget their start, and the way back from a poke twice over."""
    return terms.settling_s, 2.0 * terms.recovery_s


@dataclass(frozen=True)
class MachineOutcome:
    """One flight; SI units, tilt from the true balance angle.

    Attributes:
        number: Of the machine.
        shares: Its draws, see ``DrawnMachine``.
        fell_at_s: When it fell; None if it did not.
        up: Whether it stood to the end, by the controller's doing.
        stood_before_poke: Whether it was up when the first poke came.
        tilt_rms_rad, torque_rms_n_m: At rest before the first poke.
        peak_rad: Largest tilt after either poke; the fall tilt if it fell.
        wheel_max_rad_s: Largest wheel speed after either poke.
    """

    number: int
    shares: tuple[float, ...]
    fell_at_s: float | None
    up: bool
    stood_before_poke: bool
    tilt_rms_rad: float
    torque_rms_n_m: float
    peak_rad: float
    wheel_max_rad_s: float


def order_scenario(order: FleetOrder, plant: Plant, noise_seed: int) -> Scenario:
    """What happens to a machine: held upright by its own sensor, let go and armed, left alone, then poked from both sides."""
    first, second = order.poke_times_s
    return Scenario(
        second + order.between_s,
        seed=noise_seed,
        tilt_rad=-plant.balance_offset_rad,
        hold_s=HOLD_S,
        arm_s=HOLD_S,
        pokes=((first, order.poke_n_m_s), (second, -order.poke_n_m_s)),
        fall_tilt_rad=order.fall_tilt_rad,
    )


def compile_order(order: FleetOrder) -> Library:
    """The simulator and the order's controller as one library, compiled once per process.

    Raises:
        CompileError: No compiler, or it refuses the text.
    """
    return _compile(order.shape, order.header, order.source)


@functools.lru_cache(maxsize=4)
def _compile(shape: Shape, header: str, source: str) -> Library:
    texts = simulator_sources()
    lines = [
        f'#include "{_CONTROLLER}"',
        f'#include "{_SIMULATOR}"',
        _FLY,
        "static void fly_step(void *context, const int32_t *inputs, int32_t *outputs)",
        "{",
        f"    {shape.inputs_type} in;",
        f"    {shape.outputs_type} out;",
        *(assign(f"in.{port.name}", port.ctype, f"inputs[{place}]") for place, port in enumerate(shape.inputs)),
        f"    {shape.step}(({shape.state_type} *)context, &in, &out);",
        *(f"    outputs[{place}] = (int32_t)out.{port.name};" for place, port in enumerate(shape.outputs)),
        "}",
        "/* Machines flown; fewer than asked for if the simulator refuses the next one. */",
        "int64_t loopwright_fleet(int64_t count, const simulated_machine *machines, const simulated_run *runs, simulated_result *results)",
        "{",
        "    for (int64_t i = 0; i < count; i++) {",
        f"        {shape.state_type} state;",
        f"        {shape.init}(&state);",
        "        if (simulate(machines + i, runs + i, fly_step, &state, results + i) != 0) {",
        "            return i;",
        "        }",
        "    }",
        "    return count;",
        "}",
        "",
    ]
    sources = {
        "fleet.c": "\n".join(lines),
        shape.header: header,
        _CONTROLLER: source,
        _SIMULATOR: texts["simulator.c"],
        **{name: text for name, text in texts.items() if name.endswith(".h")},
    }
    return compile_library(sources, declarations=simulator_declarations() + _FLY, optimise="-O3", flags=SIMULATOR_FLAGS)


def fly_machines(order: FleetOrder, first: int, count: int) -> tuple[MachineOutcome, ...]:
    """Fly the machines ``first`` ... ``first + count - 1`` of the order.

    Raises:
        LoopwrightError: A machine cannot be drawn or simulated.
        CompileError: No compiler, or it refuses the text.
    """
    library = compile_order(order)
    ffi = library.ffi
    drawn = [draw_machine(order.build, order.uncertain, order.seed, number) for number in range(first, first + count)]
    plants = [model_plant(machine.build) for machine in drawn]
    scenarios = [order_scenario(order, plant, machine.noise_seed) for plant, machine in zip(plants, drawn, strict=True)]
    windows = (HOLD_S + order.settling_s, *order.poke_times_s)
    packed = [pack_run(ffi, plant, scenario, windows) for plant, scenario in zip(plants, scenarios, strict=True)]
    machines = ffi.new("simulated_machine[]", [machine_members(plant, scenario) for plant, scenario in zip(plants, scenarios, strict=True)])
    runs = ffi.new("simulated_run[]", [run.members for run in packed])
    results: Any = ffi.new("simulated_result[]", count)
    flown = library.lib.loopwright_fleet(count, machines, runs, results)
    if flown != count:
        raise too_long(plants[flown])
    return tuple(
        _outcome(order, machine, results[place], packed[place].statistics, plants[place].period_s) for place, machine in enumerate(drawn)
    )


def _outcome(order: FleetOrder, machine: DrawnMachine, result: Any, statistics: Any, period_s: float) -> MachineOutcome:
    rest, pokes = statistics[0], (statistics[1], statistics[2])
    fell = bool(result.fell)
    up = not fell and bool(result.armed) and not result.tripped
    return MachineOutcome(
        number=machine.number,
        shares=machine.shares,
        fell_at_s=float(result.ticks) * period_s if fell else None,
        up=up,
        stood_before_poke=pokes[0].sample_count > 0,
        tilt_rms_rad=math.sqrt(rest.tilt_square_mean),
        torque_rms_n_m=math.sqrt(rest.torque_square_mean),
        peak_rad=order.fall_tilt_rad if fell else max(float(poke.tilt_max) for poke in pokes),
        wheel_max_rad_s=max(float(poke.wheel_max) for poke in pokes),
    )


def fly_alone(order: FleetOrder, number: int) -> tuple[DrawnMachine, Plant, Scenario]:
    """Machine, plant and scenario of one number of the order, to be flown and recorded by itself."""
    machine = draw_machine(order.build, order.uncertain, order.seed, number)
    plant = model_plant(machine.build)
    return machine, plant, replace(order_scenario(order, plant, machine.noise_seed), record_every=1)
