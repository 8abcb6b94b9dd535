"""The processor in the loop: the firmware on its emulated core flies the simulated machine.

Takes a firmware's ``TargetImage``, a plant and a scenario, gives a ``TargetFlight``.  The machine is simulated here and attached where
the stubs of the sensor and drive layer keep readings and command; everything between is the target's own code.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any

import cffi
import numpy as np

from codegen.errors import LoopwrightError
from codegen.plant import AnyPlant, Flight, Scenario, StepFunction, fly_any
from codegen.target.emulate_simavr import SimavrCore
from codegen.target.image import Counts, TargetImage, pack, unpack
from codegen.target.run import start_core

WAIT = "board_wait_for_tick"
_AVR_TICK = "__vector_11"


@dataclass(frozen=True)
class TargetFlight:
    """A flight with the target's core at the controls.

    Attributes:
        target: Name.
        flight: What the machine did.
        trace: (ticks, inputs and outputs) of the firmware's own ring buffer at the end, oldest first.
        lost_ticks: What the firmware counted.
        busy_cycles: Most cycles from the timer's interrupt until the firmware waits again; None where no cycles are counted.
        seconds: Time it took.
        emulator: Name and version.
    """

    target: str
    flight: Flight
    trace: Counts
    lost_ticks: int
    busy_cycles: int | None
    seconds: float
    emulator: str


def fly_on_target(image: TargetImage, plant: AnyPlant, scenario: Scenario) -> TargetFlight:
    """Fly a scenario with the firmware ``image`` on its emulated core.

    On an AVR the tick comes from the simulated timer and its interrupt; elsewhere the flag that the interrupt would set is set from
    outside, since the emulator has no timer.

    Raises:
        CompileError: The emulator is missing.
        CheckFailed: The core faults or does not come back.
        LoopwrightError: The scenario is contradictory.
    """
    begun = time.perf_counter()
    core = start_core(image, WAIT)
    ffi = cffi.FFI()
    readings, command = image.address_of("board_readings"), image.address_of("board_command")
    due, wait = image.address_of("board_tick_due"), image.address_of(WAIT)
    layout = image.layout
    columns = len(image.shape.inputs)
    failure: list[LoopwrightError] = []
    busiest = 0

    def tick() -> None:
        nonlocal busiest
        if isinstance(core, SimavrCore):
            core.run_on(image.address_of(_AVR_TICK))
            before = core.cycle
            core.run_on(wait)
            busiest = max(busiest, core.cycle - before)
        else:
            core.write(due, b"\x01")
            core.run_on(wait)

    def step(_context: Any, inputs: Any, outputs: Any) -> None:
        if failure:
            return
        row = np.array([[inputs[place] for place in range(columns)]], dtype=np.int64)
        core.write(readings, pack(row, layout.inputs))
        try:
            tick()
        except LoopwrightError as error:
            # The simulator is C and lets no exception through; it is raised when the flight is over.
            failure.append(error)
            return
        for place, value in enumerate(unpack(core.read(command, layout.outputs.itemsize), layout.outputs)[0]):
            outputs[place] = int(value)

    try:
        callback: Any = ffi.callback("void(void *, const int32_t *, int32_t *)", step)
        flight = fly_any(plant, StepFunction(int(ffi.cast("uintptr_t", callback)), 0, callback), scenario)
        if failure:
            raise failure[0]
        trace = _read_ring(image, core.read)
        lost = core.read(image.address_of("board_lost_ticks"), 1)[0]
        busy = busiest if isinstance(core, SimavrCore) else None
    finally:
        core.close()
    return TargetFlight(image.target.name, flight, trace, lost, busy, time.perf_counter() - begun, core.version)


def _read_ring(image: TargetImage, read: Any) -> Counts:
    """The ring buffer of the firmware, oldest tick first."""
    ring = image.symbols["board_trace_entries"]
    layout = image.layout
    first = layout.inputs.itemsize
    # The command follows the readings at its own alignment, and the entry has that of its widest member.
    align = _alignment(image)
    offset = -(-first // align) * align
    size = -(-(offset + layout.outputs.itemsize) // align) * align
    content = read(ring.address, ring.size)
    entries = [content[place : place + size] for place in range(0, ring.size - size + 1, size)]
    shown = unpack(b"".join(entry[:first] for entry in entries), layout.inputs)
    said = unpack(b"".join(entry[offset : offset + layout.outputs.itemsize] for entry in entries), layout.outputs)
    oldest = int.from_bytes(read(image.address_of("board_trace_next"), 2), "little")
    return np.roll(np.concatenate([shown, said], axis=1), -oldest, axis=0)


def _alignment(image: TargetImage) -> int:
    ports = (*image.shape.inputs, *image.shape.outputs)
    return 1 if image.target.chip.family == "avr" else max(port.bits // 8 for port in ports)
