"""Fly a controller on a simulated machine.

Takes: a plant, a compiled controller, a scenario. Gives: a ``Flight`` with statistics and, on request,
records. Does not: know what the controller computes.

The loop runs in compiled C (``simulator.c``, method and model described there). Ticks: at each the sensors
are read, the controller is called, and its command takes effect after the compute delay. The plant's latency
is split: whole ticks make the inertial readings late, the remaining fraction is the compute delay.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from codegen.errors import LoopwrightError
from codegen.native.compile import Library, compile_library
from codegen.plant.model import Plant
from codegen.plant.scenario import Scenario, count_ticks, list_events, machine_members, tick_of

_HEADERS = ("exchange.h", "simulator.h")
# Without errno the compiler can use the machine's square root in line; the results are the same.
SIMULATOR_FLAGS = ("-fno-math-errno",)
_FILES = ("simulator.c", *_HEADERS, "noise.h", "sensors.h")
_COUNT_COLUMNS = 9
_ROW_COLUMNS = 6

RealArray = NDArray[np.float64]


@dataclass(frozen=True)
class StepFunction:
    """A compiled controller, called once per tick.

    Its type is ``void step(void *context, const int32_t *inputs, int32_t *outputs)``.

    Attributes:
        address: Its machine address (``Library.address_of``).
        context: Address of its memory, handed through untouched; 0 = none.
        owner: Whatever must stay alive while the address is used (the library, the memory).
    """

    address: int
    context: int = 0
    owner: object = None


@dataclass(frozen=True)
class Flight:
    """Result of one run; SI units, tilt from the true balance angle.

    Statistics are over the ticks from ``statistics_from_s`` on.

    Attributes:
        scenario: What was flown.
        stands: Whether the body stayed within the fall tilt to the end.
        fell_at_s: When it did not; None if it stands.
        ticks: Controller calls made.
        tilt_rms_rad: Root mean square about zero.
        tilt_max_rad: Largest size.
        tilt_mean_rad, wheel_mean_rad_s: Means.
        wheel_std_rad_s: Standard deviation about the mean.
        wheel_max_rad_s: Largest size.
        torque_rms_n_m: Root mean square of the motor torque (torque constant times current).
        final_tilt_rad, final_rate_rad_s, final_wheel_rad_s: State at the end.
        armed, tripped: The controller's last flags.
        time_s, tilt_rad, rate_rad_s, wheel_rad_s, torque_n_m, command_counts: Recorded rows, each (r,); the
            state at a tick and the command given at it.
        counts: (ticks, 9) raw inputs (gyro_rate, accel_tangential, accel_radial, wheel_speed, arm,
            sensor_fresh) and outputs (drive_command, armed, tripped), or None.
    """

    scenario: Scenario
    stands: bool
    fell_at_s: float | None
    ticks: int
    tilt_rms_rad: float
    tilt_max_rad: float
    tilt_mean_rad: float
    wheel_mean_rad_s: float
    wheel_std_rad_s: float
    wheel_max_rad_s: float
    torque_rms_n_m: float
    final_tilt_rad: float
    final_rate_rad_s: float
    final_wheel_rad_s: float
    armed: bool
    tripped: bool
    time_s: RealArray
    tilt_rad: RealArray
    rate_rad_s: RealArray
    wheel_rad_s: RealArray
    torque_n_m: RealArray
    command_counts: RealArray
    counts: NDArray[np.int32] | None


def read_sources(names: Sequence[str]) -> dict[str, str]:
    """C files of this folder, name to text."""
    folder = Path(__file__).parent
    return {name: (folder / name).read_text(encoding="utf-8") for name in names}


def simulator_sources() -> dict[str, str]:
    """The simulator's C files, name to text."""
    return read_sources(_FILES)


def simulator_declarations() -> str:
    """What the simulator's headers declare."""
    return "".join(read_sources(_HEADERS).values())


@dataclass(frozen=True)
class PackedRun:
    """One run as the simulator takes it; keep it as long as the simulator runs.

    Attributes:
        members: Of the C structure ``simulated_run``.
        rows: (r, 6) recorded rows, filled by the simulator.
        counts: (ticks, 9) or None, likewise.
        statistics: C array ``simulated_statistics``, one per window, likewise.
        owned: Further memory that the members point to.
    """

    members: dict[str, Any]
    rows: RealArray
    counts: NDArray[np.int32] | None
    statistics: Any
    owned: tuple[Any, ...]


