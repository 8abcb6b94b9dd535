"""A trace in physical units, for a body with a reaction wheel.

Takes a trace and the plant whose scales it was written with, gives ``Readings``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.errors import BenchError
from codegen.plant import Plant
from codegen.telemetry.trace import Trace

RealArray = NDArray[np.float64]
NEEDED = ("gyro_rate", "accel_tangential", "wheel_speed", "drive_command")


@dataclass(frozen=True)
class Readings:
    """What the sensors said and the controller asked for, SI units, one value per tick, (ticks,).

    Attributes:
        rate_rad_s: Gyro, its bias in it.
        angle_rad: Tangential acceleration over gravity.
        wheel_rad_s: Wheel speed relative to the body, mean over the counter's window.
        torque_n_m: What the command would give with the plant's own torque constant, friction and back voltage left out.
        armed: Whether the controller was balancing.
        period_s: Nominal length of a tick.
    """

    rate_rad_s: RealArray
    angle_rad: RealArray
    wheel_rad_s: RealArray
    torque_n_m: RealArray
    armed: NDArray[np.bool_]
    period_s: float

    @property
    def ticks(self) -> int:
        """How many there are."""
        return len(self.rate_rad_s)

    def part(self, first: int, end: int) -> Readings:
        """Ticks ``first`` to ``end`` (excluded)."""
        cut = slice(first, end)
        return Readings(
            self.rate_rad_s[cut], self.angle_rad[cut], self.wheel_rad_s[cut], self.torque_n_m[cut], self.armed[cut], self.period_s
        )


def read_physical(trace: Trace, plant: Plant) -> Readings:
    """The trace in physical units.

    Raises:
        BenchError: The controller has no such inputs and outputs: it does not balance a body with a wheel.
    """
    roles = {port.role: port.name for port in (*trace.shape.inputs, *trace.shape.outputs)}
    missing = [role for role in NEEDED if role not in roles]
    if missing:
        raise BenchError(
            f"the controller has no {' and no '.join(missing)}", trace.file_name, "give the log of a body with a reaction wheel"
        )

    def column(role: str) -> RealArray:
        return trace.column(roles[role]).astype(np.float64)

    per_count = plant.command_full_scale / plant.command_counts
    command = column("drive_command") * per_count
    current = command / plant.resistance_ohm if plant.voltage_drive else command
    # A voltage pushes against the back voltage of the wheel.
    wheel = column("wheel_speed") / plant.wheel_counts_per_rad_s
    if plant.voltage_drive:
        current = current - plant.torque_constant * wheel / plant.resistance_ohm
    armed = trace.column(roles["armed"]) != 0 if "armed" in roles and trace.has(roles["armed"]) else np.ones(trace.ticks, dtype=np.bool_)
    return Readings(
        rate_rad_s=column("gyro_rate") / plant.gyro.counts_per_rad_s,
        angle_rad=column("accel_tangential") / plant.accelerometer.counts_per_m_s2 / plant.gravity_m_s2,
        wheel_rad_s=wheel,
        torque_n_m=plant.torque_constant * np.clip(current, -plant.current_limit_a, plant.current_limit_a),
        armed=np.asarray(armed, dtype=np.bool_),
        period_s=plant.period_s,
    )
