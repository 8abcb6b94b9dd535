"""What each cause is called, what shows it, and what helps.

Takes what was found out, gives sentences. Computes next to nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from codegen.diagnosis.shares import Shares
from codegen.diagnosis.twin import Flown, Twin
from codegen.telemetry import AsFlown

REMEDIES: Mapping[str, str] = {
    "latency": "shorten it: read the sensor right before the step, give the command at once, use a faster bus or a wider sensor filter; "
    "or put the true figure into loop.latency_us and ship again",
    "loop gain": "correct the torque constant (or current scale) in the build file and ship again",
    "jitter": "run the step from a timer interrupt of high priority; keep long work (radio, display, logging) out of its way",
    "gyro noise": "check the gyro's range and filter setting, its supply and its screws; a quieter gyro if the setting is right",
    "accelerometer noise": "mount the sensor away from the motor, on something soft and heavy; a longer filter_time_s makes less of it",
    "stiction": "hold a wheel speed away from standstill (wheel_setpoint_rad_s); clean or run in the bearing; give the measured friction "
    "to the build file",
    "cogging": "another wheel speed moves the line away from where the body answers; a motor with less cogging, or skewed, helps for good",
    "unbalance": "balance the wheel: take weight off where it hangs down, or add some opposite; look for a loose or bent ring",
    "command steps": "more command_counts: a finer PWM or DAC, or a smaller current range",
    "wheel speed steps": "a finer encoder, or a longer counting window (sensors.wheel_speed.window_ms)",
    "rounding": "take the C that `loopwright ship` emits, or give the edited one longer words: `loopwright verify --source` says where",
}
TITLES: Mapping[str, str] = {
    "latency": "lack of delay margin",
    "loop gain": "loop gain off",
    "jitter": "loop jitter",
    "gyro noise": "gyro noise",
    "accelerometer noise": "accelerometer noise",
    "stiction": "stiction hunting",
    "cogging": "cogging",
    "unbalance": "unbalanced wheel",
    "command steps": "torque quantisation",
    "wheel speed steps": "wheel speed quantisation",
    "rounding": "fixed-point rounding",
}


@dataclass(frozen=True)
class Cause:
    """One cause.

    Attributes:
        name: Key of ``REMEDIES``.
        title: In words.
        share: Of the motion.
        evidence: What shows it.
        remedy: What helps.
    """

    name: str
    title: str
    share: float
    evidence: str
    remedy: str


@dataclass(frozen=True)
class Facts:
    """What the evidence is taken from; None where only a simulation is known.

    Attributes:
        twin: The controller.
        flown: The machine as flown.
        found: From the log.
        rounding_counts: RMS by which the C differs from float64 on the same readings.
        hunting_rad_s: Wheel swing that a describing function predicts for the friction; 0 if none.
        wheel_std_rad_s: Wheel swing as flown.
        reversals_per_s: How often the wheel changes its direction.
    """

    twin: Twin
    flown: Flown
    found: AsFlown | None
    rounding_counts: float
    hunting_rad_s: float
    wheel_std_rad_s: float
    reversals_per_s: float


def list_causes(shares: Shares, facts: Facts) -> tuple[Cause, ...]:
    """Causes by falling share."""
    told = _evidence(facts)
    causes = [Cause(name, TITLES[name], share, told[name], REMEDIES[name]) for name, share in shares.by_cause.items()]
    return tuple(sorted(causes, key=lambda cause: -cause.share))


def _evidence(facts: Facts) -> dict[str, str]:
    built, plant, found = facts.twin.designed.plant, facts.flown.plant, facts.found
    gyro = math.degrees(plant.gyro.noise_rad_s_sqrt_hz)
    accelerometer = 1e6 * plant.accelerometer.noise_m_s2_sqrt_hz / built.gravity_m_s2
    louder = plant.gyro.noise_rad_s_sqrt_hz / max(built.gyro.noise_rad_s_sqrt_hz, 1e-12)
    rougher = plant.accelerometer.noise_m_s2_sqrt_hz / max(built.accelerometer.noise_m_s2_sqrt_hz, 1e-12)
    told = {
        "latency": f"{1e3 * plant.latency_s:.1f} ms from sensor to command, designed for {1e3 * built.latency_s:.1f} ms",
        "loop gain": f"the drive gives {plant.torque_constant / built.torque_constant:.2f} of the torque that is asked for",
        "jitter": _jitter(facts),
        "gyro noise": f"{gyro:.3g} deg/s/sqrt(Hz), {louder:.2g} times the build file's",
        "accelerometer noise": f"{accelerometer:.3g} ug/sqrt(Hz), {rougher:.2g} times the build file's",
        "stiction": _stiction(facts),
        "cogging": f"{1e3 * plant.cogging_n_m:.2g} mN m, {plant.cogging_per_rev:.0f} times a turn",
        "unbalance": f"{1e6 * plant.wheel_unbalance_kg_m:.3g} g mm",
        "command steps": f"one count of the command is {1e3 * built.torque_limit_n_m / built.command_counts:.2g} mN m",
        "wheel speed steps": f"one count of the wheel speed is {1.0 / built.wheel_counts_per_rad_s:.2g} rad/s",
        "rounding": f"on the same readings the C and float64 differ by {facts.rounding_counts:.2g} counts RMS",
    }
    if found is not None:
        told["latency"] += (
            f"; seen in the gyro's spectrum, between {1e3 * found.loop.low_s:.1f} and {1e3 * found.loop.high_s:.1f} ms; "
            f"peak sensitivity {found.margins.peak_sensitivity:.2g}"
        )
        for name, line in (("cogging", found.cogging), ("unbalance", found.unbalance)):
            seen = "no such line is seen" if line is None else f"a line at {line.frequency_hz:.3g} Hz, {line.ratio:.3g} times its floor"
            told[name] += f"; {seen}"
    return told


def _stiction(facts: Facts) -> str:
    plant = facts.flown.plant
    told = (
        f"friction {1e3 * plant.wheel_coulomb_n_m:.2g} mN m, {1e3 * plant.wheel_stiction_n_m:.2g} at standstill; the wheel swings by "
        f"{facts.wheel_std_rad_s:.2g} rad/s RMS and turns round {facts.reversals_per_s:.2g} times a second"
    )
    if facts.hunting_rad_s > 0.0:
        told += f"; a describing function predicts a cycle of +-{facts.hunting_rad_s:.2g} rad/s"
    return told


def _jitter(facts: Facts) -> str:
    period = facts.twin.designed.plant.period_s
    lengths = 1e3 * np.asarray(facts.flown.tick_lengths_s)
    if not len(lengths):
        stamped = facts.found is None or facts.found.jitter_s is not None
        return "the ticks are even" if stamped else "the log has no time stamps, so nothing is known of it"
    return f"ticks of {np.mean(lengths):.3g} +- {np.std(lengths):.2g} ms, the longest {np.max(lengths):.3g}, instead of {1e3 * period:.3g}"
