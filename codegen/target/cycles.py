"""Prices of instructions from a target's cycle table.

A price is a function of the instruction, of whether its branch or skip is taken, and of the instruction executed just before it;
bound and executed traces use the same function.  A name without a row is refused, never guessed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from codegen.errors import BoundError
from codegen.target.image import Counts
from codegen.target.instruction import Decoder, Flow, Instruction
from codegen.targets import CycleFact, Target

# Cases of a row: what the decoder says of the instruction, what the path says, and what is added for the instruction before.
TAKEN, NOT_EXECUTED, WAITS = "taken", "not executed", "uses the result before"
SKIPS = {2: "skips one word", 4: "skips two words"}


class Prices:
    """The cycle table of a target.

    Args:
        target: Whose table.
        variant: Name of a variant of the core that the table knows; its rows replace those of the same name and case.

    Raises:
        BoundError: The table knows no such variant, or the target has flash wait states, for which it does not hold.
    """

    def __init__(self, target: Target, variant: str = "") -> None:
        variants = variants_of(target)
        if variant and variant not in variants:
            known = ", ".join(variants) or "none"
            raise BoundError(f'the cycle table of {target.name} knows no variant "{variant}"', target.name, f"known are: {known}")
        if target.chip.wait_states:
            raise BoundError(
                f"{target.name} has {target.chip.wait_states} flash wait states, the cycle table holds for none",
                target.name,
                "set wait_states = 0 and say in `source` what makes that true, for instance code in RAM",
            )
        self.target = target
        self.variant = variant
        self._rows: dict[tuple[str, str], CycleFact] = {}
        for chosen in ("", variant):
            for fact in target.cycles:
                if fact.variant == chosen:
                    self._rows |= {(name, fact.case): fact for name in fact.instruction.split()}

    def row(self, instruction: Instruction, *, taken: bool) -> CycleFact:
        """The row that prices an instruction.

        Raises:
            BoundError: The table has none.
        """
        case = instruction.case
        if instruction.flow is Flow.SKIP and taken:
            case = SKIPS[instruction.target - instruction.end]
        elif instruction.flow is Flow.BRANCH and taken:
            case = TAKEN
        elif instruction.flow not in (Flow.NEXT, Flow.SKIP, Flow.BRANCH) and instruction.predicate and not taken:
            return self._find("IT", NOT_EXECUTED, instruction)
        return self._find(instruction.name, case, instruction)

    def _find(self, name: str, case: str, instruction: Instruction) -> CycleFact:
        fact = self._rows.get((name, case))
        if fact is None:
            shown = f"{name} ({case})" if case else name
            raise BoundError(
                f"the cycle table of {self.target.name} has no row for {shown}: {instruction.text}",
                f"{instruction.address:#x}",
                f"add the row with its source to targets/{self.target.name}.toml",
            )
        return fact

    def price(self, instruction: Instruction, *, taken: bool) -> int:
        """Most cycles of an instruction, its dependence on the one before aside."""
        fact = self.row(instruction, taken=taken)
        return fact.most + fact.per_register * instruction.registers

    def wait(self, before: Instruction | None, instruction: Instruction) -> int:
        """Cycles added because the instruction executed just before wrote what this one needs at once."""
        if before is None or not set(before.results) & set(instruction.sources):
            return 0
        fact = self._rows.get((instruction.name, WAITS))
        return fact.most if fact else 0

    def priced(self, decoder: Decoder, addresses: Sequence[int]) -> Iterable[tuple[Instruction, int]]:
        """Each executed instruction with its cycles."""
        before = None
        whole = complete_trace(decoder, addresses)
        for place, instruction in enumerate(whole):
            following = whole[place + 1].address if place + 1 < len(whole) else -1
            taken = following != instruction.end
            yield instruction, self.price(instruction, taken=taken) + self.wait(before, instruction)
            before = instruction


class TracePrices:
    """Prices executed sequences, each pair of successive instructions once: traces are long and repeat themselves.

    Args:
        prices: Cycle table.
        decoder: Of the image that is executed.
    """

    def __init__(self, prices: Prices, decoder: Decoder) -> None:
        self._prices = prices
        self._decoder = decoder
        self._pairs: dict[int, int] = {}

    def cycles(self, places: Counts) -> int:
        """Cycles of an executed sequence of addresses (n,), the last of which leaves the function.

        Raises:
            BoundError: An executed instruction has no price.
        """
        keys, counts = np.unique((places[:-1].astype(np.uint64) << np.uint64(32)) | places[1:].astype(np.uint64), return_counts=True)
        total = self._prices.price(self._decoder.decode(int(places[-1])), taken=True)
        for key, count in zip(keys.tolist(), counts.tolist(), strict=True):
            if key not in self._pairs:
                self._pairs[key] = self._pair(key >> 32, key & 0xFFFFFFFF)
            total += count * self._pairs[key]
        return total

    def _pair(self, first: int, second: int) -> int:
        """From the one instruction to the other: the first, what is passed over between them, and how long the second waits."""
        whole = complete_trace(self._decoder, (first, second))
        total = 0
        for at, instruction in enumerate(whole[:-1]):
            total += self._prices.price(instruction, taken=whole[at + 1].address != instruction.end)
            total += self._prices.wait(instruction, whole[at + 1])
        return total


class LeastPrices(Prices):
    """The least prices, negated: the most expensive way by them is the cheapest one."""

    def price(self, instruction: Instruction, *, taken: bool) -> int:
        """Fewest cycles, negated."""
        fact = self.row(instruction, taken=taken)
        return -(fact.fewest + fact.per_register * instruction.registers)

    def wait(self, before: Instruction | None, instruction: Instruction) -> int:
        """Nothing: at best no instruction waits."""
        return 0


def complete_trace(decoder: Decoder, addresses: Sequence[int]) -> list[Instruction]:
    """The executed instructions, with the predicated ones that were not: they take their time too, but emulators pass them over."""
    whole: list[Instruction] = []
    for address in addresses:
        while whole and whole[-1].flow is Flow.NEXT and whole[-1].end != address:
            passed = decoder.decode(whole[-1].end)
            if not passed.predicate:
                raise BoundError(f"the trace has no way from {whole[-1].text} on", f"{whole[-1].address:#x}")
            whole.append(passed)
        whole.append(decoder.decode(address))
    return whole


def variants_of(target: Target) -> tuple[str, ...]:
    """Names of the variants of a core that its cycle table tells apart, the plain one aside."""
    return tuple(dict.fromkeys(fact.variant for fact in target.cycles if fact.variant))
