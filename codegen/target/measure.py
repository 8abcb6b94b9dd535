"""Cycles of executed ticks: the AVR simulator's own count, elsewhere the executed instructions priced with the cycle table."""

from __future__ import annotations

from contextlib import closing

import numpy as np

from codegen.target.bound import Analysis
from codegen.target.cycles import Prices
from codegen.target.emulate_simavr import SimavrCore
from codegen.target.emulate_unicorn import UnicornCore
from codegen.target.image import Counts, TargetImage


def measure_ticks(image: TargetImage, inputs: Counts, *, variant: str = "", memory: Counts | None = None) -> Counts:
    """Cycles of each tick (ticks,) of a freshly started controller that reads `inputs` (ticks, inputs).

    Args:
        image: The controller on its target.
        inputs: Raw counts.
        variant: Variant of the core whose prices hold; the AVR simulator's own count knows none.
        memory: (ticks, members) put into the state struct before each tick, or None to let it run.

    Raises:
        CheckFailed: The emulated core faults.
        BoundError: An executed instruction has no price.
    """
    if image.target.chip.family == "avr":
        return _simulated(image, inputs, memory)
    return _priced(image, inputs, variant, memory)


def _simulated(image: TargetImage, inputs: Counts, memory: Counts | None) -> Counts:
    with closing(SimavrCore(image)) as core:
        core.start()
        if memory is None:
            return _counted(core, inputs)
        cycles = np.empty(len(inputs), dtype=np.int64)
        for tick, row in enumerate(memory):
            core.inject(row)
            cycles[tick] = _counted(core, inputs[tick : tick + 1])[0]
        return cycles


def _counted(core: SimavrCore, inputs: Counts) -> Counts:
    cycles = core.run(inputs).cycles
    return np.zeros(0, dtype=np.int64) if cycles is None else cycles


def _priced(image: TargetImage, inputs: Counts, variant: str, memory: Counts | None) -> Counts:
    prices = Prices(image.target, variant)
    decoder = Analysis(image).decoder
    # Many ticks take the same way.
    known: dict[bytes, int] = {}
    cycles = np.empty(len(inputs), dtype=np.int64)
    with closing(UnicornCore(image)) as core:
        core.start()
        for tick, reading in enumerate(inputs):
            if memory is not None:
                core.inject(memory[tick])
            places = core.trace(reading).places
            way = places.tobytes()
            if way not in known:
                known[way] = prices.price_trace(decoder, places.tolist())
            cycles[tick] = known[way]
    return cycles
