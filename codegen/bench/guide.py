"""The guide: which experiments to do with string, tape and a kitchen scale, in which order, for how long, with which cautions.

Gives text for people. Where a build file is at hand its numbers fill in the lengths.
"""

from __future__ import annotations

import math

from codegen.bench.log import KEYS, KINDS
from codegen.build import Build
from codegen.plant import model_plant

CAUTION_LINES = (
    "A spinning wheel, a motor and a battery can hurt.",
    "- Guard or cage the wheel; wear eye protection; keep hair, cords and fingers away from it.",
    "- Limit the current, start with a tenth of it, and tether the body so that it cannot leave the bench.",
    "- Disconnect the battery before you touch, tape or turn anything. Never leave a charging or hot battery alone.",
    "- Let nobody stand in the plane of the wheel. Stop when something rattles, smells or gets hot.",
    "- Local codes and the practice of licensed people come before anything said here.",
)


def guide_text(build: Build | None = None) -> str:
    """The guide; with ``build`` for that machine, else with the numbers of a small one."""
    swing_s, half_s, up_s, amps, lever = 0.65, 0.55, 0.6, 0.4, "8 to 14 cm"
    if build is not None:
        plant = model_plant(build)
        swing_s = 2 * math.pi * math.sqrt((plant.body_inertia_kg_m2 + plant.wheel_inertia_kg_m2) / plant.gravity_torque_n_m)
        half_s = 0.85 * swing_s
        amps = 0.35 * plant.current_limit_a
        up_s = 0.5 * plant.top_speed_rad_s * plant.wheel_inertia_kg_m2 / (plant.torque_constant * amps)
        height = plant.gravity_torque_n_m / plant.gravity_m_s2 / (build.body.mass_kg.value + build.wheel.mass_kg.value)
        lever = f"{130 * height:.0f} to {210 * height:.0f} cm"
    minutes = max(1, math.ceil(30 * swing_s / 60))
    return "\n".join(
        [
            *CAUTION_LINES,
            "",
            "You need: string or two nails for the pivot edge, tape, a kitchen scale (1 g), a ruler, a voltmeter, and a log of the",
            "sensors at 500 Hz or more (raw counts are best). Write down the masses and the axle's height in the build file first.",
            "",
            "1. rest: the sensors at rest. Lay the body on something soft, drive off, touch nothing. 60 s, after the electronics have",
            "   been on for ten minutes. Columns: time, gyro, accel_tangential. Gives noise densities and the gyro's bias.",
            "2. scale: m g l. Battery off. Lay the body level: its pivot edge on a support, its far end on the scale. Read the scale,",
            f"   and measure from the edge to where the scale carries ({lever}, or as far as the body reaches),",
            "   to half a millimetre. Six readings at different places. Columns: lever, scale. This is the only reading with a unit of",
            "   force: everything in N m rests on it.",
            "3. swing: body hanging upside down by its edge, WHEEL TAPED to it. Battery off, except for the logger. Lift it to 15 deg,",
            f"   let go, do not touch until it is at rest: 30 swings of {swing_s:.2f} s, {minutes} min. Columns: time, gyro (or tilt).",
            "   Header: # wheel = taped. Gives lambda, the rate of falling, and the pivot's friction.",
            "   Twice the same? Swing once more with a cable less: a cable that pulls shows as a different period.",
            "4. square: hanging as before, wheel free and GUARDED, a square wave of current to the motor:",
            f"   {amps:.2g} A, {half_s:.2f} s each way (0.85 of a swing, lest it build up), 12 s. If it swings beyond 40 deg, take less.",
            "   Columns: time, gyro, wheel, command. Gives the wheel's inertia and torque per ampere. No torque sensor is needed: the",
            "   body that hangs is the balance.",
            f"5. spin: BODY CLAMPED, wheel guarded. {amps:.2g} A for {up_s:.1f} s (half of the top speed), current off, then let it coast",
            "   until it stands: 25 s or more. Columns: time, wheel, command. Gives the wheel's friction.",
            "6. supply: BODY CLAMPED, wheel guarded. Six voltages from a third of the supply to all of it, no load, wheel at its final",
            "   speed; then two at standstill with the wheel blocked (a clamp, not a hand) and current limited. Columns: voltage,",
            "   wheel, current. Gives back-EMF constant and resistance; compared with 2 to 5 it shows a wrong scale.",
            "",
            "Least that helps: 1, 2, 3, 4. Any subset is taken; what is missing stays as the build file has it, and that is said.",
            "",
            "A log is text: lines '# key = value' if you like, one line of column names, then rows of numbers, separated by commas.",
            "Column names say quantity and unit: time_s, gyro_dps, gyro_rad_s, gyro_counts, tilt_deg, accel_tangential_g, wheel_rad_s,",
            "wheel_rpm, wheel_counts, command_counts, command_a, current_a, voltage_v, supply_v, lever_mm, scale_g, ... Counts are",
            "turned into units by the scales of the build file. Positive command, wheel speed and tilt are about the same axis. Keys:",
            *(f"  # {key} = ...   {meaning}" for key, meaning in KEYS.items()),
            f"Without a kind ({', '.join(KINDS)}) it is recognised from the columns and the motion, and said.",
            "",
            "Check the clock of the logger once: 50 swings by a stopwatch against the log. 1 % of time is 2 % of every inertia.",
        ]
    )
