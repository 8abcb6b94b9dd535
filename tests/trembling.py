"""Twelve robots, each with one thing wrong, and the logs they write.

All invented: museum lanterns whose real machine or program differs from their build file in one respect, large enough to be felt. The
simulator writes the logs; the diagnosis gets the build file, the log and, where the builder edited the C, the edited text.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from codegen.diagnosis import Twin
from codegen.emit import Emission, emit_controller
from codegen.formats import choose_formats
from codegen.machines import DesignedLantern, design_lantern
from codegen.plant import Plant, Scenario, StepFunction, fly
from codegen.ranges import find_ranges
from codegen.rules.fixed import FixedGraph
from codegen.targets import read_target
from codegen.telemetry import trace_text

EXAMPLES = Path(__file__).parent / "examples"
SECONDS, HOLD_S = 60.0, 0.3
OFFSET_RAD, BIAS_RAD_S = math.radians(1.2), math.radians(0.3)


@dataclass(frozen=True)
class Planted:
    """One robot.

    Attributes:
        name: Short.
        expected: What the diagnosis must name first.
        lantern: Which example it is built after.
        written: Changes of the build file's text: (old, new); new text alone is appended.
        real: From the build's plant to the real machine.
        edited: From the emitted C to the text that the robot runs.
        scenario: Changes of the flight.
        seed: Of its sensors' noise.
    """

    name: str
    expected: str
    lantern: str = "calm"
    written: tuple[tuple[str, str], ...] = ()
    real: Callable[[Plant], Plant] = field(default=lambda plant: plant)
    edited: Callable[[str, FixedGraph], str] | None = None
    scenario: Callable[[Scenario], Scenario] = field(default=lambda scenario: scenario)
    seed: int = 77


def noisier_gyro(plant: Plant) -> Plant:
    """A gyro with ten times its noise: the wrong filter setting."""
    return replace(plant, gyro=replace(plant.gyro, noise_rad_s_sqrt_hz=10.0 * plant.gyro.noise_rad_s_sqrt_hz))


def noisier_accelerometer(plant: Plant) -> Plant:
    """An accelerometer with twenty times its noise: it sits on the motor's mount."""
    return replace(plant, accelerometer=replace(plant.accelerometer, noise_m_s2_sqrt_hz=20.0 * plant.accelerometer.noise_m_s2_sqrt_hz))


def sticky(plant: Plant) -> Plant:
    """A bearing with friction that the build file knows nothing of."""
    return replace(plant, wheel_coulomb_n_m=1.6e-3, wheel_stiction_n_m=2.4e-3)


def coarse_state(text: str, fixed: FixedGraph) -> str:
    """The filter's state held to 2**-14 rad: somebody saved memory."""
    kept, word = "state->tilt_last = tilt;", fixed.formats["tilt_last"]
    if kept not in text:
        raise AssertionError("the emitted C keeps its tilt in another way now")
    bits = round(math.log2(2.0**-14 / float(word.lsb)))
    cut = f"(((int64_t)tilt + (INT64_C(1) << {bits - 1})) >> {bits}) * (INT64_C(1) << {bits})"
    return text.replace(kept, f"state->tilt_last = ({word.ctype})({cut});")


def stalled_ticks() -> tuple[float, ...]:
    """One tick in twenty comes up to 15 ms late: something else holds the processor."""
    source = np.random.default_rng(5)
    late = source.random(round(SECONDS * 1000)) < 0.05
    return tuple((1e-3 + np.where(late, 0.015 * source.random(len(late)), 0.0)).tolist())


NO_FRICTION = (
    ("\ncoulomb_n_m = 4.0e-4\nstiction_n_m = 6.0e-4\n", "\ncoulomb_n_m = 0.0\nstiction_n_m = 0.0\n"),
    ("cogging_n_m = 8.0e-4", "cogging_n_m = 0.0"),
    ("", '\n[design]\nstructure = "lqg"\nwheel_setpoint_rad_s = 0\n'),
)

