"""Machines that differ from the nominal one in one respect each.

Takes: a plant. Gives: labelled plants. The sizes are what weighing, swinging and a data sheet leave open, and more (common practice,
no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from codegen.plant import AnyPlant, Encoders, Plant, RollingPlant


def perturb_any(plant: AnyPlant) -> Mapping[str, AnyPlant]:
    """Label to machine, for a plant of any kind."""
    return perturbed_rolling(plant) if isinstance(plant, RollingPlant) else perturbed_machines(plant)


def perturbed_machines(plant: Plant) -> dict[str, Plant]:
    """Label to machine: torque, inertia, gravity torque, latency, friction, noise, cogging."""
    tick = plant.period_s
    machines = {
        f"torque {factor - 1:+.0%}": replace(plant, torque_constant=factor * plant.torque_constant) for factor in (0.8, 1.2)
    }
    machines |= {
        f"inertia {factor - 1:+.0%}": replace(plant, body_inertia_kg_m2=factor * plant.body_inertia_kg_m2)
        for factor in (0.85, 1.15)
    }
    machines |= {
        f"gravity torque {factor - 1:+.0%}": replace(plant, gravity_torque_n_m=factor * plant.gravity_torque_n_m)
        for factor in (0.9, 1.1)
    }
    machines["latency + 2 ticks"] = replace(plant, latency_s=plant.latency_s + 2.0 * tick)
    machines["friction x 3"] = replace(
        plant,
        wheel_viscous_n_m_s=3.0 * plant.wheel_viscous_n_m_s,
        wheel_coulomb_n_m=3.0 * plant.wheel_coulomb_n_m,
        wheel_stiction_n_m=3.0 * plant.wheel_stiction_n_m,
        pivot_damping_n_m_s=3.0 * plant.pivot_damping_n_m_s,
        pivot_coulomb_n_m=3.0 * plant.pivot_coulomb_n_m,
    )
    machines["sensor noise x 3"] = replace(
        plant,
        gyro=replace(plant.gyro, noise_rad_s_sqrt_hz=3.0 * plant.gyro.noise_rad_s_sqrt_hz),
        accelerometer=replace(plant.accelerometer, noise_m_s2_sqrt_hz=3.0 * plant.accelerometer.noise_m_s2_sqrt_hz),
    )
    machines["cogging x 2"] = replace(plant, cogging_n_m=2.0 * plant.cogging_n_m)
    return machines


def perturbed_rolling(plant: RollingPlant) -> dict[str, RollingPlant]:
    """Label to machine: torque, height and load of the body, latency, friction, noise or coarser encoders."""
    machines = {f"torque {factor - 1:+.0%}": replace(plant, torque_constant=factor * plant.torque_constant) for factor in (0.8, 1.2)}
    machines |= {
        f"height {factor - 1:+.0%}": replace(
            plant, moment_kg_m=factor * plant.moment_kg_m, inertia_kg_m2=factor**2 * plant.inertia_kg_m2
        )
        for factor in (0.9, 1.1)
    }
    machines |= {
        f"load {factor - 1:+.0%}": replace(
            plant,
            mass_kg=plant.mass_kg + (factor - 1.0) * plant.body_mass_kg,
            moment_kg_m=factor * plant.moment_kg_m,
            inertia_kg_m2=factor * plant.inertia_kg_m2,
        )
        for factor in (0.85, 1.15)
    }
    machines["latency + 2 ticks"] = replace(plant, latency_s=plant.latency_s + 2.0 * plant.period_s)
    machines["friction x 2"] = replace(
        plant,
        pivot_damping_n_m_s=2.0 * plant.pivot_damping_n_m_s,
        pivot_coulomb_n_m=2.0 * plant.pivot_coulomb_n_m,
        rail_viscous_n_s_m=2.0 * plant.rail_viscous_n_s_m,
        rail_coulomb_n=2.0 * plant.rail_coulomb_n,
        drive_viscous_n_m_s=2.0 * plant.drive_viscous_n_m_s,
        drive_coulomb_n_m=2.0 * plant.drive_coulomb_n_m,
    )
    senses = plant.senses
    if not isinstance(senses, Encoders):
        gyro = replace(senses.gyro, noise_rad_s_sqrt_hz=3.0 * senses.gyro.noise_rad_s_sqrt_hz)
        accelerometer = replace(senses.accelerometer, noise_m_s2_sqrt_hz=3.0 * senses.accelerometer.noise_m_s2_sqrt_hz)
        machines["sensor noise x 3"] = replace(plant, senses=replace(senses, gyro=gyro, accelerometer=accelerometer))
    return machines
