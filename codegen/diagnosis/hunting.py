"""How far the wheel will hunt about standstill: a describing function on the loop that is read from the controller's graph.

Takes the linear loop and the machine, gives the amplitude. Friction is a relay whose height falls with speed; the rest is the linear loop
from torque at the wheel to its speed, sampled at the outer loop's rate, which is fast enough for hunting.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from codegen.control.examine import LinearLoop
from codegen.design.machine import sample_machine
from codegen.design.rest import friction_height, limit_cycles, relay_gain
from codegen.plant import Plant

LOWEST_RAD_S = 0.05
HIGHEST_SHARE = 0.9
POINTS = 600


def predict_hunting(loop: LinearLoop, plant: Plant) -> float:
    """Amplitude in rad/s of the wheel's predicted hunting; 0 if friction causes none.

    Source: as :func:`codegen.design.rest.friction_cycle`; trust the amplitude only, within a factor of two.
    """
    if max(plant.wheel_coulomb_n_m, plant.wheel_stiction_n_m) == 0.0:
        return 0.0
    closed, machine = loop.closed(plant), sample_machine(plant)
    kept = [place for place, name in enumerate(machine.states) if name != "wheel_turn"]
    push = np.zeros(len(closed.states))
    push[: len(kept)] = machine.torque[kept]
    onward, gathered = np.eye(len(push)), np.zeros(len(push))
    for tick in range(closed.ticks):
        step = closed.slow if tick == closed.ticks - 1 else closed.fast
        onward, gathered = step @ onward, step @ gathered + push
    wheel = closed.states.index("wheel")
    span = closed.ticks * plant.period_s

    def answer(frequencies_rad_s: NDArray[np.float64]) -> NDArray[np.complex128]:
        shift = np.exp(1j * frequencies_rad_s * span)
        states = np.linalg.solve(
            shift[:, None, None] * np.eye(len(push)) - onward, np.broadcast_to(gathered[:, None], (len(shift), len(push), 1))
        )
        return np.asarray(states[:, wheel, 0], dtype=np.complex128)

    grid = np.geomspace(LOWEST_RAD_S, HIGHEST_SHARE * np.pi / span, POINTS)
    cycles = limit_cycles(answer, lambda amplitude: relay_gain(friction_height(plant, amplitude), amplitude), grid)
    return max((amplitude for amplitude, frequency in cycles if frequency > 0.0), default=0.0)