PLANTED = (
    Planted("gyro_noise", "gyro noise", real=noisier_gyro),
    Planted("accelerometer_noise", "accelerometer noise", "heavy", real=noisier_accelerometer),
    Planted("stiction", "stiction hunting", written=NO_FRICTION, real=sticky),
    Planted("cogging", "cogging", real=lambda plant: replace(plant, cogging_n_m=4e-3, cogging_per_rev=12)),
    Planted("command_steps", "torque quantisation", written=(("command_counts = 512", "command_counts = 16"),)),
    Planted("speed_steps", "wheel speed quantisation", written=(("counts_per_rad_s = 2.607594", "counts_per_rad_s = 0.05"),)),
    Planted("latency", "lack of delay margin", "heavy", real=lambda plant: replace(plant, latency_s=0.022)),
    Planted("jitter", "loop jitter", scenario=lambda scenario: replace(scenario, tick_lengths_s=stalled_ticks())),
    Planted("unbalance", "unbalanced wheel", real=lambda plant: replace(plant, wheel_unbalance_kg_m=3e-5)),
    Planted("rounding", "fixed-point rounding", edited=coarse_state),
    Planted(
        "balance_angle",
        "balance angle beyond the trim's range",
        "lively",
        real=lambda plant: replace(plant, balance_offset_rad=math.radians(13.0)),
    ),
    Planted(
        "dead_sensor",
        "a sensor stops changing",
        "lively",
        scenario=lambda scenario: replace(scenario, faults=(("frozen_gyro", 25.0, SECONDS),)),
    ),
)


@dataclass(frozen=True)
class Written:
    """Files of one robot: build file, log, and edited C or None."""

    build: Path
    log: Path
    source: Path | None


def write_robot(planted: Planted, folder: Path) -> Written:
    """Build the robot, fly it for a minute, and write its files."""
    text = (EXAMPLES / f"lantern_{planted.lantern}.toml").read_text(encoding="utf-8")
    for old, new in planted.written:
        if old not in text:
            raise AssertionError(f"the example no longer says {old!r}")
        text = text.replace(old, new, 1) if old else text + new
    build = folder / f"{planted.name}.toml"
    build.write_text(text, encoding="utf-8")
    designed = design_lantern(build)
    source, emission = None, None
    if planted.edited is not None:
        own = own_emission(designed)
        emission = Emission(own.name, own.header, planted.edited(own.source, own_fixed(designed)))
        source = folder / f"{planted.name}.c"
        source.write_text(emission.source, encoding="utf-8")
    plant = replace(designed.plant, balance_offset_rad=OFFSET_RAD, gyro=replace(designed.plant.gyro, bias_rad_s=BIAS_RAD_S))
    plant = planted.real(plant)
    scenario = Scenario(
        SECONDS,
        seed=planted.seed,
        tilt_rad=-plant.balance_offset_rad,
        hold_s=HOLD_S,
        arm_s=HOLD_S,
        record_every=1,
        record_counts=True,
        fall_tilt_rad=math.radians(75.0),
    )
    twin = Twin(designed, read_target(designed.build.target.mcu), emission)
    flight = fly(plant, StepFunction(*twin.controller.flight_step()), planted.scenario(scenario))
    if flight.counts is None:
        raise AssertionError("the flight was asked for its counts")
    log = folder / f"{planted.name}.csv"
    log.write_text(trace_text(twin.shape, flight.counts, flight.time_s), encoding="utf-8")
    twin.close()
    return Written(build, log, source)


def own_emission(designed: DesignedLantern) -> Emission:
    """What the design emits."""
    return emit_controller(own_fixed(designed), {})


def own_fixed(designed: DesignedLantern) -> FixedGraph:
    """The integers behind it."""
    target = read_target(designed.build.target.mcu)
    return choose_formats(find_ranges(designed.graph()), target, designed.build.target.error_budget_counts.value)
