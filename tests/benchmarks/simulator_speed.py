"""Print how many ticks per second the simulator does, with all noise, friction and cogging on.

Run from the repository's folder: ``python -m tests.benchmarks.simulator_speed``. A measurement, not a test:
the figures depend on the machine and on what else it does.
"""

from __future__ import annotations

import time

from codegen.plant import Scenario, fly
from tests.bench_controllers import cascade, controllers
from tests.machines import LANTERNS

SECONDS = 2000.0
REPEATS = 3


def main() -> None:
    """Fly each lantern and print its best of three."""
    print(controllers().compiler)
    for name, machine in LANTERNS.items():
        plant = machine()
        fly(plant, cascade(plant), Scenario(1.0))
        rates = []
        for _ in range(REPEATS):
            start = time.perf_counter()
            flight = fly(plant, cascade(plant), Scenario(SECONDS, tilt_rad=0.01))
            rates.append(flight.ticks / (time.perf_counter() - start))
        print(f"{name}: {max(rates) / 1e6:.2f} million ticks per second")


if __name__ == "__main__":
    main()
