"""Execution of AVR images in the simulator simavr, which counts the core's cycles.

Takes a ``TargetImage``, gives a ``SimavrCore``: the image in a simulated chip, started from its reset vector.  The simulator is a C
library without a stable binary interface; ``simavr_bridge.c`` is compiled against its headers on this machine.
"""

from __future__ import annotations

import functools
import subprocess
from pathlib import Path
from typing import Any, Self

import numpy as np

from codegen.errors import CheckFailed, CompileError
from codegen.native.compile import Library, compile_library, find_compiler
from codegen.target.image import Counts, TargetImage, pack, unpack
from codegen.target.trace import DIRT, InstructionTrace, StepTrace

# Of no consequence: the simulator's timers count cycles.
_CLOCK_HZ = 16_000_000
_CALL_CYCLES = 10_000_000
_LONGEST_STEP = 200_000
_CRASHED = 1
_LIBRARY = "simavr"
_REMEDY = "install simavr with its headers (Debian: libsimavr-dev)"


@functools.cache
def _bridge() -> Library:
    """The compiled bridge.

    Raises:
        CompileError: The simulator or its headers are missing.
    """
    # Without a compiler for this machine its own error is the right one.
    find_compiler()
    folder = Path(__file__).parent
    header = (folder / "simavr_bridge.h").read_text(encoding="utf-8")
    source = (folder / "simavr_bridge.c").read_text(encoding="utf-8")
    probe = '#include <simavr/sim_avr.h>\nint probe(void);\nint probe(void) { return avr_make_mcu_by_name("none") == 0; }\n'
    flags = ("-Wl,--no-as-needed", f"-l{_LIBRARY}")
    try:
        compile_library({"probe.c": probe}, declarations="int probe(void);", flags=flags, warnings_are_errors=False).close()
    except CompileError as error:
        raise CompileError("the AVR simulator is missing: no library simavr to compile and link against", "", _REMEDY) from error
    guarded = f"#include <stdint.h>\n{header}"
    return compile_library({"simavr_bridge.c": source, "simavr_bridge.h": guarded}, declarations=header, flags=flags)


