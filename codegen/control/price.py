"""The price of calm and pokes in one number, and the least that any linear controller can pay.

Takes a plant and a rate of pokes; gives :class:`Price` weights, the cost of a closed loop, and the LQG optimum.

Cost = E[(tilt/0.1 deg)^2 + (command/2 % of the motor's torque)^2 + (wheel/w_s)^2] of the loop that sensor noise and quantisers drive
together with pokes: sudden tilt rates of a tenth of the recoverable one, mu of them per second, at random times. The first two scales
are a choice (invented here, common practice has none); w_s = G 0.1 deg/(J w_o) is the wheel speed that the tilt scale stands for if
momentum is brought back at w_o = lambda/6. LQG minimises exactly this sum, so it is the front between calm and pokes.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import radians

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_discrete_are

from codegen.control.examine import READINGS, ClosedGraph, Covariance
from codegen.control.loop import surround
from codegen.design.closed_form import closed_form_poke
from codegen.design.machine import sample_machine
from codegen.plant import Plant
from codegen.plant.model import STANDARD_GRAVITY_M_S2

Matrix = NDArray[np.float64]

TILT_SCALE_RAD = radians(0.1)
TORQUE_SCALE_SHARE = 0.02
POKE_SHARE = 0.1
OUTER_PARTS = 6.0


@dataclass(frozen=True)
class Price:
    """Scales of the cost.

    Attributes:
        tilt_rad, torque_n_m, wheel_rad_s: RMS that costs one each.
        poke_rad_s: Size of the pokes.
        pokes_hz: mu, how many of them per second.
        period_s: Tick.
    """

    tilt_rad: float
    torque_n_m: float
    wheel_rad_s: float
    poke_rad_s: float
    pokes_hz: float
    period_s: float

    @property
    def pokes_rad2_s3(self) -> float:
        """Mean square of the sudden rates times their number per second."""
        return self.pokes_hz * self.poke_rad_s**2

    def of(self, covariance: Covariance) -> float:
        """The cost of these variances."""
        return (
            covariance.tilt / self.tilt_rad**2
            + covariance.command / self.torque_n_m**2
            + covariance.wheel / self.wheel_rad_s**2
        )

    def cost(self, loop: ClosedGraph) -> float:
        """The cost of a closed loop.

        Raises:
            DesignError: It is not stable.
        """
        return self.of(loop.covariance(1.0, self.pokes_rad2_s3, self.period_s))


def set_price(plant: Plant, pokes_hz: float) -> Price:
    """The cost's scales for a plant and a rate of pokes."""
    outer = plant.divergence_rad_s / OUTER_PARTS
    return Price(
        tilt_rad=TILT_SCALE_RAD,
        torque_n_m=TORQUE_SCALE_SHARE * plant.torque_limit_n_m,
        wheel_rad_s=plant.gravity_torque_n_m * TILT_SCALE_RAD / (plant.wheel_inertia_kg_m2 * outer),
        poke_rad_s=POKE_SHARE * closed_form_poke(plant),
        pokes_hz=pokes_hz,
        period_s=plant.period_s,
    )


