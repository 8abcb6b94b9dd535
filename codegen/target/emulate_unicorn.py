"""Execution of Arm and RISC-V images under the emulator Unicorn.

Takes a ``TargetImage``, gives a ``UnicornCore``: the image in emulated memory, started from its reset vector, whose functions can be
called.  Counts no cycles: Unicorn translates code and knows no timing.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Sequence
from importlib.metadata import version
from typing import Any

import numpy as np

from codegen.errors import CheckFailed, CompileError
from codegen.target.image import Counts, TargetImage, pack, unpack
from codegen.target.trace import StepTrace

# Memory of the emulator alone, for long arrays; no core of ours has anything there.
BATCH_AREA = 0x6000_0000
BATCH_BYTES = 0x0200_0000
_PAGE = 0x1000
# Where a Cortex-M keeps its system registers; start-up code may write there.
_SYSTEM_REGISTERS = 0xE000_E000
# A call that takes longer than this has lost its way.
_MICROSECONDS = 60_000_000
_CORES = {
    "cortex-m0plus": "UC_CPU_ARM_CORTEX_M0",
    "cortex-m3": "UC_CPU_ARM_CORTEX_M3",
    "cortex-m4": "UC_CPU_ARM_CORTEX_M4",
    "cortex-m4f": "UC_CPU_ARM_CORTEX_M4",
}


def _load(name: str) -> Any:
    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise CompileError("the emulator is missing: no Python package unicorn", "", "`pip install unicorn`") from error


def unicorn_version() -> str:
    """Name and version of the emulator.

    Raises:
        CompileError: It is not installed.
    """
    _load("unicorn")
    return f"unicorn {version('unicorn')}"


class UnicornCore:
    """An emulated core with an image in its memory, started.

    Args:
        image: For an Arm or RISC-V target.
        stop: Symbol up to which the start-up code runs.

    Raises:
        CompileError: The emulator is missing, or the image is for another core.
        CheckFailed: The start-up code does not arrive at ``stop``.
    """

    def __init__(self, image: TargetImage, stop: str = "driven_halt") -> None:
        unicorn = _load("unicorn")
        family = image.target.chip.family
        self.image = image
        self.version = unicorn_version()
        self._error: type[Exception] = unicorn.UcError
        self._thumb = 1 if family == "arm" else 0
        if family == "arm":
            constants = _load("unicorn.arm_const")
            self._uc = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS)
            self._uc.ctl_set_cpu_model(getattr(constants, _CORES[image.target.name]))
            names = ("PC", "SP", "LR", "R0", "R1", "R2")
            self._registers = tuple(getattr(constants, f"UC_ARM_REG_{name}") for name in names)
        elif family == "riscv":
            constants = _load("unicorn.riscv_const")
            self._uc = unicorn.Uc(unicorn.UC_ARCH_RISCV, unicorn.UC_MODE_RISCV32)
            names = ("PC", "SP", "RA", "A0", "A1", "A2")
            self._registers = tuple(getattr(constants, f"UC_RISCV_REG_{name}") for name in names)
        else:
            raise CompileError("Unicorn does not emulate this core", image.target.name)
        self._code_hook = unicorn.UC_HOOK_CODE
        chip = image.target.chip
        for origin, size in ((chip.flash_origin, chip.flash_bytes), (chip.ram_origin, chip.ram_bytes), (BATCH_AREA, BATCH_BYTES)):
            self._uc.mem_map(origin, -(-size // _PAGE) * _PAGE)
        if family == "arm":
            self._uc.mem_map(_SYSTEM_REGISTERS, _PAGE)
        for segment in image.segments:
            self._uc.mem_write(segment.address, segment.content)
        self._uc.reg_write(self._registers[1], chip.ram_origin + chip.ram_bytes)
        self.run_to(image.entry, image.address_of(stop))

    def read(self, address: int, size: int) -> bytes:
        """Bytes of emulated memory."""
        return bytes(self._uc.mem_read(address, size))

    def write(self, address: int, content: bytes) -> None:
        """Overwrite emulated memory."""
        self._uc.mem_write(address, content)

    def run_to(self, start: int | None, stop: int) -> None:
        """Run from ``start`` (None: from where it stands) until the instruction at ``stop`` is next.

        Raises:
            CheckFailed: The core faults or never arrives.
        """
        counter = self._registers[0]
        begin = int(self._uc.reg_read(counter)) if start is None else start
        try:
            self._uc.emu_start(begin | self._thumb, stop, timeout=_MICROSECONDS)
        except self._error as error:
            raise CheckFailed(f"the emulated core faults: {error}", self._place()) from error
        if int(self._uc.reg_read(counter)) & ~1 != stop:
            raise CheckFailed("the emulated core does not come to an end", self._place())

    def _place(self) -> str:
        return f"{self.image.target.name}, address 0x{int(self._uc.reg_read(self._registers[0])):x}"

    def call(self, name: str, *arguments: int) -> None:
        """Call a function of the image with up to three words.

        Raises:
            CheckFailed: It does not return.
        """
        halt = self.image.address_of("driven_halt")
        self._uc.reg_write(self._registers[2], halt | self._thumb)
        for register, value in zip(self._registers[3:], arguments, strict=False):
            self._uc.reg_write(register, value)
        self.run_to(self.image.address_of(name), halt)

    def watch(self, seen: Callable[[int, int], None]) -> Callable[[], None]:
        """Call ``seen`` with address and size of every instruction from now on; returns what ends it.  Slow."""

        def hook(_uc: object, address: int, size: int, _data: object) -> None:
            seen(address, size)

        handle = self._uc.hook_add(self._code_hook, hook)
        return lambda: self._uc.hook_del(handle)

    def start(self) -> None:
        """Initialise the controller's memory."""
        self.call("driven_start", self.image.address_of("driven_state"))

    def memory(self) -> Counts:
        """(members,) of the state struct."""
        layout = self.image.layout.state
        return unpack(self.read(self.image.address_of("driven_state"), layout.itemsize), layout)[0]

    def inject(self, memory: Counts) -> None:
        """Overwrite the members of the state struct, (members,)."""
        self.write(self.image.address_of("driven_state"), pack(memory[None, :], self.image.layout.state))

    def run(self, inputs: Counts) -> StepTrace:
        """Advance by the ticks of ``inputs`` (ticks, inputs)."""
        layout = self.image.layout
        per_tick = layout.inputs.itemsize + layout.outputs.itemsize + layout.state.itemsize
        longest = (BATCH_BYTES - _PAGE) // per_tick
        parts = [self._run(inputs[begin : begin + longest]) for begin in range(0, len(inputs), longest)]
        outputs, memory = (np.concatenate(part) for part in zip(*parts, strict=True))
        return StepTrace(outputs, memory, None)

    def _run(self, inputs: Counts) -> tuple[Counts, Counts]:
        layout, ticks = self.image.layout, len(inputs)
        places = [BATCH_AREA]
        for struct in (layout.inputs, layout.outputs):
            places.append(-(-(places[-1] + ticks * struct.itemsize) // 8) * 8)
        self.write(places[0], pack(inputs, layout.inputs))
        words: Sequence[int] = (self.image.address_of("driven_state"), *places, ticks)
        batch = self.image.address_of("driven_batch")
        self.write(batch, np.array(words, dtype="<u4").tobytes())
        self.call("driven_run", batch)
        outputs = unpack(self.read(places[1], ticks * layout.outputs.itemsize), layout.outputs)
        memory = unpack(self.read(places[2], ticks * layout.state.itemsize), layout.state)
        return outputs, memory
