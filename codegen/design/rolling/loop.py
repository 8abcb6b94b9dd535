"""The linear closed loop of a rolling balancer, exact: one matrix per tick, and the frequency response at the torque command.

Takes :class:`~codegen.design.rolling.gains.RollingGains` and a machine (not necessarily the one they were made for); gives matrices and
margins. No limit of the law acts here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import product
from math import exp, pi, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_discrete_lyapunov

from codegen.design.gains import TRIM_DAMPING
from codegen.design.margins import LATE_TICKS, TORQUE_CHANGE, Margins, read_margins
from codegen.design.rolling.gains import RollingGains
from codegen.design.rolling.machine import SampledRolling, sample_rolling
from codegen.plant.rolling import Inertial, RollingPlant

Matrix = NDArray[np.float64]

HEIGHT_CHANGE, LOAD_CHANGE = 0.10, 0.15
"""How far the corners lie from the nominal machine; common practice, no source."""

_GRID_POINTS = 500


@dataclass(frozen=True)
class RollingLoop:
    """Machine and controller as one system, opened at the torque command: z' = A z + B u, wanted torque = law z.

    Attributes:
        states: Names: the machine's, then the controller's memory.
        A: (N, N) with the command cut.
        B: (N,), per N m of command.
        law: (N,), torque of all motors that the controller asks for at the tick.
        injections: Per reading, ((N,), float): what an error of it in this tick adds to the next state and to the law's torque.
        process: (N, N), covariance that the sensors' filtered noise adds per tick.
    """

    states: tuple[str, ...]
    A: Matrix
    B: Matrix
    law: Matrix
    injections: Mapping[str, tuple[Matrix, float]]
    process: Matrix

    @property
    def closed(self) -> Matrix:
        """One tick of the closed loop, (N, N)."""
        closed: Matrix = self.A + np.outer(self.B, self.law)
        return closed

    def spectral_radius(self) -> float:
        """Largest eigenvalue magnitude per tick; the loop is stable exactly if below 1."""
        return float(np.max(np.abs(np.linalg.eigvals(self.closed))))

    def response(self, frequencies_rad_s: Matrix, period_s: float) -> NDArray[np.complex128]:
        """L at the frequencies (k,) in rad/s, complex (k,); 1 + L = 0 is the edge of stability."""
        shift = np.exp(1j * frequencies_rad_s * period_s)
        size = len(self.B)
        matrices = shift[:, None, None] * np.eye(size) - self.A
        solved = np.linalg.solve(matrices, np.broadcast_to(self.B[:, None], (len(shift), size, 1)))
        loop: NDArray[np.complex128] = -np.einsum("ki,i->k", solved[:, :, 0], self.law)
        return loop


def open_rolling_loop(gains: RollingGains, plant: RollingPlant, torque_factor: float = 1.0) -> RollingLoop:
    """The loop of the gains on ``plant``, whose torque is ``torque_factor`` times the commanded."""
    machine = sample_rolling(plant, torque_factor)
    inertial = isinstance(gains.plant.senses, Inertial)
    memory = ("tilt_estimate", "path") if inertial else ("angle_last", "place_last", "rate_last", "speed_last")
    states = (*machine.states, *memory, "momentum_estimate", "trim")
    known, period = gains.plant, gains.plant.period_s
    unit = np.eye(len(states) + len(machine.readings))
    old = {name: unit[at] for at, name in enumerate(states)}
    seen = {
        name: np.pad(row, (0, len(unit) - len(row))) + unit[len(states) + at] for at, (name, row) in enumerate(machine.readings.items())
    }
    new: dict[str, Matrix] = {}
    if inertial:
        blend, wheel, rate = period / gains.filter_time_s, seen["wheel"], seen["gyro"]
        tilt = (1.0 - blend) * old["tilt_estimate"] + period * rate + blend * seen["angle"]
        path = old["path"] + period * wheel
        place = known.radius_m * (path + tilt)
        rolled = known.momentum_per_speed * known.radius_m
        momentum = rolled * wheel + (known.momentum_per_rate + rolled) * rate
        new |= {"tilt_estimate": tilt, "path": path}
    else:
        keep = exp(-period / gains.difference_filter_s)
        tilt, place = seen["angle"], seen["place"]
        rate = keep * old["rate_last"] + (1.0 - keep) / period * (tilt - old["angle_last"])
        speed = keep * old["speed_last"] + (1.0 - keep) / period * (place - old["place_last"])
        wheel = speed / known.radius_m
        momentum = known.momentum_per_rate * rate + known.momentum_per_speed * speed
        new |= {"angle_last": tilt, "place_last": place, "rate_last": rate, "speed_last": speed}
    trim, surprise = old["trim"], momentum - old["momentum_estimate"]
    lean = -gains.momentum_gain_rad_per_n_m_s * (momentum + known.momentum_per_speed * gains.place_pole_rad_s * place)
    wanted = (
        gains.torque_share
        * (
            gains.proportional_n_m_per_rad * (tilt - trim)
            + gains.derivative_n_m_s_per_rad * rate
            - gains.lean_gain_n_m_per_rad * lean
        )
        + gains.wheel_gain_n_m_s * wheel
    )
    drift = known.gravity_torque_n_m * (tilt - trim) + TRIM_DAMPING * gains.trim_pole_rad_s * surprise
    new["momentum_estimate"] = old["momentum_estimate"] + period * drift
    new["trim"] = trim - period * gains.trim_pole_rad_s**2 / known.gravity_torque_n_m * surprise
    return _assemble(machine, states, new, wanted)


def _assemble(machine: SampledRolling, states: tuple[str, ...], new: dict[str, Matrix], wanted: Matrix) -> RollingLoop:
    size, total = len(machine.states), len(states)
    after = np.zeros((total, len(wanted)))
    after[:size, :size] = machine.transition
    after[size:] = [new[name] for name in states[size:]]
    process = np.zeros((total, total))
    process[:size, :size] = machine.process
    injections = {name: (after[:, total + at], float(wanted[total + at])) for at, name in enumerate(machine.readings)}
    return RollingLoop(
        states, after[:, :total], np.pad(machine.command, (0, total - size)), wanted[:total], injections, process
    )


@dataclass(frozen=True)
class RollingCorner:
    """A machine that differs from the nominal one: factors on height, load and torque, and extra ticks of delay."""

    height: float = 1.0
    load: float = 1.0
    torque: float = 1.0
    late_ticks: int = 0

    @property
    def label(self) -> str:
        """Words such as ``height +10 %, 2 ticks later``."""
        changes = (("height", self.height), ("load", self.load), ("torque", self.torque))
        parts = [f"{name} {100.0 * (factor - 1.0):+.0f} %" for name, factor in changes if factor != 1.0]
        if self.late_ticks:
            parts.append(f"{self.late_ticks} ticks later")
        return ", ".join(parts) if parts else "nominal"

    def machine(self, plant: RollingPlant) -> RollingPlant:
        """The plant at this corner; the torque factor is not part of it."""
        return replace(
            plant,
            mass_kg=plant.mass_kg + (self.load - 1.0) * plant.body_mass_kg,
            body_mass_kg=plant.body_mass_kg * self.load,
            moment_kg_m=plant.moment_kg_m * self.load * self.height,
            inertia_kg_m2=plant.inertia_kg_m2 * self.load * self.height**2,
            latency_s=plant.latency_s + self.late_ticks * plant.period_s,
        )


def rolling_corners() -> tuple[RollingCorner, ...]:
    """Each change by itself, then all combinations of them together with the extra delay: 15 machines."""
    height, load = ((1.0 - change, 1.0 + change) for change in (HEIGHT_CHANGE, LOAD_CHANGE))
    torque = (1.0 - TORQUE_CHANGE, 1.0 + TORQUE_CHANGE)
    heights, loads = tuple(height), tuple(load)
    single = (
        *(RollingCorner(height=factor) for factor in heights),
        *(RollingCorner(load=factor) for factor in loads),
        *(RollingCorner(torque=factor) for factor in torque),
        RollingCorner(late_ticks=LATE_TICKS),
    )
    return *single, *(RollingCorner(*factors, LATE_TICKS) for factors in product(heights, loads, torque))


def find_rolling_margins(gains: RollingGains, corner: RollingCorner | None = None) -> Margins:
    """Margins at the torque command of the gains on their machine, or on one at ``corner``; exact but for the grid of frequencies."""
    corner = corner or RollingCorner()
    plant = corner.machine(gains.plant)
    loop = open_rolling_loop(gains, plant, corner.torque)
    radius = loop.spectral_radius()
    slowest = min(gains.trim_pole_rad_s, gains.outer_pole_rad_s)
    frequencies = np.geomspace(1e-4 * slowest, pi / plant.period_s, _GRID_POINTS)
    return read_margins(
        lambda grid: loop.response(grid, plant.period_s), frequencies, stable=radius < 1.0, spectral_radius=radius
    )


@dataclass(frozen=True)
class RollingRest:
    """RMS at rest: true tilt in rad, place as the controller knows it in m, torque of all motors in N m."""

    tilt_rad: float
    place_m: float
    torque_n_m: float


def predict_rolling_rest(gains: RollingGains) -> RollingRest:
    """RMS of the linear closed loop driven by sensor noise and by its quantisers as white noise of step^2/12; no friction.

    The covariance P solves P = F P F' + Q (discrete Lyapunov equation). Source: Astrom, *Introduction to Stochastic Control Theory*
    (1970), ch. 3 (from memory); quantisers as white noise: common practice, no source.
    """
    plant = gains.plant
    loop, machine = open_rolling_loop(gains, plant), sample_rolling(plant)
    noise = loop.process.copy()
    for name, (state, torque) in loop.injections.items():
        entry = state + loop.B * torque
        noise += machine.reading_variances[name] * np.outer(entry, entry)
    noise += (1.0 / gains.counts_per_n_m) ** 2 / 12.0 * np.outer(loop.B, loop.B)
    covariance = np.asarray(solve_discrete_lyapunov(loop.closed, noise), dtype=np.float64)
    at = {name: place for place, name in enumerate(loop.states)}
    row = np.zeros(len(loop.states))
    if isinstance(plant.senses, Inertial):
        row[at["path"]], row[at["tilt_estimate"]] = plant.radius_m, plant.radius_m
    else:
        row[at["place"]] = 1.0
    motor = "torque" if "torque" in at else "command_1"
    return RollingRest(
        tilt_rad=sqrt(covariance[at["tilt"], at["tilt"]]),
        place_m=sqrt(float(row @ covariance @ row)),
        torque_n_m=sqrt(covariance[at[motor], at[motor]]),
    )
