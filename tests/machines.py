"""Machines the tests fly: the three invented museum lanterns and the published robot.

The lanterns' numbers are invented for this project (the lively one uses published mechanics, see there).
"""

from __future__ import annotations

import math
from dataclasses import replace

from codegen.plant import Accelerometer, Gyro, Plant

STANDARD_GRAVITY = 9.80665
PERIOD_S = 0.001


def lantern_gyro(*, bias_dps: float = 0.0, noise: bool = True) -> Gyro:
    """Return the gyro common to all lanterns."""
    return Gyro(
        counts_per_rad_s=65.536 * 180 / math.pi,
        noise_rad_s_sqrt_hz=math.radians(0.005) if noise else 0.0,
        bias_rad_s=math.radians(bias_dps),
        low_pass_hz=188.0,
        counts_max=32767,
    )


def lantern_accelerometer(*, noise: bool = True) -> Accelerometer:
    """Return the accelerometer common to all lanterns, 10 cm above the edge."""
    return Accelerometer(
        counts_per_m_s2=16384 / STANDARD_GRAVITY,
        noise_m_s2_sqrt_hz=300e-6 * STANDARD_GRAVITY if noise else 0.0,
        height_m=0.10,
        low_pass_hz=188.0,
        counts_max=32767,
    )


def lantern_calm(*, noise: bool = True) -> Plant:
    """Calm drive: a small, smooth, slow motor (invented)."""
    return Plant(
        gravity_torque_n_m=(0.27 * 0.064 + 0.08 * 0.0815) * 9.81,
        body_inertia_kg_m2=1.8386e-3 + 0.08 * 0.0815**2,
        wheel_inertia_kg_m2=1.02e-4,
        pivot_damping_n_m_s=1e-4,
        pivot_coulomb_n_m=1e-4,
        balance_offset_rad=0.0,
        torque_constant=0.045,
        resistance_ohm=5.0,
        supply_v=11.1,
        current_limit_a=1.2,
        wheel_viscous_n_m_s=3e-6,
        wheel_coulomb_n_m=0.4e-3,
        wheel_stiction_n_m=0.6e-3,
        stribeck_rad_s=3.0,
        cogging_n_m=0.8e-3,
        cogging_per_rev=84,
        current_lag_s=0.4e-3,
        command_counts=512,
        command_full_scale=1.2,
        voltage_drive=False,
        gyro=lantern_gyro(noise=noise),
        accelerometer=lantern_accelerometer(noise=noise),
        wheel_counts_per_rad_s=4096 * 0.004 / (2 * math.pi),
        wheel_counts_max=32767,
        period_s=PERIOD_S,
        outer_divider=40,
        latency_s=0.0013,
        wheel_window_ticks=4,
        axle_height_m=0.0815,
    )


def lantern_heavy(*, noise: bool = True) -> Plant:
    """Heavy drive: a larger ring (invented)."""
    return Plant(
        gravity_torque_n_m=0.4316,
        body_inertia_kg_m2=4.77e-3,
        wheel_inertia_kg_m2=5.25e-4,
        pivot_damping_n_m_s=2e-4,
        pivot_coulomb_n_m=2e-4,
        balance_offset_rad=0.0,
        torque_constant=0.035,
        resistance_ohm=1.5,
        supply_v=11.1,
        current_limit_a=3.0,
        wheel_viscous_n_m_s=1e-5,
        wheel_coulomb_n_m=1.5e-3,
        wheel_stiction_n_m=2.2e-3,
        stribeck_rad_s=3.0,
        cogging_n_m=2e-3,
        cogging_per_rev=42,
        current_lag_s=0.4e-3,
        command_counts=512,
        command_full_scale=3.0,
        voltage_drive=False,
        gyro=lantern_gyro(noise=noise),
        accelerometer=lantern_accelerometer(noise=noise),
        wheel_counts_per_rad_s=1024 * 0.008 / (2 * math.pi),
        wheel_counts_max=32767,
        period_s=PERIOD_S,
        outer_divider=40,
        latency_s=0.0013,
        wheel_window_ticks=8,
        axle_height_m=0.10,
    )