def optimal_loop(plant: Plant, price: Price) -> ClosedGraph:
    """The closed loop of the LQG controller that knows the plant, its delays and its noise exactly.

    State feedback on the estimate that includes the present readings; the counter's rounding error stays in memory until its count
    leaves the window, so process and reading noise are correlated.
    Source: Astrom, Wittenmark, *Computer-Controlled Systems*, 3rd ed. (1997), ch. 11 (Riccati equations with cross terms, from
    memory).
    """
    around, machine = surround(plant), sample_machine(plant)
    A, B, size = around.A, around.B / around_unit(plant), len(around.states)
    place = {name: at for at, name in enumerate(around.states)}
    C = np.array([around.readings[name] for name in READINGS])
    gravity = plant.gravity_m_s2 / STANDARD_GRAVITY_M_S2
    at_once, under_way = np.zeros((3, 3)), np.zeros((size, 3))
    for row, (name, scale) in enumerate((("gyro", 1.0), ("angle", gravity))):
        if machine.late_ticks:
            under_way[place[f"{name}_1"], row] = 1.0
        else:
            at_once[row, row] = scale
    at_once[2, 2] = 1.0 / (machine.window_ticks * plant.period_s)
    under_way[place["turned_1"], 2] = -1.0
    kept = [at for at, name in enumerate(machine.states) if name != "wheel_turn"]
    process = np.zeros((size, size))
    process[: len(kept), : len(kept)] = machine.process[np.ix_(kept, kept)]
    poke = np.zeros(size)
    poke[place["rate"]], poke[place["wheel"]] = 1.0, -1.0
    quantum = plant.command_full_scale / plant.command_counts * around_unit(plant)
    spread = np.diag(machine.reading_variances)
    noise = process + under_way @ spread @ under_way.T + quantum**2 / 12.0 * np.outer(B, B)
    driven = noise + price.pokes_rad2_s3 * price.period_s * np.outer(poke, poke)
    # A reading that arrives late carries noise that came in before; a trace at the reading itself keeps the equation regular.
    seen = at_once @ spread @ at_once.T + np.diag(_floors(machine.reading_variances, at_once))
    cross = under_way @ spread @ at_once.T
    weights = np.zeros((size, size))
    weights[place["tilt"], place["tilt"]] = price.tilt_rad**-2
    weights[place["wheel"], place["wheel"]] = price.wheel_rad_s**-2
    column = B[:, None]
    cost = np.array([[price.torque_n_m**-2]])
    ahead = np.asarray(solve_discrete_are(A, column, weights, cost), dtype=np.float64)
    gain = np.linalg.solve(cost + column.T @ ahead @ column, column.T @ ahead @ A)[0]
    errors = np.asarray(solve_discrete_are(A.T, C.T, driven, seen, s=cross), dtype=np.float64)
    spread_seen = C @ errors @ C.T + seen
    correct = np.linalg.solve(spread_seen.T, (errors @ C.T).T).T
    predict = np.linalg.solve(spread_seen.T, (A @ errors @ C.T + cross).T).T
    # u = -gain (estimate + correct (y - C estimate)); estimate' = A estimate + B u + predict (y - C estimate).
    law_memory, law_reading = -gain @ (np.eye(size) - correct @ C), -gain @ correct
    memory = A + np.outer(B, law_memory) - predict @ C
    from_reading = np.outer(B, law_reading) + predict
    whole = np.block([[A + np.outer(B, law_reading @ C), np.outer(B, law_memory)], [from_reading @ C, memory]])
    added = np.zeros_like(whole)
    for reading, variance in enumerate(machine.reading_variances):
        entry = np.concatenate([under_way[:, reading] + B * (law_reading @ at_once[:, reading]), from_reading @ at_once[:, reading]])
        added += variance * np.outer(entry, entry)
    added[:size, :size] += process
    rounding = np.concatenate([B, np.zeros(size)])
    added += quantum**2 / 12.0 * np.outer(rounding, rounding)
    blow = np.concatenate([poke, np.zeros(size)])
    states = (*around.states, *(f"estimated_{name}" for name in around.states))
    return ClosedGraph(states, whole, whole, added, added, blow, 1)


def _floors(variances: Matrix, at_once: Matrix) -> list[float]:
    """A little white noise on every reading: a thousandth of the variance that it has anyway.

    A late reading has none at the instant it is read, and the counter's error leaves the window as it came in, so without it the best
    filter would sum up readings without end.
    """
    return [1e-3 * float(variances[row]) * (float(at_once[row, row]) or 1.0) ** 2 for row in range(3)]


def around_unit(plant: Plant) -> float:
    """N m per command unit (A, or V at standstill)."""
    return plant.torque_constant / (plant.resistance_ohm if plant.voltage_drive else 1.0)
