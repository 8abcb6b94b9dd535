"""Execution of Arm and RISC-V images under the emulator Unicorn.

Takes a ``TargetImage``, gives a ``UnicornCore``: the image in emulated memory, started from its reset vector, whose functions can be
called.  Counts no cycles: Unicorn translates code and knows no timing.
"""

from __future__ import annotations

import importlib
from importlib.metadata import version
from typing import Any

import numpy as np

from codegen.errors import CheckFailed, CompileError
from codegen.target.image import Counts, TargetImage, pack, unpack
from codegen.target.trace import DIRT, InstructionTrace, StepTrace

# Memory of the emulator alone, for long arrays; no core of ours has anything there.
BATCH_AREA = 0x6000_0000
BATCH_BYTES = 0x0200_0000
_PAGE = 0x1000
# Where a Cortex-M keeps its system registers; start-up code may write there.
_SYSTEM_REGISTERS = 0xE000_E000
# Where a RISC-V core's machine timer is taken to lie.
RISCV_TIMER = 0x0200_0000
_TIMER_BYTES = 0x1_0000
_NOWHERE = 0xFFFF_FFFE
# Byte that fills unused stack, to see how far it is used, and how much of it is filled.
_PAINT, _PAINTED = 0xA5, 0x800
# A call that takes longer than this has lost its way.
_MICROSECONDS = 60_000_000


def _load(name: str) -> Any:
    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise CompileError("the emulator is missing: no Python package unicorn", "", "`pip install unicorn`") from error


