"""Control-flow graphs, decoded by following the flow, and the nesting of their loops.

A region is what is reached from an entry without entering or leaving a callee; jumps into other functions (tail calls, and
library code that falls through from one symbol to the next) belong to it, since no function borders are assumed.
"""

from __future__ import annotations

from dataclasses import dataclass

from codegen.errors import BoundError
from codegen.target.instruction import Decoder, Flow, Instruction


@dataclass(frozen=True)
class Block:
    """Instructions that are executed one after the other.

    Attributes:
        instructions: At least one; only the last may lead elsewhere than to its successor in memory.
        successors: Addresses of the blocks that may follow inside the region (behind a call: where its callee returns to).
    """

    instructions: tuple[Instruction, ...]
    successors: tuple[int, ...]

    @property
    def start(self) -> int:
        """Address of its first instruction."""
        return self.instructions[0].address

    @property
    def last(self) -> Instruction:
        """The instruction that decides where to go on."""
        return self.instructions[-1]


@dataclass(frozen=True)
class Region:
    """The control-flow graph of one entry.

    Attributes:
        entry: Its address.
        blocks: By address.
        order: Place of each block in a reverse post-order.
        nests: Per block, the headers of the loops around it, outermost first.
    """

    entry: int
    blocks: dict[int, Block]
    order: dict[int, int]
    nests: dict[int, tuple[int, ...]]


def follows(instruction: Instruction) -> tuple[int, ...]:
    """Addresses that may be executed next inside the region."""
    match instruction.flow:
        case Flow.NEXT | Flow.CALL:
            return (instruction.end,)
        case Flow.JUMP:
            return (instruction.target, instruction.end) if instruction.predicate else (instruction.target,)
        case Flow.BRANCH | Flow.SKIP:
            return (instruction.end, instruction.target)
        case Flow.RETURN:
            return (instruction.end,) if instruction.predicate else ()
        case Flow.INDIRECT:
            return ()


def find_region(decoder: Decoder, entry: int) -> Region:
    """Decode what is reached from `entry` and find its loops.

    Raises:
        BoundError: Unknown instruction, or a loop with two entries.
    """
    found: dict[int, Instruction] = {}
    leaders = {entry}
    waiting = [entry]
    while waiting:
        address = waiting.pop()
        if address in found:
            continue
        instruction = decoder.decode(address)
        found[address] = instruction
        after = follows(instruction)
        if after != (instruction.end,) or instruction.flow is not Flow.NEXT:
            leaders.update(after)
        waiting.extend(after)
    blocks = {}
    for start in sorted(leaders):
        run = [found[start]]
        while run[-1].flow is Flow.NEXT and run[-1].end not in leaders:
            run.append(found[run[-1].end])
        blocks[start] = Block(tuple(run), tuple(dict.fromkeys(follows(run[-1]))))
    order = _reverse_post_order(blocks, entry)
    return Region(entry, blocks, order, _nests(blocks, entry, order))


def _reverse_post_order(blocks: dict[int, Block], entry: int) -> dict[int, int]:
    seen = {entry}
    done: list[int] = []
    path = [(entry, iter(blocks[entry].successors))]
    while path:
        start, successors = path[-1]
        following = next((successor for successor in successors if successor not in seen), None)
        if following is None:
            done.append(start)
            path.pop()
        else:
            seen.add(following)
            path.append((following, iter(blocks[following].successors)))
    return {start: place for place, start in enumerate(reversed(done))}


def _dominators(predecessors: dict[int, list[int]], entry: int, order: dict[int, int]) -> dict[int, int]:
    """Immediate dominators (Cooper, Harvey, Kennedy, A simple, fast dominance algorithm, 2001, figure 3; from memory)."""
    above = {entry: entry}
    changed = True
    while changed:
        changed = False
        for start in sorted(order, key=order.__getitem__)[1:]:
            ready = [before for before in predecessors[start] if before in above]
            candidate = ready[0]
            for other in ready[1:]:
                while candidate != other:
                    while order[candidate] > order[other]:
                        candidate = above[candidate]
                    while order[other] > order[candidate]:
                        other = above[other]
            if above.get(start) != candidate:
                above[start] = candidate
                changed = True
    return above


def _nests(blocks: dict[int, Block], entry: int, order: dict[int, int]) -> dict[int, tuple[int, ...]]:
    predecessors: dict[int, list[int]] = {start: [] for start in blocks}
    for start, block in blocks.items():
        for after in block.successors:
            predecessors[after].append(start)
    above = _dominators(predecessors, entry, order)
    bodies: dict[int, set[int]] = {}
    for start, block in blocks.items():
        for header in block.successors:
            if order[header] > order[start]:
                continue
            climbing = start
            while climbing not in (header, entry):
                climbing = above[climbing]
            if climbing != header:
                raise BoundError(
                    f"the loop at {header:#x} can be entered in the middle, so its passes cannot be counted",
                    f"{block.last.address:#x}",
                    "write the loop without a jump into it",
                )
            body = bodies.setdefault(header, {header})
            waiting = [start]
            while waiting:
                inside = waiting.pop()
                if inside not in body:
                    body.add(inside)
                    waiting.extend(predecessors[inside])
    headers = sorted(bodies, key=order.__getitem__)
    return {start: tuple(header for header in headers if start in bodies[header]) for start in blocks}