def pack_run(ffi: Any, plant: Plant, scenario: Scenario, windows_s: Sequence[float]) -> PackedRun:
    """A scenario in C's memory, with windows of statistics that begin at ``windows_s`` (rising) and end where the next begins.

    Raises:
        LoopwrightError: The scenario is contradictory.
    """
    ticks = count_ticks(plant, scenario)
    events = ffi.new("simulated_event[]", [{"tick": t, "kind": k, "value": v} for t, k, v in list_events(plant, scenario)])
    starts = ffi.new("int64_t[]", [tick_of(time_s, plant.period_s) for time_s in windows_s])
    statistics = ffi.new("simulated_statistics[]", len(windows_s))
    lengths = np.asarray(scenario.tick_lengths_s, dtype=np.float64)
    every = scenario.record_every
    rows = np.empty((-(-ticks // every) if every else 0, _ROW_COLUMNS))
    counts = np.empty((ticks, _COUNT_COLUMNS), dtype=np.int32) if scenario.record_counts else None
    members = {
        "ticks": ticks,
        "seed": scenario.seed,
        "tilt": scenario.tilt_rad,
        "rate": scenario.rate_rad_s,
        "wheel": scenario.wheel_rad_s,
        "fall_tilt": scenario.fall_tilt_rad,
        "window_starts": starts,
        "window_count": len(windows_s),
        "statistics": statistics,
        "tick_lengths": ffi.cast("double *", lengths.ctypes.data) if len(lengths) else ffi.NULL,
        "record_every": every,
        "events": events,
        "event_count": len(events),
        "rows": ffi.cast("double *", rows.ctypes.data) if every else ffi.NULL,
        "counts": ffi.NULL if counts is None else ffi.cast("int32_t *", counts.ctypes.data),
    }
    return PackedRun(members, rows, counts, statistics, (events, starts, lengths))


def fly(plant: Plant, controller: StepFunction, scenario: Scenario) -> Flight:
    """Simulate the closed loop.

    Raises:
        LoopwrightError: The scenario is contradictory, or a delay or counting window is longer than the
            simulator can remember.
        CompileError: The simulator cannot be compiled on this machine.
    """
    library = _simulator()
    ffi = library.ffi
    packed = pack_run(ffi, plant, scenario, (scenario.statistics_from_s,))
    run = ffi.new("simulated_run *", packed.members)
    machine = ffi.new("simulated_machine *", machine_members(plant, scenario))
    result: Any = ffi.new("simulated_result *")
    status = library.lib.simulate(
        machine,
        run,
        ffi.cast("controller_step", controller.address),
        ffi.cast("void *", controller.context),
        result,
    )
    if status != 0:
        raise too_long(plant)
    rows, statistics = packed.rows[: result.row_count], packed.statistics[0]
    fell = bool(result.fell)
    return Flight(
        scenario=scenario,
        stands=not fell,
        fell_at_s=float(result.ticks) * plant.period_s if fell else None,
        ticks=int(result.ticks),
        tilt_rms_rad=math.sqrt(statistics.tilt_square_mean),
        tilt_max_rad=float(statistics.tilt_max),
        tilt_mean_rad=float(statistics.tilt_mean),
        wheel_mean_rad_s=float(statistics.wheel_mean),
        wheel_std_rad_s=math.sqrt(statistics.wheel_variance),
        wheel_max_rad_s=float(statistics.wheel_max),
        torque_rms_n_m=math.sqrt(statistics.torque_square_mean),
        final_tilt_rad=float(result.tilt),
        final_rate_rad_s=float(result.rate),
        final_wheel_rad_s=float(result.wheel),
        armed=bool(result.armed),
        tripped=bool(result.tripped),
        time_s=rows[:, 0],
        tilt_rad=rows[:, 1],
        rate_rad_s=rows[:, 2],
        wheel_rad_s=rows[:, 3],
        torque_n_m=rows[:, 4],
        command_counts=rows[:, 5],
        counts=None if packed.counts is None else packed.counts[: result.ticks],
    )


def too_long(plant: Plant) -> LoopwrightError:
    """What to raise if the simulator refuses a machine."""
    return LoopwrightError(
        f"a latency of {plant.latency_s:g} s or a wheel speed window of {plant.wheel_window_ticks} ticks is too long to simulate", "plant"
    )


@functools.cache
def _simulator() -> Library:
    """Return the simulator, compiled once per process."""
    return compile_library(simulator_sources(), declarations=simulator_declarations(), optimise="-O3", flags=SIMULATOR_FLAGS)
