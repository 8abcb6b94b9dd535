"""Print how many ticks per second and core the simulator does, with all noise, friction and cogging on.

Run from the repository's folder: ``python -m tests.benchmarks.simulator_speed``. A measurement, not a test: the figures depend on the
machine and on what else it does. First the simulator with a small controller in doubles behind a function pointer, then with the
emitted C compiled into the same library, as fleets fly it. Counted is the time of the thread, not of the clock.
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

from codegen.build import read_build
from codegen.design import design_controller
from codegen.host.shape import shape_of
from codegen.pipeline.realise import Designed, realise
from codegen.plant import Scenario, fly, model_plant
from codegen.robustness.fleet import FleetOrder, compile_order, fly_machines
from codegen.targets import read_target
from tests.bench_controllers import cascade, controllers
from tests.machines import LANTERNS

EXAMPLES = Path(__file__).parent.parent / "examples"
SECONDS = 2000.0
REPEATS = 5


def behind_a_pointer(name: str) -> float:
    """Ticks per second of the simulator with a controller in doubles."""
    plant = LANTERNS[name]()
    start = time.thread_time()
    flight = fly(plant, cascade(plant), Scenario(SECONDS, tilt_rad=0.01))
    return flight.ticks / (time.thread_time() - start)


def lantern_order(name: str) -> FleetOrder:
    """The nominal lantern alone, standing for a long time."""
    build = read_build(EXAMPLES / f"lantern_{name}.toml")
    plant = model_plant(build)
    graph = Designed(build, plant, design_controller(build, plant)).graph()
    part = realise(graph, read_target(build.target.mcu), build.target.error_budget_counts.value)
    shape = shape_of(part.emission.name, part.fixed)
    return FleetOrder(build, (), 1, shape, part.emission.header, part.emission.source, 0.0, SECONDS, 0.0)


def compiled_together(order: FleetOrder) -> float:
    """Ticks per second of simulator and emitted C in one library; drawing and packing of the machine included."""
    start = time.thread_time()
    (outcome,) = fly_machines(order, 0, 1)
    if not outcome.up:
        raise SystemExit("the lantern fell: what was measured is not what was meant")
    return order.poke_times_s[1] * order.build.loop.inner_hz.value / (time.thread_time() - start)


def main() -> None:
    """Fly each lantern both ways and print its best."""
    print(controllers().compiler)
    for name in LANTERNS:
        fly(LANTERNS[name](), cascade(LANTERNS[name]()), Scenario(1.0))
        order = lantern_order(name)
        compile_order(order)
        fly_machines(replace(order, settling_s=1.0), 0, 1)
        alone = max(behind_a_pointer(name) for _ in range(REPEATS))
        together = max(compiled_together(order) for _ in range(REPEATS))
        print(f"{name}: {alone / 1e6:.2f} million ticks/s with doubles, {together / 1e6:.2f} with the emitted C compiled in")


if __name__ == "__main__":
    main()
