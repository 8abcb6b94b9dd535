"""The linear closed loop as it is sampled: matrices for every kind of tick, and the frequency response.

Takes :class:`~codegen.design.gains.Gains` and a machine (not necessarily the one they were made for); gives
matrices. No limit of the law acts here.

Two readings of the same loop:

* :func:`close_loop`: the periodically time-varying loop, exact. Ordinary ticks have one matrix, every n-th
tick (the
  outer tick) another. Stability is that of their product over one outer period.
* :class:`LoopResponse`: the loop opened at the torque command, as a function of frequency. The outer loop's
mean over n
  ticks and its value held for n ticks are each counted as a mean over n ticks, and the images that the slow
  sampling makes of fast signals are left out. With n = 1 nothing is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.design.gains import TRIM_DAMPING, Gains
from codegen.design.machine import ANGLE, GYRO, TURN, SampledMachine, sample_machine
from codegen.plant import Plant

Matrix = NDArray[np.float64]
Response = NDArray[np.complex128]

CONTROLLER_STATES = ("tilt_estimate", "momentum_sum", "tilt_sum", "momentum_estimate", "trim", "lean")

INJECTIONS = (
    "command",
    "tilt_estimate",
    "momentum",
    "momentum_estimate",
    "trim",
    "lean",
    "gyro_reading",
    "angle_reading",
    "turn_reading",
)
"""What can be added to the loop, explained in :class:`ClosedLoop`."""

READING_INJECTIONS = INJECTIONS[-3:]


@dataclass(frozen=True)
class ClosedLoop:
    """The armed loop with no limit acting, over one tick: x' = A x + B e, A and B those of the tick's kind.

    States are those at the tick before the controller runs: the N of
    :class:`~codegen.design.machine.SampledMachine`; the readings still under way, ``gyro_1`` ... and
    ``angle_1`` ... (as read that many ticks ago); ``turned_1`` ..., the wheel's turn in rad since the counts
    that many ticks ago (in place of the machine's ``wheel_turn``, a sum without end of which only
    differences are read); then the controller's
    memory: ``tilt_estimate`` (rad), ``momentum_sum`` (N m s) and ``tilt_sum`` (rad) since the last outer
    tick, ``momentum_estimate`` (N m s), ``trim`` (rad), ``lean`` (rad). So what the controller computes at a
    tick stands in the *next* state: its command is the next ``command_1``. All are deviations from rest at
    the set-point.

    Injections, each added at its tick: ``command`` (N m) to the command; ``tilt_estimate`` (rad) to the
    estimate after its update, so it is used at once and remembered; ``momentum`` (N m s) to this tick's H;
    at outer ticks ``momentum_estimate`` (N m s), ``trim`` and ``lean`` (rad) to the new values; the
    ``..._reading`` ones (rad/s, rad, rad) to what the sensors see, after their low-passes. At ordinary ticks
    the columns of the outer ones are zero.

    Attributes:
        states: Names of the M states, in order.
        injections: Names of the columns of B, ``INJECTIONS``.
        fast: A of an ordinary tick, (M, M).
        slow: A of an outer tick, (M, M).
        fast_injections: B of an ordinary tick, (M, 9).
        slow_injections: B of an outer tick, (M, 9).
        outer_divider: n: n - 1 ordinary ticks, then an outer one.
        process: (M, M), covariance that the sensors' filtered noise adds per tick.
        reading_variances: (3,), variances of the three ``..._reading`` injections.
    """

    states: tuple[str, ...]
    injections: tuple[str, ...]
    fast: Matrix
    slow: Matrix
    fast_injections: Matrix
    slow_injections: Matrix
    outer_divider: int
    process: Matrix
    reading_variances: Matrix

    def one_period(self) -> Matrix:
        """A over one outer period, (M, M), from just after an outer tick to just after the next."""
        product: Matrix = self.slow @ np.linalg.matrix_power(self.fast, self.outer_divider - 1)
        return product

    def spectral_radius(self) -> float:
        """Largest eigenvalue magnitude over one outer period; the loop is stable exactly if below 1."""
        return float(np.max(np.abs(np.linalg.eigvals(self.one_period()))))


def closed_loop_matrices(gains: Gains) -> ClosedLoop:
    """The closed loop of the gains on the machine they were made for."""
    return close_loop(gains, gains.plant)


def close_loop(gains: Gains, plant: Plant, torque_factor: float = 1.0) -> ClosedLoop:
    """The closed loop of the gains on ``plant``, whose torque is ``torque_factor`` times the commanded."""
    machine = sample_machine(plant, torque_factor)
    pipeline = (
        *(f"gyro_{age}" for age in range(1, machine.late_ticks + 1)),
        *(f"angle_{age}" for age in range(1, machine.late_ticks + 1)),
        *(f"turn_{age}" for age in range(1, machine.window_ticks + 1)),
    )
    states = (*machine.states, *pipeline, *CONTROLLER_STATES)
    fast, fast_injections = _one_tick(gains, machine, states, outer=False)
    slow, slow_injections = _one_tick(gains, machine, states, outer=True)
    process = np.zeros((len(states), len(states)))
    process[: len(machine.states), : len(machine.states)] = machine.process
    change, kept = _turned(states)
    square = np.ix_(kept, kept)
    return ClosedLoop(
        states=tuple(states[at].replace("turn_", "turned_") for at in kept),
        injections=INJECTIONS,
        fast=(change @ fast @ change)[square],
        slow=(change @ slow @ change)[square],
        fast_injections=(change @ fast_injections)[kept],
        slow_injections=(change @ slow_injections)[kept],
        outer_divider=gains.plant.outer_divider,
        process=process[square],
        reading_variances=machine.reading_variances,
    )


def _turned(states: tuple[str, ...]) -> tuple[Matrix, list[int]]:
    """Change of states that counts every turn from the present one, and the states that are left then.

    The change is its own inverse. Nothing depends on the present turn itself any more, so it can go.
    """
    change = np.eye(len(states))
    present = states.index("wheel_turn")
    for at, name in enumerate(states):
        if name.startswith("turn_"):
            change[at, at], change[at, present] = -1.0, 1.0
    return change, [at for at in range(len(states)) if at != present]


def _one_tick(gains: Gains, machine: SampledMachine, states: tuple[str, ...], *, outer: bool) -> tuple[Matrix, Matrix]:
    """A and B of one tick: every line of the law as a row over [states, injections]."""
    known, size = gains.plant, len(machine.states)
    unit = np.eye(len(states) + len(INJECTIONS))
    old = {name: unit[at] for at, name in enumerate(states)}
    added = {name: unit[len(states) + at] for at, name in enumerate(INJECTIONS)}
    seen = np.hstack([machine.readings, np.zeros((3, unit.shape[0] - size))])
    seen = seen + np.stack([added[name] for name in READING_INJECTIONS])
    new: dict[str, Matrix] = {}
    for name, row, ages in (
        ("gyro", GYRO, machine.late_ticks),
        ("angle", ANGLE, machine.late_ticks),
        ("turn", TURN, machine.window_ticks),
    ):
        for age in range(1, ages + 1):
            new[f"{name}_{age}"] = seen[row] if age == 1 else old[f"{name}_{age - 1}"]
    late = machine.late_ticks
    rate = old[f"gyro_{late}"] if late else seen[GYRO]
    angle = old[f"angle_{late}"] if late else seen[ANGLE]
    window_s = machine.window_ticks * known.period_s
    wheel = (seen[TURN] - old[f"turn_{machine.window_ticks}"]) / window_s

    blend = known.period_s / gains.filter_time_s
    tilt = (1.0 - blend) * old["tilt_estimate"] + known.period_s * rate + blend * angle + added["tilt_estimate"]
    inertia, spin = known.body_inertia_kg_m2, known.wheel_inertia_kg_m2
    momentum = spin * wheel + (inertia + spin) * rate + added["momentum"]
    momentum_sum, tilt_sum = old["momentum_sum"] + momentum, old["tilt_sum"] + tilt
    estimate, trim, lean = old["momentum_estimate"], old["trim"], old["lean"]
    if outer:
        ticks = known.outer_divider
        span = ticks * known.period_s
        surprise = momentum_sum / ticks - estimate
        drift = known.gravity_torque_n_m * (tilt_sum / ticks - trim)
        correction = TRIM_DAMPING * gains.trim_pole_rad_s * surprise
        estimate = estimate + span * (drift + correction) + added["momentum_estimate"]
        trim = trim - span * gains.trim_pole_rad_s**2 / known.gravity_torque_n_m * surprise + added["trim"]
        lean = -gains.momentum_gain_rad_per_n_m_s * momentum_sum / ticks + added["lean"]
        momentum_sum, tilt_sum = np.zeros_like(momentum_sum), np.zeros_like(tilt_sum)
    torque = (
        gains.proportional_n_m_per_rad * (tilt - trim)
        + gains.derivative_n_m_s_per_rad * rate
        - gains.lean_gain_n_m_per_rad * lean
        + gains.wheel_gain_n_m_s * wheel
        + added["command"]
    )
    new.update(zip(CONTROLLER_STATES, (tilt, momentum_sum, tilt_sum, estimate, trim, lean), strict=True))
    after = np.zeros((len(states), unit.shape[0]))
    after[:size, :size] = machine.transition
    after[:size] += np.outer(machine.command, torque)
    after[size:] = [new[name] for name in states[size:]]
    return after[:, : len(states)], after[:, len(states) :]


class LoopResponse:
    """The loop opened at the torque command, as a function of frequency; see the module's docstring."""

    def __init__(self, gains: Gains, plant: Plant, torque_factor: float = 1.0) -> None:
        """The gains on ``plant``, whose command yields ``torque_factor`` times its nominal torque."""
        self._gains = gains
        self._machine = sample_machine(plant, torque_factor)

    def response(self, frequencies_rad_s: Matrix) -> Response:
        """L at the frequencies (k,) in rad/s, complex (k,); 1 + L = 0 is the edge of stability."""
        shift = self._shift(frequencies_rad_s)
        shown, _ = self._shown(shift, self._machine.command)
        loop: Response = -np.einsum("ki,ki->k", self._law(shift), shown)
        return loop

    def wheel_to_torque(self, frequencies_rad_s: Matrix) -> Response:
        """True wheel speed in the closed loop per torque added at the wheel, rad/s per N m, complex (k,)."""
        shift = self._shift(frequencies_rad_s)
        law = self._law(shift)
        by_command, wheel_by_command = self._shown(shift, self._machine.command)
        by_torque, wheel_by_torque = self._shown(shift, self._machine.torque)
        loop = -np.einsum("ki,ki->k", law, by_command)
        command = np.einsum("ki,ki->k", law, by_torque) / (1.0 + loop)
        wheel: Response = wheel_by_torque + wheel_by_command * command
        return wheel

    def _shift(self, frequencies_rad_s: Matrix) -> Response:
        """The shift by one tick, z = exp(j w T)."""
        turn: Response = np.exp(1j * frequencies_rad_s * self._gains.plant.period_s)
        return turn

    def _shown(self, shift: Response, entry: Matrix) -> tuple[Response, Response]:
        """Readings (k, 3) as they arrive and true wheel speed (k,), per unit through ``entry`` (N,)."""
        machine, size = self._machine, len(entry)
        matrices = shift[:, None, None] * np.eye(size) - machine.transition
        states = np.linalg.solve(matrices, np.broadcast_to(entry[:, None], (len(shift), size, 1)))
        back = 1.0 / shift
        late = back**machine.late_ticks
        counting = (1.0 - back**machine.window_ticks) / (machine.window_ticks * self._gains.plant.period_s)
        shown: Response = (machine.readings @ states)[:, :, 0] * np.stack([late, late, counting], axis=1)
        wheel: Response = np.asarray(states[:, machine.states.index("wheel"), 0], dtype=np.complex128)
        return shown, wheel

    def _law(self, shift: Response) -> Response:
        """The law's torque per unit of rate, angle and wheel speed as it gets them: complex (k, 3)."""
        gains, known = self._gains, self._gains.plant
        back = 1.0 / shift
        blend = known.period_s / gains.filter_time_s
        remember = 1.0 - (1.0 - blend) * back
        nothing = np.zeros_like(back)
        tilt = np.stack([known.period_s / remember, blend / remember, nothing], axis=1)
        inertia, spin = known.body_inertia_kg_m2, known.wheel_inertia_kg_m2
        momentum = np.array([inertia + spin, 0.0, spin])

        ticks = known.outer_divider
        mean = ((1.0 - back**ticks) / (ticks * (1.0 - back)))[:, None]
        momentum_mean, tilt_mean = mean * momentum, mean * tilt
        trim = self._trim(back[:, None] ** ticks, momentum_mean, tilt_mean)
        lean = -gains.momentum_gain_rad_per_n_m_s * momentum_mean
        law: Response = gains.proportional_n_m_per_rad * (tilt - mean * trim)
        law -= gains.lean_gain_n_m_per_rad * mean * lean
        law += np.array([gains.derivative_n_m_s_per_rad, 0.0, gains.wheel_gain_n_m_s])
        return law

    def _trim(self, back: Response, momentum_mean: Response, tilt_mean: Response) -> Response:
        """The trim observer's answer to the means by Cramer's rule; ``back`` delays by one outer period."""
        gains, gravity = self._gains, self._gains.plant.gravity_torque_n_m
        span = gains.plant.outer_divider * gains.plant.period_s
        pull = span * gains.trim_pole_rad_s**2 / gravity
        correct = span * TRIM_DAMPING * gains.trim_pole_rad_s
        keep = 1.0 - back
        trim_row = (keep, -pull * back, -pull * momentum_mean)
        estimate_row = (
            span * gravity * back,
            keep + correct * back,
            span * gravity * tilt_mean + correct * momentum_mean,
        )
        numerator = trim_row[2] * estimate_row[1] - trim_row[1] * estimate_row[2]
        trim: Response = numerator / (trim_row[0] * estimate_row[1] - trim_row[1] * estimate_row[0])
        return trim
