"""What a controller's graph does in the linear loop: margins, wiggle at rest, and the price of calm and pokes.

Takes a graph and a plant; gives margins and covariances. The law is read from the graph itself (``codegen.rules.linear``), so every
structure is judged by what will be emitted, not by a second description of it. While it balances and no limit acts, that is.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_discrete_lyapunov

from codegen.bounds import PlantLoop
from codegen.control.loop import surround
from codegen.design import Margins, RestNoise
from codegen.design.machine import SampledMachine, sample_machine
from codegen.design.margins import Corner, Loop, corners, read_margins
from codegen.errors import DesignError
from codegen.graph import Graph
from codegen.plant import Plant
from codegen.plant.model import STANDARD_GRAVITY_M_S2
from codegen.rules.linear import LinearController, LinearMap, linearise_graph

Matrix = NDArray[np.float64]
Response = NDArray[np.complex128]
Regime = Mapping[str, bool]

COMMAND = "command_wanted"
READINGS = ("gyro_rate", "accel_tangential", "wheel_speed")
NOMINAL = Corner()
_GRID_POINTS = 1200
_SLOWEST_RAD_S = 1e-4


@dataclass(frozen=True)
class Covariance:
    """Variances over the outer period: true tilt (rad^2), wheel (rad/s)^2, command and motor torque (N m)^2."""

    tilt: float
    wheel: float
    command: float
    torque: float


@dataclass(frozen=True)
class _Folded:
    """One outer period of a law as maps from readings at each of its ticks to its end, and to the command at each.

    Attributes:
        period: (s, s), memory over the period.
        gathered: (n, s, 3), what a reading at a tick leaves in memory at the end.
        shown: (n, s), the command at a tick from memory at the start.
        direct: (n, 3), sum of the commands that readings of so many ticks before cause within the period.
    """

    period: Matrix
    gathered: Matrix
    shown: Matrix
    direct: Matrix


@functools.lru_cache(maxsize=64)
def _machine(plant: Plant, torque_factor: float) -> tuple[SampledMachine, PlantLoop]:
    """The machine over a tick and what surrounds a controller; a search asks for the same one again and again."""
    return sample_machine(plant, torque_factor), surround(plant, torque_factor)


class LinearLoop:
    """A graph's law in the linear loop of a plant.

    Args:
        graph: The controller.
        plant: The machine that it was made for; its sensors give the readings their units.
        regime: Truth values while it balances.

    Raises:
        GraphError: The law is not linear in that regime.
    """

    def __init__(self, graph: Graph, plant: Plant, regime: Regime) -> None:
        self.controller: LinearController = linearise_graph(graph, regime, (COMMAND,))
        self.plant = plant

    def columns(self, step: LinearMap) -> tuple[Matrix, Matrix]:
        """B and D over the three readings, zero for those the law does not use."""
        places = [self.controller.inputs.index(name) if name in self.controller.inputs else None for name in READINGS]
        B = np.stack([np.zeros(step.B.shape[0]) if at is None else step.B[:, at] for at in places], axis=1)
        D = np.array([0.0 if at is None else float(step.D[0, at]) for at in places])
        return B, D

    def law(self, frequencies_rad_s: Matrix) -> Response:
        """Command per reading (k, 3), N m per rad/s, rad and rad/s: the part at the reading's own frequency.

        The slow section makes the law periodic over n ticks; the images that its sampling makes of fast signals are left out, as in
        :class:`codegen.design.loop.LoopResponse`.
        """
        folded = self._folded
        powers = np.exp(1j * np.outer(frequencies_rad_s * self.plant.period_s, np.arange(self.controller.slow_every + 1)))
        rising, falling = powers[:, :-1], 1.0 / powers[:, :-1]
        total = falling @ folded.direct
        if self.controller.states:
            driven = np.einsum("kn,nsr->ksr", rising, folded.gathered)
            start = np.linalg.solve(powers[:, -1, None, None] * np.eye(len(self.controller.states)) - folded.period, driven)
            total = total + np.einsum("ks,ksr->kr", falling @ folded.shown, start)
        per_reading = np.array([1.0, self.plant.gravity_m_s2 / STANDARD_GRAVITY_M_S2, 1.0])
        response: Response = total / self.controller.slow_every * per_reading * self._newton_metres()
        return response

    @functools.cached_property
    def _folded(self) -> _Folded:
        """One outer period of the law; made when it is first asked for."""
        ticks, size = self.controller.slow_every, len(self.controller.states)
        maps = [self.controller.ordinary] * (ticks - 1) + [self.controller.outer]
        columns = [self.columns(step) for step in maps]
        gathered, shown = np.zeros((ticks, size, 3)), np.zeros((ticks, size))
        direct, onward = np.zeros((ticks, 3)), np.eye(size)
        for at, step in enumerate(maps):
            shown[at] = step.C[0] @ onward
            onward = step.A @ onward
        for at, (B, D) in enumerate(columns):
            direct[0] += D
            left = B
            for later in range(at + 1, ticks):
                direct[later - at] += maps[later].C[0] @ left
                left = maps[later].A @ left
            gathered[at] = left
        return _Folded(onward, gathered, shown, direct)

    def _newton_metres(self) -> float:
        """N m per command unit (A, or V at standstill)."""
        return self.plant.torque_constant / (self.plant.resistance_ohm if self.plant.voltage_drive else 1.0)

    def opened(self, plant: Plant | None = None, torque_factor: float = 1.0) -> Loop:
        """L of the loop opened at the command, as a function of frequencies (k,) in rad/s, on the plant given or on its own."""
        machine, _ = _machine(plant or self.plant, torque_factor)
        size, period = len(machine.command), self.plant.period_s

        def loop(frequencies_rad_s: Matrix) -> Response:
            shift = np.exp(1j * frequencies_rad_s * period)
            matrices = shift[:, None, None] * np.eye(size) - machine.transition
            states = np.linalg.solve(matrices, np.broadcast_to(machine.command[:, None], (len(shift), size, 1)))
            back = 1.0 / shift
            late = back**machine.late_ticks
            counting = (1.0 - back**machine.window_ticks) / (machine.window_ticks * period)
            shown = (machine.readings @ states)[:, :, 0] * np.stack([late, late, counting], axis=1)
            gain: Response = -np.einsum("ki,ki->k", self.law(frequencies_rad_s), shown)
            return gain

        return loop

    def margins(self, corner: Corner = NOMINAL, plant: Plant | None = None) -> Margins:
        """Margins at the torque command on the plant given or its own, or on one at ``corner`` of it; stability is exact."""
        plant = corner.machine(plant or self.plant)
        radius = self.closed(plant, corner.torque).radius()
        grid = np.geomspace(_SLOWEST_RAD_S, pi / plant.period_s, _GRID_POINTS)
        return read_margins(self.opened(plant, corner.torque), grid, stable=radius < 1.0, spectral_radius=radius)

    def around(self) -> tuple[tuple[str, Margins], ...]:
        """Margins at all corners, labelled."""
        return tuple((corner.label, self.margins(corner)) for corner in corners())

    def closed(self, plant: Plant | None = None, torque_factor: float = 1.0) -> ClosedGraph:
        """The loop closed around the plant given, or its own."""
        return _close(self, plant or self.plant, torque_factor)


@dataclass(frozen=True)
class ClosedGraph:
    """The closed loop over one tick of each kind, with what drives it.

    Attributes:
        states: Names of the plant's states, then the controller's.
        fast, slow: (M, M), an ordinary and an outer tick.
        fast_noise, slow_noise: (M, M), covariance that sensors and quantisers add in it.
        poke: (M,), state change by a sudden tilt rate of 1 rad/s.
        ticks: n.
    """

    states: tuple[str, ...]
    fast: Matrix
    slow: Matrix
    fast_noise: Matrix
    slow_noise: Matrix
    poke: Matrix
    ticks: int

    def radius(self) -> float:
        """Largest eigenvalue magnitude over one outer period."""
        return float(np.max(np.abs(np.linalg.eigvals(self._period()))))

    def _period(self) -> Matrix:
        product: Matrix = self.slow @ np.linalg.matrix_power(self.fast, self.ticks - 1)
        return product

    def covariance(self, noise: float = 1.0, pokes_rad2_s3: float = 0.0, period_s: float = 0.0) -> Covariance:
        """Variances of the stationary loop, averaged over the outer period.

        Args:
            noise: Factor on the sensors' variance (0 leaves it out).
            pokes_rad2_s3: Mean square of the sudden tilt rates times their number per second.
            period_s: Tick, to give the pokes their share per tick.

        Raises:
            DesignError: The loop is not stable.
        """
        if self.radius() >= 1.0:
            raise DesignError("the closed loop is not stable, so nothing comes to rest")
        driven = np.outer(self.poke, self.poke) * pokes_rad2_s3 * period_s
        fast, slow = noise * self.fast_noise + driven, noise * self.slow_noise + driven
        kinds = [(self.fast, fast)] * (self.ticks - 1) + [(self.slow, slow)]
        gathered = np.zeros_like(self.fast)
        for matrix, added in kinds:
            gathered = matrix @ gathered @ matrix.T + added
        covariance = np.asarray(solve_discrete_lyapunov(self._period(), gathered), dtype=np.float64)
        motor = "torque" if "torque" in self.states else "command_1"
        watched = [self.states.index(name) for name in ("tilt", "wheel", "command_1", motor)]
        sums = np.zeros(len(watched))
        for matrix, added in kinds:
            covariance = matrix @ covariance @ matrix.T + added
            sums += np.diag(covariance)[watched]
        tilt, wheel, command, torque = (float(total) / len(kinds) for total in sums)
        return Covariance(tilt, wheel, command, torque)

    def rest(self) -> RestNoise:
        """RMS at rest from sensor noise and quantisers."""
        found = self.covariance()
        return RestNoise(tilt_rad=sqrt(found.tilt), wheel_rad_s=sqrt(found.wheel), torque_n_m=sqrt(found.torque))

    def poke_peak(self, rate_rad_s: float, ticks: int) -> float:
        """Largest tilt in rad within ``ticks`` of a sudden tilt rate from rest, right after an outer tick.

        The outer loop may answer with a second, larger swing to the other side, so it takes a while to see the largest.
        """
        state, peak = rate_rad_s * self.poke, 0.0
        tilt = self.states.index("tilt")
        for tick in range(1, ticks + 1):
            state = (self.slow if tick % self.ticks == 0 else self.fast) @ state
            peak = max(peak, abs(float(state[tilt])))
        return peak


def _close(loop: LinearLoop, plant: Plant, torque_factor: float) -> ClosedGraph:
    """Plant, readings under way, and controller as one system; its command in N m."""
    controller, known = loop.controller, loop.plant
    machine, around = _machine(plant, torque_factor)
    place = {name: at for at, name in enumerate(around.states)}
    size, kept = len(around.states), [at for at, name in enumerate(machine.states) if name != "wheel_turn"]
    read = np.array([around.readings[name] for name in READINGS])
    # What quantisers and unfiltered noise add: to a reading at once, or to what is under way. The newest count of the wheel is
    # remembered as well, and the wheel's turn since then is less by its error.
    at_once, under_way = np.zeros((3, 3)), np.zeros((3, size))
    for row, name in enumerate(("gyro", "angle")):
        if machine.late_ticks:
            under_way[row, place[f"{name}_1"]] = 1.0
        else:
            at_once[row, row] = 1.0 if row == 0 else plant.gravity_m_s2 / STANDARD_GRAVITY_M_S2
    at_once[2, 2] = 1.0 / (machine.window_ticks * known.period_s)
    under_way[2, place["turned_1"]] = -1.0
    process = np.zeros((size, size))
    process[: len(kept), : len(kept)] = machine.process[np.ix_(kept, kept)]
    quantum = known.command_full_scale / known.command_counts

    def one(step: LinearMap) -> tuple[Matrix, Matrix]:
        B, D = loop.columns(step)
        memory = step.A.shape[0]
        row = np.concatenate([D @ read, step.C[0]])
        upper = np.hstack([around.A, np.zeros((size, memory))]) + np.outer(around.B, row)
        noise = np.zeros((size + memory, size + memory))
        noise[:size, :size] = process
        entries = [np.concatenate([under + around.B * (D @ seen), B @ seen]) for seen, under in zip(at_once, under_way, strict=True)]
        rounding = np.concatenate([around.B, np.zeros(memory)])
        variances = [*machine.reading_variances, quantum**2 / 12.0]
        for entry, variance in zip([*entries, rounding], variances, strict=True):
            noise += variance * np.outer(entry, entry)
        return np.vstack([upper, np.hstack([B @ read, step.A])]), noise

    (fast, fast_noise), (slow, slow_noise) = one(controller.ordinary), one(controller.outer)
    poke = np.zeros(fast.shape[0])
    poke[place["rate"]], poke[place["wheel"]] = 1.0, -1.0
    return ClosedGraph((*around.states, *controller.states), fast, slow, fast_noise, slow_noise, poke, controller.slow_every)
