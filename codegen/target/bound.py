"""Bounds of cycles and stack of a controller's step function, from its linked image.

Takes a ``TargetImage``, gives a ``TickBound``: most cycles of any tick, of an ordinary tick and of one that runs the slow section,
each with the path that takes them, and most stack.  The two kinds of tick are told apart by what the slow section's counter holds on
entry, which decides its branch; nothing is assumed about the rest of memory and about inputs, but that they do not change meanwhile.
"""

from __future__ import annotations

from dataclasses import dataclass

from codegen.errors import BoundError
from codegen.target.cycles import LeastPrices, Prices
from codegen.target.decode_arm import ArmDecoder
from codegen.target.decode_avr import AvrDecoder
from codegen.target.decode_riscv import RiscvDecoder
from codegen.target.effects_arm import ArmEffects
from codegen.target.effects_avr import AvrEffects
from codegen.target.effects_riscv import RiscvEffects
from codegen.target.explore import Explorer, Longest, Trail
from codegen.target.image import TargetImage
from codegen.target.instruction import CodeReader, Decoder, Instruction
from codegen.target.lines import LineTable, PathStep, WorstPath
from codegen.target.machine import Effects, Known

SLOW_COUNT = "slow_count"
MOST_WAYS = 48


@dataclass(frozen=True)
class TickBound:
    """What a step function takes at most.

    Attributes:
        target: Name of the target.
        variant: Variant of the core, "" for the plain one.
        worst: Over all ticks, whatever memory holds.
        ordinary: Over ticks that do not run the slow section; `worst` if there is none.
        slow: Over ticks that do; `worst` if there is none.
        fewest_cycles: No tick takes fewer.
        stack_bytes: Most stack, from before the call on, its return address included where the call pushes it.
        blocks: Blocks on all ways, a measure of the work.
    """

    target: str
    variant: str
    worst: WorstPath
    ordinary: WorstPath
    slow: WorstPath
    fewest_cycles: int
    stack_bytes: int
    blocks: int


class Analysis:
    """Decoder, effects and explorer of one image."""

    def __init__(self, image: TargetImage) -> None:
        read = code_reader(image)
        self.image = image
        self.decoder, effects = _core(image, read)
        self.explorer = Explorer(self.decoder, effects)


def code_reader(image: TargetImage) -> CodeReader:
    """Reads program memory of the image."""

    def read(address: int, size: int) -> bytes:
        for segment in image.segments:
            if segment.address <= address < segment.address + len(segment.content):
                start = address - segment.address
                return segment.content[start : start + size]
        return b""

    return read


def _core(image: TargetImage, read: CodeReader) -> tuple[Decoder, Effects]:
    match image.target.chip.family:
        case "avr":
            return AvrDecoder(read), AvrEffects()
        case "arm":
            return ArmDecoder(read), ArmEffects(read)
        case "riscv":
            return RiscvDecoder(read), RiscvEffects()


def bound_tick(image: TargetImage, variant: str = "", most_ways: int = MOST_WAYS) -> TickBound:
    """Bound the controller's step function.

    Args:
        image: The controller on its target.
        variant: Variant of the core whose prices hold.
        most_ways: Ways kept apart where they meet; more make the bound tighter and the work longer.

    Raises:
        BoundError: No bound can be proved; with the address and, where the image knows it, the line of the C text.
    """
    try:
        return _bound(image, variant, most_ways)
    except BoundError as error:
        raise BoundError(error.what, _place(image, error.where), error.remedy) from error


def _place(image: TargetImage, where: str) -> str:
    """An address with its line of the C text, if it has one."""
    if not where.startswith("0x"):
        return where
    file, line = LineTable(image.elf).find(int(where, 16))
    return f"{file}:{line}, address {where}" if file else f"address {where}"


def _bound(image: TargetImage, variant: str, most_ways: int) -> TickBound:
    analysis = Analysis(image)
    prices = Prices(image.target, variant)
    entry = image.address_of(image.shape.step)
    needs = analysis.explorer.find_needs(entry, prices)

    def bound(*known: Known) -> tuple[WorstPath, Longest]:
        longest = analysis.explorer.longest(entry, prices, known, most_ways, needs)
        return WorstPath(longest.cycles, _steps(longest.trail, prices)), longest

    worst, longest = bound()
    ordinary = slow = worst
    if image.shape.slow_every > 1:
        last = image.shape.slow_every - 1
        ordinary = max((bound(_counter(image, low, high))[0] for low, high in _spans(last - 1)), key=lambda path: path.cycles)
        slow, _ = bound(_counter(image, last, last))
    shortest = analysis.explorer.longest(entry, LeastPrices(image.target, variant))
    return TickBound(image.target.name, variant, worst, ordinary, slow, -shortest.cycles, longest.stack_bytes, longest.places)


def _spans(high: int) -> list[tuple[int, int]]:
    """[0, high] in pieces whose upper bytes are constant, so that cores that compare byte by byte can decide on them."""
    return [(low, min(low + 255, high)) for low in range(0, high + 1, 256)]


def _counter(image: TargetImage, low: int, high: int) -> Known:
    struct = image.layout.state
    if struct.fields is None or SLOW_COUNT not in struct.fields:
        raise BoundError("the state has no counter of the slow section", image.shape.state_type, f"call it {SLOW_COUNT}")
    dtype, offset = struct.fields[SLOW_COUNT][:2]
    return Known(0, int(offset), dtype.itemsize, low, high)


def _steps(trail: Trail | None, prices: Prices) -> tuple[PathStep, ...]:
    """The instructions of a way with their cycles."""
    blocks = []
    while trail:
        blocks.append((trail.block, trail.taken))
        trail = trail.before
    steps = []
    before: Instruction | None = None
    for block, taken in reversed(blocks):
        for instruction in block.instructions:
            cycles = prices.price(instruction, taken=taken and instruction is block.last) + prices.wait(before, instruction)
            steps.append(PathStep(instruction.address, instruction.text, cycles))
            before = instruction
    return tuple(steps)
