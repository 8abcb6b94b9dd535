"""Every way through a function, with what is known on each, and the one that takes the most cycles.

A place is a block under the calls that led to it and the passes of the loops around it.  Callees are inlined and loops unrolled while
constants decide their branches, so that places have an order in which to visit them once; a loop whose branch is never decided makes no
progress and is refused.  At a place, ways that know different things are kept apart while they may matter: one is dropped if another is
at least as expensive and covers it, and the cheapest are joined when there are too many.  All of that only ever adds executions, so the
most expensive way is an upper bound, and infeasible ways drop out where what is known contradicts a branch.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from codegen.errors import BoundError
from codegen.target.cycles import Prices
from codegen.target.flow import Block, Region, find_region
from codegen.target.instruction import Decoder, Flow, Instruction
from codegen.target.machine import Effects, Known, lost_stack
from codegen.target.state import Key, State
from codegen.target.values import Item

MOST_PASSES = 1024
MOST_PLACES = 200_000


@dataclass(frozen=True)
class Frame:
    """A call on the way to a place.

    Attributes:
        entry: Entry of the region that called.
        call: Start of the block that ends with the call.
        back: Address to which the callee returns.
        passes: Passes of the caller's loops around the call.
    """

    entry: int
    call: int
    back: int
    passes: tuple[int, ...]


@dataclass(frozen=True)
class Place:
    """A block under its calls and loop passes.

    Attributes:
        calls: Outermost first.
        entry: Entry of the region that the block belongs to.
        start: Address of the block.
        passes: Passes of the loops around it, outermost first, from 0.
    """

    calls: tuple[Frame, ...]
    entry: int
    start: int
    passes: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Trail:
    """A way so far, from its end back to the entry.

    Attributes:
        block: The last block.
        taken: Whether its last instruction left it by its branch, skip, call or return.
        before: The way up to the block; None at the entry.
    """

    block: Block
    taken: bool
    before: Trail | None


@dataclass(frozen=True, eq=False)
class Way:
    """What is known on some executions that reach a place, and the most cycles that they took."""

    state: State
    cycles: int
    trail: Trail | None


@dataclass(frozen=True)
class Longest:
    """The most expensive way through a function.

    Attributes:
        cycles: From entry to return.
        trail: Its blocks.
        stack_bytes: Most stack on any way, the return address of the call of the function included.
        places: Number of places visited.
    """

    cycles: int
    trail: Trail
    stack_bytes: int
    places: int


Needs = Mapping[Place, frozenset[Item]]


class Explorer:
    """Explores functions of one image; regions once decoded are kept."""

    def __init__(self, decoder: Decoder, effects: Effects) -> None:
        self._decoder = decoder
        self._effects = effects
        self._regions: dict[int, Region] = {}
        self._positions: dict[Place, tuple[int, ...]] = {}

    def _region(self, entry: int) -> Region:
        if entry not in self._regions:
            self._regions[entry] = find_region(self._decoder, entry)
        return self._regions[entry]

    def _position(self, place: Place) -> tuple[int, ...]:
        """Order of visits: by call, by loop pass, by reverse post-order; whatever leads to a place comes before it."""
        if place not in self._positions:
            region = self._region(place.entry)
            above: tuple[int, ...] = ()
            if place.calls:
                frame = place.calls[-1]
                above = self._position(Place(place.calls[:-1], frame.entry, frame.call, frame.passes))
            nest = zip(region.nests[place.start], place.passes, strict=True)
            loops = [part for header, count in nest for part in (region.order[header], count)]
            self._positions[place] = (*above, *loops, region.order[place.start])
        return self._positions[place]

    def first(self, entry: int) -> Place:
        """The place at which a function is entered."""
        return Place((), entry, entry, tuple(0 for _ in self._region(entry).nests[entry]))

    def longest(self, entry: int, prices: Prices, known: tuple[Known, ...] = (), most_ways: int = 1, needs: Needs | None = None) -> Longest:
        """The most expensive way through the function at `entry`.

        Args:
            entry: Its address.
            prices: Cycle table.
            known: Facts about memory on entry.
            most_ways: Ways kept apart at a place.
            needs: What each place and all behind it ask for, from `find_needs`; None keeps everything.

        Raises:
            BoundError: A loop without a provable bound, an indirect jump, an unknown instruction or one without a price, recursion, or
                a stack pointer that is not known.
        """
        ended: Longest | None = None
        stack = 0
        visited = 0
        for place, ways, leaving in self.visit(entry, prices, known, most_ways, needs):
            visited += 1
            block = self._region(place.entry).blocks[place.start]
            for way in ways:
                stack = max(stack, self._deepest(way.state, block))
            for to, way in leaving:
                if to is None and way.trail and (ended is None or way.cycles > ended.cycles):
                    ended = Longest(way.cycles, way.trail, 0, 0)
        if ended is None:
            raise BoundError("the function never returns", f"{entry:#x}", "leave the endless loop to the caller")
        return Longest(ended.cycles, ended.trail, stack, visited)

    def visit(
        self, entry: int, prices: Prices, known: tuple[Known, ...], most_ways: int, needs: Needs | None
    ) -> Iterator[tuple[Place, list[Way], list[tuple[Place | None, Way]]]]:
        """Visit every place once, in order; gives what is known on entry and what leaves it."""
        first = self.first(entry)
        arrivals: dict[Place, list[Way]] = {first: [Way(self._effects.enter(known), 0, None)]}
        waiting = [(self._position(first), 0)]
        numbered = [first]
        headers: dict[Place, frozenset[Key]] = {}
        while waiting:
            position, number = heapq.heappop(waiting)
            place = numbered[number]
            ways = _select(arrivals.pop(place), most_ways, needs.get(place, frozenset()) if needs is not None else None)
            self._check_progress(place, ways, headers)
            leaving = [step for way in ways for step in self._leave(place, way, prices)]
            yield place, ways, leaving
            for to, way in leaving:
                if to is None:
                    continue
                if to not in arrivals:
                    if self._position(to) <= position:
                        raise BoundError("the flow of control has no order in which to price it", f"{place.start:#x}")
                    arrivals[to] = []
                    heapq.heappush(waiting, (self._position(to), len(numbered)))
                    numbered.append(to)
                    if len(numbered) > MOST_PLACES:
                        raise BoundError(f"more than {MOST_PLACES} blocks on the ways through it", f"{entry:#x}", "call less, loop less")
                arrivals[to].append(way)

    def _check_progress(self, place: Place, ways: list[Way], headers: dict[Place, frozenset[Key]]) -> None:
        """Refuse a loop whose header is reached again with no more known than the time before."""
        nest = self._region(place.entry).nests[place.start]
        if not nest or nest[-1] != place.start:
            return
        headers[place] = frozenset(way.state.key() for way in ways)
        count = place.passes[-1]
        before = Place(place.calls, place.entry, place.start, (*place.passes[:-1], count - 1))
        if count > MOST_PASSES or headers.get(before) == headers[place]:
            raise BoundError(
                "the loop has no provable bound: its passes depend on data, or are more than constants in registers can count",
                f"{place.start:#x}",
                "write loops with a constant number of passes, and no shifts by a variable",
            )

    def _deepest(self, state: State, block: Block) -> int:
        """Deepest stack on the way through a block."""
        running = state.copy()
        deepest = self._effects.depth(running) or 0
        for instruction in block.instructions:
            self._effects.apply(running, instruction)
            depth = self._effects.depth(running)
            if depth is None and (instruction is block.last or not self._effects.changing(running)):
                raise lost_stack(instruction)
            deepest = max(deepest, depth or 0)
        return deepest + self._effects.entry_bytes

    def _leave(self, place: Place, way: Way, prices: Prices) -> list[tuple[Place | None, Way]]:
        """The ways on from a place."""
        block = self._region(place.entry).blocks[place.start]
        last = block.last
        state = way.state.copy()
        cycles = way.cycles
        before = way.trail.block.last if way.trail else None
        for instruction in block.instructions:
            cycles += prices.wait(before, instruction)
            before = instruction
            if instruction is not last:
                cycles += prices.price(instruction, taken=False)
            self._effects.apply(state, instruction)
        leaving = []
        for taken, to, after in self._exits(place, last, state):
            total = cycles + prices.price(last, taken=taken)
            leaving.append((to, Way(after, total, Trail(block, taken, way.trail))))
        return leaving

    def _exits(self, place: Place, last: Instruction, state: State) -> Iterator[tuple[bool, Place | None, State]]:
        if last.flow is Flow.NEXT:
            yield False, self._beside(place, last.end), state
            return
        if last.flow is Flow.INDIRECT:
            raise BoundError(
                f"{last.text} jumps to an address that the code does not show",
                f"{last.address:#x}",
                "indirect jumps have no bound; write the code without function pointers and jump tables",
            )
        conditional = last.flow in (Flow.BRANCH, Flow.SKIP) or bool(last.predicate)
        decided = self._effects.decide(state, last) if conditional else True
        if decided is not False:
            taken = state.copy()
            if decided or self._effects.assume(taken, last, True):
                yield True, self._take(place, last, taken), taken
        if decided is not True and (decided is False or self._effects.assume(state, last, False)):
            yield False, self._beside(place, last.end), state

    def _take(self, place: Place, last: Instruction, state: State) -> Place | None:
        if last.flow is Flow.CALL:
            if last.target in (place.entry, *(frame.entry for frame in place.calls)):
                raise BoundError(f"{last.text} calls itself", f"{last.address:#x}", "recursion has no bound here; write a loop")
            self._effects.call(state, last)
            frame = Frame(place.entry, place.start, last.end, place.passes)
            nest = self._region(last.target).nests[last.target]
            return Place((*place.calls, frame), last.target, last.target, tuple(0 for _ in nest))
        if last.flow is Flow.RETURN:
            frame_back = place.calls[-1].back if place.calls else -1
            self._effects.come_back(state, last, frame_back)
            if not place.calls:
                return None
            frame = place.calls[-1]
            return self._beside(Place(place.calls[:-1], frame.entry, frame.call, frame.passes), frame.back)
        return self._beside(place, last.target)

    def _beside(self, place: Place, start: int) -> Place:
        """The block at `start` of the same region, reached from `place`."""
        nests = self._region(place.entry).nests
        here = dict(zip(nests[place.start], place.passes, strict=True))
        passes = tuple(here.get(header, 0) + (header == start and header in here) for header in nests[start])
        return Place(place.calls, place.entry, start, passes)

    def find_needs(self, entry: int, prices: Prices) -> Needs:
        """What each place and all that follow it ask for: registers, flags and memory of which knowledge may decide something.

        Raises:
            BoundError: As `longest`.
        """
        order: list[Place] = []
        uses: dict[Place, frozenset[Item]] = {}
        writes: dict[Place, frozenset[Item]] = {}
        after: dict[Place, set[Place]] = {}
        for place, ways, leaving in self.visit(entry, prices, (), 1, None):
            order.append(place)
            after[place] = {to for to, _ in leaving if to is not None}
            watched = ways[0].state.watched()
            block = self._region(place.entry).blocks[place.start]
            # The stack bound asks for the stack pointer everywhere.
            self._effects.depth(watched)
            for instruction in block.instructions:
                self._effects.apply(watched, instruction)
            if block.last.flow is not Flow.NEXT:
                self._effects.decide(watched, block.last)
                if block.last.flow is Flow.CALL:
                    self._effects.call(watched, block.last)
                elif block.last.flow is Flow.RETURN:
                    self._effects.come_back(watched, block.last, place.calls[-1].back if place.calls else -1)
            if watched.recorder:
                uses[place] = frozenset(watched.recorder.needs)
                writes[place] = frozenset(watched.recorder.writes)
        needs: dict[Place, frozenset[Item]] = {}
        for place in reversed(order):
            behind = frozenset[Item]().union(*(needs[to] for to in after[place]))
            needs[place] = uses[place] | (behind - writes[place])
        return needs


def _select(ways: list[Way], most: int, needed: frozenset[Item] | None) -> list[Way]:
    """Ways to go on with: none that another covers at no fewer cycles, at most `most`, the cheapest of them joined."""
    ways = sorted(ways, key=lambda way: -way.cycles)
    kept: list[Way] = []
    seen: set[Key] = set()
    for way in ways:
        way.state.thin(needed)
        if len(kept) >= most:
            last = kept[-1]
            last.state.join(way.state)
            continue
        key = way.state.key()
        if key in seen or any(other.state.covers(way.state) for other in kept):
            continue
        seen.add(key)
        kept.append(way)
    if len(ways) > 1:
        kept[-1].state.thin(needed)
    return kept