def lantern_lively(*, noise: bool = True) -> Plant:
    """Lively drive: a fast motor with coarse speed sensing.

    Body, wheel, pivot and viscous numbers: Gajamohan, Merz, Thommen, D'Andrea, "The Cubli: A Cube that can
    Jump Up and Balance", IEEE/RSJ IROS 2012, parameter table. All else is invented.
    """
    return Plant(
        gravity_torque_n_m=(0.419 * 0.075 + 0.204 * 0.085) * 9.81,
        body_inertia_kg_m2=3.34e-3 + 0.204 * 0.085**2,
        wheel_inertia_kg_m2=0.57e-3,
        pivot_damping_n_m_s=1.02e-3,
        pivot_coulomb_n_m=3e-4,
        balance_offset_rad=0.0,
        torque_constant=25.1e-3,
        resistance_ohm=0.60,
        supply_v=22.2,
        current_limit_a=8.0,
        wheel_viscous_n_m_s=0.05e-3,
        wheel_coulomb_n_m=4e-3,
        wheel_stiction_n_m=6e-3,
        stribeck_rad_s=8.0,
        cogging_n_m=4e-3,
        cogging_per_rev=48,
        current_lag_s=0.4e-3,
        command_counts=512,
        command_full_scale=8.0,
        voltage_drive=False,
        gyro=lantern_gyro(noise=noise),
        accelerometer=lantern_accelerometer(noise=noise),
        wheel_counts_per_rad_s=48 * 0.016 / (2 * math.pi),
        wheel_counts_max=32767,
        period_s=PERIOD_S,
        outer_divider=40,
        latency_s=0.0013,
        wheel_window_ticks=16,
        axle_height_m=0.085,
    )


LANTERNS = {"calm": lantern_calm, "heavy": lantern_heavy, "lively": lantern_lively}


def published_robot() -> Plant:
    """One-axis reaction-wheel robot of a published student report, with fine ideal sensors.

    Mechanics, torque constant and current limit: Kitz, Brehin, Sander, Vestergaard, Villarmarzo Arrunada,
    "Cubli: Dynamic Control of a Reaction Wheel Inverted Pendulum", BSc project report 16gr630, Aalborg
    University, 2016, chapter 6 (l_w = 0.093 m as in the wheel table and the code), g = 9.82 m/s^2, 10 ms
    sample time.
    """
    return Plant(
        gravity_torque_n_m=(0.548 * 0.08498 + 0.222 * 0.093) * 9.82,
        body_inertia_kg_m2=4.8e-3 + 0.222 * 0.093**2,
        wheel_inertia_kg_m2=0.601e-3,
        pivot_damping_n_m_s=7.7e-3,
        pivot_coulomb_n_m=0.0,
        balance_offset_rad=0.0,
        torque_constant=0.0335,
        resistance_ohm=1.0,
        supply_v=1000.0,
        current_limit_a=4.0,
        wheel_viscous_n_m_s=17.03e-6,
        wheel_coulomb_n_m=0.0,
        wheel_stiction_n_m=0.0,
        stribeck_rad_s=1.0,
        cogging_n_m=0.0,
        cogging_per_rev=0.0,
        current_lag_s=0.0,
        command_counts=1_000_000,
        command_full_scale=4.0,
        voltage_drive=False,
        gyro=Gyro(1e6, 0.0, 0.0, 0.0, 2**31 - 1),
        accelerometer=Accelerometer(1e6, 0.0, 0.0, 0.0, 2**31 - 1),
        wheel_counts_per_rad_s=1e4,
        wheel_counts_max=2**31 - 1,
        period_s=0.01,
        outer_divider=1,
        latency_s=0.0,
        wheel_window_ticks=1,
        gravity_m_s2=9.82,
    )


def smooth(plant: Plant) -> Plant:
    """Return the machine without friction, cogging, lag, filters or latency, and with fine readings."""
    return replace(
        plant,
        pivot_damping_n_m_s=0.0,
        pivot_coulomb_n_m=0.0,
        wheel_viscous_n_m_s=0.0,
        wheel_coulomb_n_m=0.0,
        wheel_stiction_n_m=0.0,
        cogging_n_m=0.0,
        current_lag_s=0.0,
        latency_s=0.0,
        gyro=replace(plant.gyro, noise_rad_s_sqrt_hz=0.0, low_pass_hz=0.0, counts_per_rad_s=1e6, counts_max=2**31 - 1),
        accelerometer=replace(
            plant.accelerometer,
            noise_m_s2_sqrt_hz=0.0,
            low_pass_hz=0.0,
            counts_per_m_s2=1e6,
            counts_max=2**31 - 1,
        ),
        wheel_counts_max=2**31 - 1,
    )
