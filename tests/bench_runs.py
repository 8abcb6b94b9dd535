"""Bench runs of invented lanterns, simulated: what the logs of ``loopwright measure`` would hold if the truth were known.

Swings come from scipy's integrator with the pivot's dry friction at full sharpness (events at each reversal); runs with a turning wheel
from the project's plant simulator, which has cogging, Stribeck friction, quantisation, noise, delays and current lag that the fits do not
have. Scale and voltmeter have the errors of their kind.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from codegen.bench.columns import meaning_of
from codegen.bench.log import Column, Log, parse_log
from codegen.build import Build, read_build
from codegen.native.compile import Library, compile_library
from codegen.plant import Plant, Scenario, StepFunction, fly, model_plant

EXAMPLES = Path(__file__).parent / "examples"
INVENTED = "# Invented data: simulated readings of a museum lantern that exists nowhere."

_DECLARATIONS = """
typedef struct { int32_t count; int32_t tick; const int32_t *from; const int32_t *command; } schedule;
void schedule_step(void *context, const int32_t *inputs, int32_t *outputs);
"""
_SOURCE = (
    "#include <stdint.h>\n"
    + _DECLARATIONS
    + """
void schedule_step(void *context, const int32_t *inputs, int32_t *outputs)
{
    schedule *s = context;
    int32_t i = 0;
    while (i + 1 < s->count && s->from[i + 1] <= s->tick) { i++; }
    outputs[0] = s->command[i];
    outputs[1] = inputs[4];
    outputs[2] = 0;
    s->tick++;
}
"""
)

RealArray = NDArray[np.float64]


@functools.cache
def _library() -> Library:
    return compile_library({"schedule.c": _SOURCE}, declarations=_DECLARATIONS)


def scheduled(steps: Sequence[tuple[int, int]]) -> StepFunction:
    """A controller that gives each command from its tick on."""
    ffi = _library().ffi
    ticks, commands = ffi.new("int32_t[]", [t for t, _ in steps]), ffi.new("int32_t[]", [c for _, c in steps])
    memory: Any = ffi.new("schedule *", {"count": len(steps), "tick": 0, "from": ticks, "command": commands})
    owner = (_library(), ticks, commands, memory)
    return StepFunction(_library().address_of("schedule_step"), int(ffi.cast("uintptr_t", memory)), owner=owner)


@dataclass(frozen=True)
class Truth:
    """A machine as it is, and its build file as the builder guessed it.

    Attributes:
        plant: The truth.
        build: The file: right in masses, axle height and scales of the sensors, guessed otherwise.
        gyro_gain: Reading of the gyro per true rate.
    """

    plant: Plant
    build: Build
    gyro_gain: float = 1.0

    @property
    def mass_height_kg_m(self) -> float:
        return self.plant.gravity_torque_n_m / self.plant.gravity_m_s2


@functools.cache
def lantern(name: str) -> Build:
    return read_build(EXAMPLES / f"lantern_{name}.toml")


def nominal(name: str = "calm") -> Truth:
    """A lantern that is exactly as its build file says."""
    build = lantern(name)
    return Truth(model_plant(build), build)


def drawn(rng: np.random.Generator) -> Truth:
    """A lantern that differs from its build file in everything that the bench measures."""
    name = ("calm", "heavy", "lively")[int(rng.integers(3))]
    build = lantern(name)
    p = model_plant(build)

    def about(value: float, share: float) -> float:
        return value * float(rng.uniform(1 - share, 1 + share))

    def within_factor(value: float, factor: float) -> float:
        return float(value * factor ** float(rng.uniform(-1, 1)))

    coulomb = within_factor(p.wheel_coulomb_n_m, 1.6)
    plant = replace(
        p,
        gravity_torque_n_m=about(p.gravity_torque_n_m, 0.1),
        body_inertia_kg_m2=about(p.body_inertia_kg_m2, 0.1),
        wheel_inertia_kg_m2=about(p.wheel_inertia_kg_m2, 0.15),
        torque_constant=about(p.torque_constant, 0.1),
        pivot_damping_n_m_s=within_factor(p.pivot_damping_n_m_s, 2),
        pivot_coulomb_n_m=within_factor(p.pivot_coulomb_n_m, 2),
        wheel_coulomb_n_m=coulomb,
        wheel_stiction_n_m=coulomb * float(rng.uniform(1.2, 1.8)),
        stribeck_rad_s=within_factor(p.stribeck_rad_s, 1.5),
        wheel_viscous_n_m_s=within_factor(p.wheel_viscous_n_m_s, 2),
        cogging_n_m=within_factor(p.cogging_n_m, 2),
        current_lag_s=within_factor(p.current_lag_s, 2),
        latency_s=float(rng.uniform(0.0005, 0.003)),
        gyro=replace(
            p.gyro,
            noise_rad_s_sqrt_hz=within_factor(p.gyro.noise_rad_s_sqrt_hz, 1.6),
            bias_rad_s=math.radians(float(rng.uniform(-1, 1))),
        ),
        accelerometer=replace(p.accelerometer, noise_m_s2_sqrt_hz=within_factor(p.accelerometer.noise_m_s2_sqrt_hz, 1.6)),
    )
    return Truth(plant, build, float(rng.uniform(0.997, 1.003)))


# ---- one run each ----


def stamps(count: int, period_s: float) -> RealArray:
    """Equally spaced times from zero."""
    return np.asarray(np.arange(count) * period_s, dtype=np.float64)


def swing_columns(
    truth: Truth, rng: np.random.Generator, *, seconds: float = 25.0, start_deg: float = 15.0, taped: bool = True, period_s: float = 1e-3
) -> dict[str, RealArray]:
    """A hanging swing: gyro counts with noise, bias, low-pass and rounding. A free wheel without friction leaves J out."""
    p = truth.plant
    inertia = p.body_inertia_kg_m2 + (p.wheel_inertia_kg_m2 if taped else 0.0)
    time_s = stamps(round(seconds / period_s), period_s)
    _, rate = swing_motion(
        p.gravity_torque_n_m / inertia, p.pivot_damping_n_m_s / inertia, p.pivot_coulomb_n_m / inertia, math.radians(start_deg), time_s
    )
    return {"time_s": time_s, "gyro_counts": gyro_counts(truth, rate, rng, period_s)}


def swing_motion(a: float, beta: float, gamma: float, start_rad: float, time_s: RealArray) -> tuple[RealArray, RealArray]:
    """Tilt and rate of th'' = -a sin th - beta th' - gamma sgn th' from rest at ``start_rad``, at these times."""
    tilt, rate = np.zeros_like(time_s), np.zeros_like(time_s)
    state, now, sign = [start_rad, 0.0], 0.0, -math.copysign(1.0, start_rad)

    while now < time_s[-1] and a * abs(math.sin(state[0])) > gamma:

        def motion(t: float, y: RealArray, s: float = sign) -> list[float]:
            return [y[1], -a * math.sin(y[0]) - beta * y[1] - gamma * s]

        def reversal(t: float, y: RealArray, begun: float = now, s: float = sign) -> float:
            return float(y[1]) if t > begun + 1e-6 else 1e-12 * s

        reversal.terminal = True  # type: ignore[attr-defined]
        found = solve_ivp(
            motion, (now, time_s[-1] + 0.1), state, method="DOP853", rtol=1e-9, atol=1e-10, events=reversal, dense_output=True
        )
        assert found.sol is not None
        inside = (time_s >= now) & (time_s <= found.t[-1])
        tilt[inside], rate[inside] = found.sol(time_s[inside])
        state, now, sign = [float(found.y[0, -1]), 0.0], float(found.t[-1]), -sign
    tilt[time_s > now] = state[0]
    return tilt, rate


def gyro_counts(truth: Truth, rate: RealArray, rng: np.random.Generator, period_s: float) -> RealArray:
    gyro = truth.plant.gyro
    noisy = truth.gyro_gain * rate + gyro.bias_rad_s + rng.normal(0.0, gyro.noise_rad_s_sqrt_hz * math.sqrt(0.5 / period_s), len(rate))
    return np.round(noisy * gyro.counts_per_rad_s)


def flown_columns(truth: Truth, steps: Sequence[tuple[float, float]], seconds: float, seed: int, *, clamped: bool) -> dict[str, RealArray]:
    """A run of the simulator hanging (clamped or free), commands in shares of full scale from given times on."""
    p = truth.plant
    schedule = [(round(t / p.period_s), round(share * p.command_counts)) for t, share in steps]
    scenario = Scenario(
        seconds, seed=seed, tilt_rad=math.pi, hold_s=seconds + 1.0 if clamped else 0.0, record_counts=True, fall_tilt_rad=1e9
    )
    flight = fly(p, scheduled(schedule), scenario)
    assert flight.counts is not None
    counts = flight.counts.astype(np.float64)
    return {
        "time_s": stamps(len(counts), p.period_s),
        "gyro_counts": np.round(truth.gyro_gain * counts[:, 0]),
        "accel_tangential_counts": counts[:, 1],
        "wheel_counts": counts[:, 3],
        "command_counts": counts[:, 6],
    }


def square_columns(truth: Truth, seed: int, *, seconds: float = 12.0, share: float = 0.35, half_s: float = 0.55) -> dict[str, RealArray]:
    """A hanging square-wave run."""
    steps = [(0.0, share), *((half_s * (k + 0.5), share * (-1) ** (k + 1)) for k in range(int(seconds / half_s) + 1))]
    columns = flown_columns(truth, steps, seconds, seed, clamped=False)
    return {name: columns[name] for name in ("time_s", "gyro_counts", "wheel_counts", "command_counts")}


def spin_columns(truth: Truth, seed: int, *, seconds: float = 25.0) -> dict[str, RealArray]:
    """Spin-up with a third of the current to half of the top speed, then coast-down, body clamped."""
    p = truth.plant
    up_s = 0.5 * p.top_speed_rad_s * p.wheel_inertia_kg_m2 / (0.33 * p.torque_limit_n_m)
    columns = flown_columns(truth, [(0.0, 0.0), (0.2, 0.33), (0.2 + up_s, 0.0)], seconds, seed, clamped=True)
    return {name: columns[name] for name in ("time_s", "wheel_counts", "command_counts")}


def rest_columns(truth: Truth, seed: int, *, seconds: float = 60.0) -> dict[str, RealArray]:
    """Everything at rest."""
    columns = flown_columns(truth, [(0.0, 0.0)], seconds, seed, clamped=True)
    return {name: columns[name] for name in ("time_s", "gyro_counts", "accel_tangential_counts")}


def scale_columns(truth: Truth, rng: np.random.Generator, levers_m: Sequence[float] = ()) -> dict[str, RealArray]:
    """Six readings of a 1 g kitchen scale, levers read to half a millimetre."""
    height = truth.mass_height_kg_m / (truth.build.body.mass_kg.value + truth.build.wheel.mass_kg.value)
    levers = np.array(levers_m or [round(height * factor, 3) for factor in (1.3, 1.45, 1.6, 1.75, 1.9, 2.05)])
    common_m, gain = 0.25e-3 * rng.uniform(-1, 1), 1 + 0.001 * rng.uniform(-1, 1)
    true = levers + common_m + 0.25e-3 * rng.uniform(-1, 1, len(levers))
    return {"lever_mm": 1e3 * levers, "scale_g": np.round(1e3 * gain * truth.mass_height_kg_m / true)}


def supply_columns(truth: Truth, rng: np.random.Generator) -> dict[str, RealArray]:
    """Six settings of the voltage at no load and two with the wheel held, with voltmeter and ammeter."""
    p = truth.plant
    speeds = np.concatenate((np.linspace(0.3, 0.95, 6) * p.top_speed_rad_s, [0.0, 0.0]))
    current = (p.wheel_coulomb_n_m + p.wheel_viscous_n_m_s * speeds) / p.torque_constant
    current[6:] = 0.2 * p.current_limit_a, 0.3 * p.current_limit_a
    volts = p.torque_constant * speeds + p.resistance_ohm * current
    gain, shunt = 1 + 0.004 * rng.uniform(-1, 1), 1 + 0.01 * rng.uniform(-1, 1)
    return {
        "voltage_v": np.round(volts * gain * (1 + rng.normal(0, 5e-4, 8)), 2),
        "wheel_rad_s": np.round(speeds * (1 + rng.normal(0, 5e-4, 8)), 1),
        "current_a": np.round(current * shunt * (1 + rng.normal(0, 0.005, 8)), 4),
    }


# ---- as logs ----


def log_of(file_name: str, columns: Mapping[str, RealArray], **declared: str) -> Log:
    """A log without the detour over text."""
    held = {}
    for position, (name, values) in enumerate(columns.items(), start=1):
        meaning = meaning_of(name)
        assert meaning is not None, name
        held[meaning.quantity] = Column(name, position, meaning, np.asarray(values, dtype=np.float64))
    rows = len(next(iter(columns.values())))
    return Log(file_name, declared, dict.fromkeys(declared, 1), 2, held, np.arange(3, 3 + rows), ())


def csv_text(columns: Mapping[str, RealArray], header: Sequence[str] = (), decimals: Mapping[str, int] | None = None) -> str:
    """A log as text."""
    places = {"time_s": 4, **(decimals or {})}
    table = [[f"{value:.{places.get(name, 0)}f}" for value in values] for name, values in columns.items()]
    rows = [",".join(cells) for cells in zip(*table, strict=True)]
    return "\n".join([*header, ",".join(columns), *rows]) + "\n"


def parsed(text: str, file_name: str = "log.csv") -> Log:
    return parse_log(text.encode("utf-8"), file_name)