@functools.cache
def simavr_version() -> str:
    """Name and, where the package tells it, version of the simulator.

    Raises:
        CompileError: It is not installed.
    """
    _bridge()
    try:
        done = subprocess.run(["pkg-config", "--modversion", "simavr"], capture_output=True, text=True, timeout=30.0, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return "simavr"
    return f"simavr {done.stdout.strip()}".strip()


class SimavrCore:
    """A simulated chip with an image in its flash, started.

    Args:
        image: For an AVR target.
        stop: Symbol up to which the start-up code runs.

    Raises:
        CompileError: The simulator is missing or does not know the chip.
        CheckFailed: The start-up code does not arrive at ``stop``.
    """

    def __init__(self, image: TargetImage, stop: str = "driven_halt") -> None:
        library = _bridge()
        self.image = image
        self.version = simavr_version()
        self._ffi, self._lib = library.ffi, library.lib
        flash = bytearray()
        for segment in image.segments:
            flash.extend(b"\xff" * (segment.address - len(flash)))
            flash[segment.address : segment.address + len(segment.content)] = segment.content
        self._core: Any = self._lib.bridge_open(image.target.chip.model.encode(), _CLOCK_HZ, bytes(flash), len(flash))
        if self._core == self._ffi.NULL:
            raise CompileError(
                "the AVR simulator does not know this chip",
                image.target.name,
                "correct the key chip.model of the target's description",
            )
        chip = image.target.chip
        if self._lib.bridge_ram_end(self._core) != chip.ram_origin + chip.ram_bytes - 1:
            raise CompileError("the AVR simulator has another memory map", image.target.name, "correct ram_origin and ram_bytes")
        # Memory holds anything when power comes on; start-up code that relies on zeros must be seen to fail.
        self.write(chip.ram_origin, bytes([DIRT]) * chip.ram_bytes)
        self.run_on(image.address_of(stop))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Free the simulated chip."""
        if self._core is not None:
            self._lib.bridge_close(self._core)
            self._core = None

    @property
    def cycle(self) -> int:
        """Clock cycles since reset."""
        return int(self._lib.bridge_cycle(self._core))

    def read(self, address: int, size: int) -> bytes:
        """Bytes of data memory."""
        content = self._ffi.new("uint8_t[]", size)
        self._lib.bridge_read(self._core, address, size, content)
        return bytes(self._ffi.buffer(content, size))

    def write(self, address: int, content: bytes) -> None:
        """Overwrite data memory."""
        self._lib.bridge_write(self._core, address, len(content), content)

    def run_on(self, stop: int, limit: int = _CALL_CYCLES) -> None:
        """Run, timers and interrupts included, until the instruction at ``stop`` is next; at least one instruction.

        Raises:
            CheckFailed: The core crashes or does not arrive within ``limit`` cycles.
        """
        self._judge(self._lib.bridge_run_to(self._core, stop, limit))

    def call(self, name: str, *arguments: int) -> int:
        """Call a function of the image with up to three words; returns its cycles, return included.

        Raises:
            CheckFailed: It does not return.
        """
        words = self._ffi.new("uint16_t[3]", [*arguments, 0, 0, 0][:3])
        cycles = self._ffi.new("int64_t *")
        function, halt = self.image.address_of(name), self.image.address_of("driven_halt")
        self._judge(self._lib.bridge_call(self._core, function, halt, words, _CALL_CYCLES, cycles))
        return int(cycles[0])

    def _judge(self, ended: int) -> None:
        if ended:
            what = "crashes" if ended == _CRASHED else "does not come to an end"
            place = int(self._lib.bridge_counter(self._core))
            raise CheckFailed(f"the simulated core {what}", f"{self.image.target.name}, address 0x{place:x}")

    def start(self) -> None:
        """Initialise the controller's memory."""
        self.call("driven_start", self.image.address_of("driven_state"))

    def memory(self) -> Counts:
        """(members,) of the state struct."""
        layout = self.image.layout.state
        members: Counts = unpack(self.read(self.image.address_of("driven_state"), layout.itemsize), layout)[0]
        return members

    def inject(self, memory: Counts) -> None:
        """Overwrite the members of the state struct, (members,); live gains stay."""
        state, layout = self.image.address_of("driven_state"), self.image.layout.state
        self.write(state, pack(memory[None, :], layout, self.read(state, layout.itemsize)))

    def _controller(self) -> Any:
        image, layout = self.image, self.image.layout
        return self._ffi.new(
            "bridge_controller *",
            {
                "step": image.address_of(image.shape.step),
                "halt": image.address_of("driven_halt"),
                "state": image.address_of("driven_state"),
                "inputs": image.address_of("driven_inputs"),
                "outputs": image.address_of("driven_outputs"),
                "state_size": layout.state.itemsize,
                "inputs_size": layout.inputs.itemsize,
                "outputs_size": layout.outputs.itemsize,
            },
        )

    def run(self, inputs: Counts) -> StepTrace:
        """Advance by the ticks of ``inputs`` (ticks, inputs), counting cycles from entry to return.

        Raises:
            CheckFailed: The core crashes.
        """
        layout, ticks = self.image.layout, len(inputs)
        outputs = np.zeros(ticks, dtype=layout.outputs)
        memory = np.zeros(ticks, dtype=layout.state)
        cycles, stack = np.zeros(ticks, dtype=np.int64), np.zeros(ticks, dtype=np.int64)
        ended = self._ffi.new("int32_t *")
        done = self._lib.bridge_steps(
            self._core,
            self._controller(),
            ticks,
            pack(inputs, layout.inputs),
            self._ffi.cast("uint8_t *", outputs.ctypes.data),
            self._ffi.cast("uint8_t *", memory.ctypes.data),
            self._ffi.cast("int64_t *", cycles.ctypes.data),
            self._ffi.cast("int64_t *", stack.ctypes.data),
            ended,
        )
        if done < ticks:
            self._judge(int(ended[0]))
        stack_bytes = int(stack.max()) if ticks else 0
        return StepTrace(unpack(outputs.tobytes(), layout.outputs), unpack(memory.tobytes(), layout.state), cycles, stack_bytes)

    def trace(self, reading: Counts) -> InstructionTrace:
        """Advance by one tick with ``reading`` (inputs,), noting every instruction.

        Raises:
            CheckFailed: The core crashes.
        """
        places, cycles = np.empty(_LONGEST_STEP, dtype=np.int64), np.empty(_LONGEST_STEP, dtype=np.int64)
        self.write(self.image.address_of("driven_inputs"), pack(reading[None, :], self.image.layout.inputs))
        pointers = [self._ffi.cast("int64_t *", array.ctypes.data) for array in (places, cycles)]
        count = int(self._lib.bridge_trace(self._core, self._controller(), _LONGEST_STEP, *pointers))
        if count < 0:
            self._judge(-count)
        return InstructionTrace(places[:count].copy(), cycles[:count].copy())
