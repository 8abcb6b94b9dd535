"""Search for an expensive tick: a lower bound of the worst one, beside the proven upper one.

Inputs and legal memory are mutated, and what takes no fewer cycles is kept; random readings alone hardly ever bring several limits to
bear at once.
"""

from __future__ import annotations

import random
from contextlib import closing
from dataclasses import dataclass

import numpy as np

from codegen.host.shape import Port
from codegen.target.bound import SLOW_COUNT, Analysis
from codegen.target.cycles import Prices, TracePrices
from codegen.target.image import Counts, TargetImage
from codegen.target.run import start_core
from codegen.target.trace import Core

# The best of many random ticks are improved upon.
CLIMBS = 3
# How many members a mutation changes.
CHANGES = (1, 1, 1, 2, 2, 3, 5)


@dataclass(frozen=True)
class Sought:
    """The most expensive tick that was found.

    Attributes:
        cycles: From entry to return.
        inputs: (inputs,) raw counts.
        memory: (members,) of the state before the tick, all legal.
        tried: Ticks executed.
    """

    cycles: int
    inputs: Counts
    memory: Counts
    tried: int


class Meter:
    """Cycles of single ticks on an emulated core: the simulator's own count, elsewhere the executed instructions priced."""

    def __init__(self, image: TargetImage, core: Core, variant: str = "") -> None:
        self._core = core
        self._prices = TracePrices(Prices(image.target, variant), Analysis(image).decoder)

    def tick(self, reading: Counts) -> int:
        """Advance by one tick with `reading` (inputs,); returns its cycles.

        Raises:
            CheckFailed: The emulated core faults.
            BoundError: An executed instruction has no price.
        """
        if self._core.image.target.chip.emulator == "simavr":
            cycles = self._core.run(reading[None, :]).cycles
            return 0 if cycles is None else int(cycles[0])
        return self._prices.cycles(self._core.trace(reading).places)


def measure_ticks(image: TargetImage, inputs: Counts, *, variant: str = "", memory: Counts | None = None) -> Counts:
    """Cycles of each tick (ticks,) of a freshly started controller that reads `inputs` (ticks, inputs).

    Args:
        image: The controller on its target.
        inputs: Raw counts.
        variant: Variant of the core whose prices hold; a simulator's own count knows none.
        memory: (ticks, members) put into the state struct before each tick, or None to let it run.

    Raises:
        CheckFailed: The emulated core faults.
        BoundError: An executed instruction has no price.
    """
    cycles = np.empty(len(inputs), dtype=np.int64)
    with closing(start_core(image)) as core:
        core.start()
        meter = Meter(image, core, variant)
        for tick, reading in enumerate(inputs):
            if memory is not None:
                core.inject(memory[tick])
            cycles[tick] = meter.tick(reading)
    return cycles


def seek_worst(image: TargetImage, *, slow: bool | None = None, tries: int = 4000, seed: int = 1, variant: str = "") -> Sought:
    """Search for the most expensive tick.

    Args:
        image: The controller on its target.
        slow: Only ticks that run the slow section (True) or do not (False); None for either.
        tries: Ticks to execute.
        seed: Of the mutations.
        variant: Variant of the core whose prices hold.

    Raises:
        CheckFailed: The emulated core faults.
        BoundError: An executed instruction has no price.
    """
    chance = random.Random(seed)
    ports = [*image.shape.inputs, *(_restricted(port, slow, image.shape.slow_every) for port in image.shape.memory)]
    width = len(image.shape.inputs)
    best: Sought | None = None
    tried = 0
    with closing(start_core(image)) as core:
        core.start()
        meter = Meter(image, core, variant)

        def cycles_of(values: list[int]) -> int:
            nonlocal tried
            tried += 1
            core.inject(np.array(values[width:], dtype=np.int64))
            return meter.tick(np.array(values[:width], dtype=np.int64))

        drawn = [[_draw(port, chance) for port in ports] for _ in range(max(CLIMBS, tries // 4))]
        starts = sorted(((cycles_of(values), values) for values in drawn), reverse=True)[:CLIMBS]
        for cycles, here in starts:
            for _ in range((tries - len(drawn)) // CLIMBS):
                there = list(here)
                for _ in range(chance.choice(CHANGES)):
                    place = chance.randrange(len(ports))
                    there[place] = _draw(ports[place], chance)
                found = cycles_of(there)
                if found >= cycles:
                    here, cycles = there, found
            if best is None or cycles > best.cycles:
                best = Sought(cycles, np.array(here[:width]), np.array(here[width:]), 0)
    assert best is not None
    return Sought(best.cycles, best.inputs, best.memory, tried)


def _restricted(port: Port, slow: bool | None, every: int) -> Port:
    """The slow section's counter where only one kind of tick is wanted."""
    if port.name != SLOW_COUNT or slow is None:
        return port
    low, high = (every - 1, every - 1) if slow else (0, every - 2)
    return Port(port.name, port.ctype, low, high)


def _draw(port: Port, chance: random.Random) -> int:
    """A legal value: an edge, anything, or something small."""
    kind = chance.random()
    if kind < 0.25:
        middle = min(max(0, port.low), port.high)
        return chance.choice((port.low, port.high, middle, min(port.low + 1, port.high), max(port.high - 1, port.low)))
    if kind < 0.5:
        return chance.randint(port.low, port.high)
    return min(max(int(chance.uniform(port.low, port.high) * 2.0 ** -chance.uniform(0.0, 14.0)), port.low), port.high)
