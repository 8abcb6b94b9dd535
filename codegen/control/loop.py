"""The linear plant as the emitted controller sees it: readings in the units of its inputs, command in the unit of its output.

Takes a ``Plant``, gives a ``PlantLoop`` for the closed-loop error bounds.  The wheel's turn, a sum without end, is replaced by
what it turned since the last counts, because only differences of it are read.
"""

from __future__ import annotations

import numpy as np

from codegen.bounds import PlantLoop
from codegen.design.machine import ANGLE, GYRO, TURN, sample_machine
from codegen.plant import Plant
from codegen.plant.model import STANDARD_GRAVITY_M_S2


def surround(plant: Plant, torque_factor: float = 1.0) -> PlantLoop:
    """The plant over one tick, with late readings and the wheel counter's window; ``torque_factor`` scales what a command yields."""
    machine = sample_machine(plant, torque_factor)
    kept = [at for at, name in enumerate(machine.states) if name != "wheel_turn"]
    turn = machine.states.index("wheel_turn")
    late, window = machine.late_ticks, machine.window_ticks
    names = [machine.states[at] for at in kept]
    names += [f"{reading}_{age}" for reading in ("gyro", "angle") for age in range(1, late + 1)]
    names += [f"turned_{age}" for age in range(1, window + 1)]
    place = {name: at for at, name in enumerate(names)}
    size = len(names)
    A, B = np.zeros((size, size)), np.zeros(size)
    base = len(kept)
    A[:base, :base] = machine.transition[np.ix_(kept, kept)]
    B[:base] = machine.command[kept]
    now = {"gyro": np.zeros(size), "angle": np.zeros(size)}
    for reading, row in (("gyro", GYRO), ("angle", ANGLE)):
        now[reading][:base] = machine.readings[row, kept]
        for age in range(1, late + 1):
            at = place[f"{reading}_{age}"]
            if age == 1:
                A[at] = now[reading]
            else:
                A[at, place[f"{reading}_{age - 1}"]] = 1.0
    # turned_1' = turn' - turn; turned_k' = turned_1' + turned_(k-1).
    step = np.zeros(size)
    step[:base] = machine.transition[turn, kept]
    for age in range(1, window + 1):
        at = place[f"turned_{age}"]
        A[at] = step
        B[at] = machine.command[turn]
        if age > 1:
            A[at, place[f"turned_{age - 1}"]] += 1.0
    unit = np.eye(size)
    gravity = plant.gravity_m_s2 / STANDARD_GRAVITY_M_S2
    readings = {
        "gyro_rate": unit[place[f"gyro_{late}"]] if late else now["gyro"],
        "accel_tangential": (unit[place[f"angle_{late}"]] if late else now["angle"]) * gravity,
        "wheel_speed": unit[place[f"turned_{window}"]] * machine.readings[TURN, turn] / (window * plant.period_s),
    }
    # The machine's command is in N m; the controller's output is a current or, at standstill, the voltage that drives it.
    per_unit = plant.torque_constant / (plant.resistance_ohm if plant.voltage_drive else 1.0)
    observed = {"true_tilt": (unit[place["tilt"]], "rad"), "true_wheel_speed": (unit[place["wheel"]], "rad/s")}
    return PlantLoop(tuple(names), A, B * per_unit, readings, observed)
