"""Writes the example logs in ``tests/examples/bench``: ``python -m tests.bench_examples``. Invented data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from codegen.plant import Plant
from tests.bench_runs import (
    INVENTED,
    Truth,
    csv_text,
    nominal,
    rest_columns,
    scale_columns,
    spin_columns,
    square_columns,
    supply_columns,
    swing_columns,
)

FOLDER = Path(__file__).parent / "examples" / "bench"
RealArray = NDArray[np.float64]


def example_truth() -> Truth:
    """The calm lantern as it came out of the workshop: a little heavier, and with a wheel a little lighter, than drawn."""
    truth = nominal("calm")
    p: Plant = truth.plant
    made = replace(
        p,
        gravity_torque_n_m=1.031 * p.gravity_torque_n_m,
        body_inertia_kg_m2=1.052 * p.body_inertia_kg_m2,
        wheel_inertia_kg_m2=0.957 * p.wheel_inertia_kg_m2,
        torque_constant=0.0441,
        wheel_coulomb_n_m=4.6e-4,
        wheel_stiction_n_m=7.0e-4,
        wheel_viscous_n_m_s=3.4e-6,
        pivot_damping_n_m_s=1.3e-4,
        pivot_coulomb_n_m=8.0e-5,
        gyro=replace(p.gyro, bias_rad_s=0.0072),
    )
    return Truth(made, truth.build, 1.002)


def every(columns: Mapping[str, RealArray], step: int) -> dict[str, RealArray]:
    return {name: values[::step] for name, values in columns.items()}


def example_logs() -> dict[str, str]:
    """Name and text of each log."""
    truth, rng = example_truth(), np.random.default_rng(20)
    supply = {"voltage_v": 2, "wheel_rad_s": 1, "current_a": 4}
    return {
        "rest.csv": csv_text(rest_columns(truth, 21, seconds=11.0), [INVENTED, "# kind = rest"], {"time_s": 3}),
        "scale.csv": csv_text(
            scale_columns(truth, rng), [INVENTED, "# kind = scale", "# scale_resolution_g = 1", "# lever_uncertainty_mm = 0.5"]
        ),
        "swing.csv": csv_text(every(swing_columns(truth, rng), 4), [INVENTED, "# kind = swing", "# wheel = taped"], {"time_s": 3}),
        "square.csv": csv_text(every(square_columns(truth, 22), 2), [INVENTED, "# kind = square"], {"time_s": 3}),
        "spin.csv": csv_text(every(spin_columns(truth, 23), 4), [INVENTED, "# kind = spin"], {"time_s": 3}),
        "supply.csv": csv_text(supply_columns(truth, rng), [INVENTED, "# kind = supply", "# voltmeter_percent = 0.5"], supply),
    }


def write_examples() -> None:
    FOLDER.mkdir(parents=True, exist_ok=True)
    for name, text in example_logs().items():
        (FOLDER / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write_examples()