def _model(constants: Any, name: str, target: str) -> int:
    if not hasattr(constants, name):
        raise CompileError(f"Unicorn knows no core {name}", target, "correct the key chip.model of the target's description")
    return int(getattr(constants, name))


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
            self._uc.ctl_set_cpu_model(_model(constants, f"UC_CPU_ARM_{image.target.chip.model}", image.target.name))
            names = ("PC", "SP", "LR", "R0", "R1", "R2")
            self._registers = tuple(getattr(constants, f"UC_ARM_REG_{name}") for name in names)
        elif family == "riscv":
            constants = _load("unicorn.riscv_const")
            self._uc = unicorn.Uc(unicorn.UC_ARCH_RISCV, unicorn.UC_MODE_RISCV32)
            self._uc.ctl_set_cpu_model(_model(constants, f"UC_CPU_RISCV32_{image.target.chip.model}", image.target.name))
            names = ("PC", "SP", "RA", "A0", "A1", "A2")
            self._registers = tuple(getattr(constants, f"UC_RISCV_REG_{name}") for name in names)
        else:
            raise CompileError("Unicorn does not emulate this core", image.target.name)
        self._code_hook = unicorn.UC_HOOK_CODE
        self._stops: set[int] = set()
        self._wanted = self._leaving = _NOWHERE
        chip = image.target.chip
        data = unicorn.UC_PROT_READ | unicorn.UC_PROT_WRITE
        for origin, size, rights in (
            (chip.flash_origin, chip.flash_bytes, unicorn.UC_PROT_READ | unicorn.UC_PROT_EXEC),
            (chip.ram_origin, chip.ram_bytes, data),
            (BATCH_AREA, BATCH_BYTES, data),
        ):
            self._uc.mem_map(origin, -(-size // _PAGE) * _PAGE, rights)
        # Memory holds anything when power comes on; start-up code that relies on zeros must be seen to fail.
        self._uc.mem_write(chip.ram_origin, bytes([DIRT]) * chip.ram_bytes)
        if family == "arm":
            self._uc.mem_map(_SYSTEM_REGISTERS, _PAGE)
        else:
            self._uc.mem_map(RISCV_TIMER, _TIMER_BYTES)
        for segment in image.segments:
            self._uc.mem_write(segment.address, segment.content)
        self._uc.reg_write(self._registers[1], chip.ram_origin + chip.ram_bytes)
        end = chip.ram_origin + chip.ram_bytes
        objects = [symbol for symbol in image.symbols.values() if not symbol.is_code and chip.ram_origin <= symbol.address < end]
        self._ram_used = max((symbol.address + symbol.size for symbol in objects), default=chip.ram_origin)
        self.run_to(image.entry, image.address_of(stop))
        self._driver_frame = self._measure_frame() if "driven_run" in image.symbols else 0

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
        self._start(int(self._uc.reg_read(counter)) & ~1 if start is None else start, stop)
        if int(self._uc.reg_read(counter)) & ~1 != stop:
            raise CheckFailed("the emulated core does not come to an end", self._place())

    def _start(self, begin: int, stop: int) -> None:
        try:
            self._uc.emu_start(begin | self._thumb, stop, timeout=_MICROSECONDS)
        except self._error as error:
            raise CheckFailed(f"the emulated core faults: {error}", self._place()) from error

    def _place(self) -> str:
        return f"{self.image.target.name}, address 0x{int(self._uc.reg_read(self._registers[0])):x}"

    def call(self, name: str, *arguments: int) -> None:
        """Call a function of the image with up to three words.

        Raises:
            CheckFailed: It does not return.
        """
        self._enter(name, *arguments)
        self.run_to(self.image.address_of(name), self.image.address_of("driven_halt"))

    def _enter(self, name: str, *arguments: int) -> None:
        self._uc.reg_write(self._registers[0], self.image.address_of(name) | self._thumb)
        self._uc.reg_write(self._registers[2], self.image.address_of("driven_halt") | self._thumb)
        for register, value in zip(self._registers[3:], arguments, strict=False):
            self._uc.reg_write(register, value)

    def run_on(self, stop: int) -> None:
        """Run from where it stands, at least one instruction, until the instruction at ``stop`` is next.

        Raises:
            CheckFailed: The core faults or does not arrive.
        """
        if stop not in self._stops:
            # A stop by a hook: the emulator forgets what it translated whenever the address to stop at changes.
            self._stops.add(stop)
            self._uc.hook_add(self._code_hook, self._arrive, None, stop, stop)
        self._wanted = stop
        self._leaving = int(self._uc.reg_read(self._registers[0])) & ~1
        self._start(self._leaving, _NOWHERE)
        self._wanted = _NOWHERE
        if int(self._uc.reg_read(self._registers[0])) & ~1 != stop:
            raise CheckFailed("the emulated core does not come to an end", self._place())

    def _arrive(self, _uc: object, address: int, _size: int, _data: object) -> None:
        if address == self._wanted and address != self._leaving:
            self._uc.emu_stop()
        self._leaving = _NOWHERE

    def close(self) -> None:
        """Nothing to free by hand: the emulator goes with its object."""

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

    def run(self, inputs: Counts) -> StepTrace:
        """Advance by the ticks of ``inputs`` (ticks, inputs)."""
        layout = self.image.layout
        per_tick = layout.inputs.itemsize + layout.outputs.itemsize + layout.state.itemsize
        longest = (BATCH_BYTES - _PAGE) // per_tick
        parts = [self._run(inputs[begin : begin + longest]) for begin in range(0, max(1, len(inputs)), longest)]
        outputs, memory = (np.concatenate([part[place] for part in parts]) for place in (0, 1))
        return StepTrace(outputs, memory, None, max(part[2] for part in parts))

    def _run(self, inputs: Counts) -> tuple[Counts, Counts, int]:
        layout, ticks = self.image.layout, len(inputs)
        places = [BATCH_AREA]
        for struct in (layout.inputs, layout.outputs):
            places.append(-(-(places[-1] + ticks * struct.itemsize) // 8) * 8)
        self.write(places[0], pack(inputs, layout.inputs))
        batch = self.image.address_of("driven_batch")
        self.write(batch, np.array([self.image.address_of("driven_state"), *places, ticks], dtype="<u4").tobytes())
        top = int(self._uc.reg_read(self._registers[1]))
        painted = min(_PAINTED, top - self._ram_used)
        self.write(top - painted, bytes([_PAINT]) * painted)
        self.call("driven_run", batch)
        left = self.read(top - painted, painted)
        used = len(left.lstrip(bytes([_PAINT])))
        outputs = unpack(self.read(places[1], ticks * layout.outputs.itemsize), layout.outputs)
        memory = unpack(self.read(places[2], ticks * layout.state.itemsize), layout.state)
        return outputs, memory, max(0, used - self._driver_frame) if ticks else 0

    def _measure_frame(self) -> int:
        """Bytes of stack that the driving loop itself has in use when it calls the controller."""
        image = self.image
        batch, state = image.address_of("driven_batch"), image.address_of("driven_state")
        places = [image.address_of(f"driven_{part}") for part in ("inputs", "outputs")]
        self.write(batch, np.array([state, *places, BATCH_AREA, 1], dtype="<u4").tobytes())
        top = int(self._uc.reg_read(self._registers[1]))
        self._enter("driven_run", batch)
        self.run_to(image.address_of("driven_run"), image.address_of(image.shape.step))
        frame = top - int(self._uc.reg_read(self._registers[1]))
        # The controller must not have run before it is started.
        self._uc.reg_write(self._registers[1], top)
        return frame

    def trace(self, reading: Counts) -> InstructionTrace:
        """Advance by one tick with ``reading`` (inputs,), noting every instruction; slow.

        Raises:
            CheckFailed: The core faults or does not come to an end.
        """
        image = self.image
        places: list[int] = []

        def note(_uc: object, address: int, _size: int, _data: object) -> None:
            places.append(address)

        self.write(image.address_of("driven_inputs"), pack(reading[None, :], image.layout.inputs))
        hook = self._uc.hook_add(self._code_hook, note)
        # Code translated before the hook was set would pass unnoticed.
        self._uc.ctl_flush_tb()
        try:
            self.call(image.shape.step, *(image.address_of(f"driven_{part}") for part in ("state", "inputs", "outputs")))
        finally:
            self._uc.hook_del(hook)
        halt = image.address_of("driven_halt")
        return InstructionTrace(np.array([place for place in places if place != halt], dtype=np.int64), None)
