"""Laws about long times: tiny constant inputs, low-passes that reach their input, and integrals that do not wind up.

Takes a subject with integers, gives what was found.  A trace of the compiled C is judged all at once: every tick of it is one lane of
the integer model, which starts from the memory that the C had and must end in the memory that the C has next.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.errors import CheckFailed
from codegen.graph import Clamp, Constant, Delay, Graph, Input, Node, Parameter, Select, Shorten, Term, WeightedSum
from codegen.rules.fixed import FixedGraph, SumDetail
from codegen.rules.integer import read_integer
from codegen.rules.vector import read_integer_arrays
from codegen.verify.bits import member_value, unpack_memory
from codegen.verify.law import Found, Generator, Law, earliest, emitted_only
from codegen.verify.shrink import shrink
from codegen.verify.subject import Subject, port_named
from codegen.verify.trial import Failure, Run, Watched, watch

Counts = NDArray[np.int64]
TINY_TICKS = 100_000
SCALAR_TICKS = 200
SETTLE_TICKS = 200_000
WIND_TICKS = (3_000, 30_000)
RELEASE_TICKS = 3_000


# --- one step of the model from every memory of a trace -----------------------------------------------------------------------


def step_breach(subject: Subject, before: Counts, inputs: Counts, after: Counts, outputs: Counts) -> tuple[int, str, int, int] | None:
    """The first row whose step the model does not share: (row, what, expected, got).

    Args:
        subject: The controller.
        before: (rows, members), memory before each step.
        inputs: (rows, inputs).
        after: (rows, members) as the C left it.
        outputs: (rows, outputs) of the C.
    """
    assert subject.fixed is not None
    fixed, twin = subject.fixed, read_integer_arrays(subject.fixed)
    names = [port.name for port in subject.shape.memory]
    counts = before[:, names.index("slow_count")] if "slow_count" in names else np.zeros(len(before), dtype=np.int64)
    first: tuple[int, str, int, int] | None = None
    for count in np.unique(counts):
        rows = np.flatnonzero(counts == count)
        memory = unpack_memory(fixed, names, np.ascontiguousarray(before[rows].T))
        memory.gains = dict(twin.start().gains)
        fed = {port.name: np.ascontiguousarray(inputs[rows, at]) for at, port in enumerate(subject.shape.inputs)}
        values = twin.tick(memory, fed)
        pairs = [(output.name, values[output.signal], outputs[rows, at]) for at, output in enumerate(fixed.graph.outputs)]
        pairs += [(f"state.{name}", member_value(memory, name), after[rows, at]) for at, name in enumerate(names)]
        for name, expected, got in pairs:
            unequal = np.broadcast_to(np.not_equal(expected, got), rows.shape)
            if unequal.any():
                at = int(np.argmax(unequal))
                if first is None or rows[at] < first[0]:
                    first = (int(rows[at]), name, int(np.broadcast_to(expected, rows.shape)[at]), int(got[at]))
    return first


def _scalar_breach(subject: Subject, first: Counts, inputs: Counts, after: Counts, outputs: Counts) -> tuple[int, str, int, int] | None:
    """The same for one short run, in Python integers; a memory that is not legal breaks nothing."""
    assert subject.fixed is not None
    fixed, twin = subject.fixed, read_integer(subject.fixed)
    names = [port.name for port in subject.shape.memory]
    memory = twin.start()
    held = dict(zip(names, (int(value) for value in first), strict=False))
    memory.delays = {name: held[name] for name in memory.delays}
    memory.sums = {name: held[name] for name in memory.sums}
    memory.count = held.get("slow_count", 0)
    for tick, row in enumerate(inputs):
        try:
            values = twin.tick(memory, {port.name: int(value) for port, value in zip(subject.shape.inputs, row, strict=True)})
        except CheckFailed:
            return None
        pairs = [(output.name, values[output.signal], outputs[tick, at]) for at, output in enumerate(fixed.graph.outputs)]
        pairs += [(f"state.{name}", member_value(memory, name), after[tick, at]) for at, name in enumerate(names)]
        for name, expected, got in pairs:
            if int(expected) != int(got):
                return tick, name, int(expected), int(got)
    return None


def model_failure(subject: Subject, inputs: Counts, memory: Mapping[str, int] | None, claim: str) -> Failure | None:
    """Where a run over inputs (ticks, inputs) first takes a step that the integer model does not take."""
    host = subject.host()
    begin = host.start(1)
    for name, value in (memory or {}).items():
        begin[host.memory.index(name), 0] = value
    first = begin[:, 0].copy()
    trace = host.run(begin, inputs[:, :, None], trace_memory=True)
    assert trace.memory is not None
    after, outputs = trace.memory[:, :, 0], trace.outputs[:, :, 0]
    if len(inputs) <= SCALAR_TICKS:
        breach = _scalar_breach(subject, first, inputs, after, outputs)
    else:
        before = np.concatenate([first[None, : after.shape[1]], after[:-1]])
        breach = step_breach(subject, before, inputs, after, outputs)
    if breach is None:
        return None
    row, name, expected, _ = breach
    runs, watched = (Run(inputs[: row + 1].copy(), memory),), (Watched(name),)
    return Failure(claim, runs, watched, expected, expected, tuple(int(v) for v in watch(host, runs, watched)))


def _check_tiny(subject: Subject, rng: Generator) -> Found:
    claim = "a tiny constant input is followed exactly, without drift"
    count = 0
    for inputs in _tiny_inputs(subject):
        failure = model_failure(subject, inputs, None, claim)
        count += len(inputs)
        if failure is not None:
            return Found(count, shrink(failure, lambda runs: model_failure(subject, runs[0].inputs, runs[0].memory, claim)))
    return Found(count)


def _tiny_inputs(subject: Subject) -> list[Counts]:
    """Every number input at one count and at minus one, truth values true; and all at zero."""
    ports = subject.shape.inputs
    rest = np.array([1 if port.ctype == "bool" else max(port.low, min(port.high, 0)) for port in ports], dtype=np.int64)
    rows = [rest]
    for at, port in enumerate(ports):
        if port.ctype != "bool":
            for value in (1, -1):
                if port.low <= value <= port.high:
                    row = rest.copy()
                    row[at] = value
                    rows.append(row)
    return [np.repeat(row[None], TINY_TICKS, axis=0) for row in rows]


# --- low-passes -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class LowPass:
    """A memory that moves towards an operand by a share of the distance per tick.

    Attributes:
        memory: The delay.
        target: Signal it moves to; made of inputs without memory.
        share: Least share per tick of all the filters that write the memory.
        reach: Distance in the target's unit at which rounding may stop it.
        idle: Inputs that must be zero, because they move the memory otherwise.
    """

    memory: str
    target: str
    share: float
    reach: float
    idle: frozenset[str]


def _roots(graph: Graph, name: str) -> list[str]:
    """Sums that a value can be, seen through selections, clamps and shorter words."""
    node = graph.nodes[name]
    match node:
        case Select():
            return [*_roots(graph, node.if_true), *_roots(graph, node.if_false)]
        case Clamp() | Shorten():
            return _roots(graph, node.operand)
        case _:
            return [name]


def _leaves(graph: Graph, name: str) -> set[str] | None:
    """Inputs that a signal is computed from; None if memory takes part."""
    node = graph.nodes[name]
    if isinstance(node, Input):
        return {name}
    if isinstance(node, Constant | Parameter):
        return set()
    if isinstance(node, Delay):
        return None
    found: set[str] = set()
    for operand in node.operands():
        leaves = _leaves(graph, operand)
        if leaves is None:
            return None
        found |= leaves
    return found


def _is_memory(graph: Graph, name: str, memory: str) -> bool:
    node: Node = graph.nodes[name]
    while isinstance(node, Shorten):
        node = graph.nodes[node.operand]
    return node.name == memory


def find_low_passes(fixed: FixedGraph) -> list[LowPass]:
    """Every fast delay that is written by sums of itself and a share of (operand - itself)."""
    graph = fixed.graph
    result = []
    for delay in graph.delays:
        if delay.slow or delay.is_bool:
            continue
        found = [_filter_of(fixed, delay, root) for root in _roots(graph, delay.source)]
        filters = [part for part in found if part is not None]
        # Roots that are no filters must come straight from inputs, as the estimate of a first tick does.
        others = [root for root, part in zip(_roots(graph, delay.source), found, strict=True) if part is None]
        if not filters or len({part.target for part in filters}) > 1 or any(_leaves(graph, root) is None for root in others):
            continue
        result.append(
            LowPass(
                delay.name,
                filters[0].target,
                min(part.share for part in filters),
                max(part.reach for part in filters),
                frozenset().union(*(part.idle for part in filters)),
            )
        )
    return result


def _carried_terms(graph: Graph, node: WeightedSum, memory: str) -> list[Term]:
    """Terms of a sum beside the memory, also those that are added to the memory in a sum of their own before; empty if it is not in."""
    found: list[Term] = []
    held = False
    for term in node.terms:
        inner = graph.nodes[term.name]
        if term.weight == 1.0 and _is_memory(graph, term.name, memory):
            held = True
        elif term.weight == 1.0 and isinstance(inner, WeightedSum) and not inner.bias and inner.low is None:
            before = _carried_terms(graph, inner, memory)
            found += before or [term]
            held = held or bool(before)
        else:
            found.append(term)
    return found if held else []


def _distance(graph: Graph, term: Term, memory: str) -> tuple[WeightedSum, Term, Term] | None:
    """The difference (operand - memory) that a term is a share of, also where it is a copy in a shorter word, with its two sides."""
    apart = graph.nodes[term.name]
    while isinstance(apart, Shorten):
        apart = graph.nodes[apart.operand]
    if not isinstance(apart, WeightedSum) or len(apart.terms) != 2 or apart.bias or apart.low is not None:
        return None
    minus = [t for t in apart.terms if t.weight == -1.0 and _is_memory(graph, t.name, memory)]
    plus = [t for t in apart.terms if t.weight == 1.0 and _leaves(graph, t.name) is not None]
    return (apart, minus[0], plus[0]) if len(minus) == 1 and len(plus) == 1 else None


def _filter_of(fixed: FixedGraph, delay: Delay, root: str) -> LowPass | None:
    graph = fixed.graph
    node, detail = graph.nodes[root], fixed.details[root]
    if not isinstance(node, WeightedSum) or not isinstance(detail, SumDetail) or node.bias:
        return None
    weights = {term.name: weight for term, weight in zip(node.terms, detail.weights, strict=True)}
    idle: set[str] = set()
    core: LowPass | None = None
    for term in _carried_terms(graph, node, delay.name):
        distance = _distance(graph, term, delay.name) if 0.0 < term.weight < 1.0 and term.name in weights else None
        if distance is not None and core is None:
            apart, minus, plus = distance
            stuck = (1 << (detail.shift - 1)) / weights[term.name] if detail.shift else 1.0 / weights[term.name]
            lost = sum(0.5 * float(fixed.formats[name].lsb) for name in {minus.name, term.name} - {apart.name})
            reach = (stuck + 1.0) * float(fixed.formats[term.name].lsb) + lost
            core = LowPass(delay.name, plus.name, term.weight, reach, frozenset())
            continue
        leaves = _leaves(graph, term.name)
        if leaves is None:
            return None
        idle |= leaves
    return None if core is None else LowPass(core.memory, core.target, core.share, core.reach, frozenset(idle))


def _low_passes(subject: Subject) -> list[LowPass]:
    assert subject.fixed is not None
    graph = subject.fixed.graph
    return [part for part in find_low_passes(subject.fixed) if not (part.idle & (_leaves(graph, part.target) or set()))]


def _why_no_low_pass(subject: Subject) -> str:
    return emitted_only(subject) or ("" if _low_passes(subject) else "no memory is a low-pass of its inputs")


def _reach_failure(subject: Subject, part: LowPass, row: Counts, ticks: int) -> Failure | None:
    """Constant inputs (inputs,): the memory must move towards its target only, and come as near as rounding lets it."""
    assert subject.fixed is not None
    fixed, host = subject.fixed, subject.host()
    at = host.memory.index(part.memory)
    inputs = np.repeat(row[None], ticks, axis=0)
    trace = host.run(host.start(1), inputs[:, :, None], trace_memory=True)
    assert trace.memory is not None
    values = trace.memory[:, at, 0]
    twin = read_integer_arrays(fixed)
    fed = {port.name: row[place : place + 1] for place, port in enumerate(subject.shape.inputs)}
    target = float(np.asarray(twin.tick(twin.start(), fed)[part.target]).reshape(-1)[0]) * float(fixed.formats[part.target].lsb)
    lsb = float(fixed.formats[part.memory].lsb)
    low, high = math.floor((target - part.reach) / lsb), math.ceil((target + part.reach) / lsb)
    runs, watched = (Run(inputs),), (Watched(f"state.{part.memory}"),)
    if not low <= values[-1] <= high:
        claim = f"{part.memory} reaches {part.target} as near as its rounding allows"
        return Failure(claim, runs, watched, low, high, tuple(int(v) for v in values))
    side = np.sign(values[-1] - values[0])
    wrong = np.flatnonzero(side * np.diff(values) < 0)
    if len(wrong):
        tick = int(wrong[0]) + 1
        claim = f"{part.memory} moves towards {part.target} only"
        limits = (int(values[tick - 1]), high) if side > 0 else (low, int(values[tick - 1]))
        return Failure(claim, (Run(inputs[: tick + 1]),), watched, *limits, tuple(int(v) for v in values[: tick + 1]))
    return None


def _settling_ticks(fixed: FixedGraph, part: LowPass) -> int:
    """Ticks after which the farthest start is within half the reach, with a few shares for the rounding near the end."""
    target = fixed.formats[part.target]
    span = 2.0 * max(abs(target.real_low), abs(target.real_high))
    decay = math.log(max(2.0, 2.0 * span / part.reach)) / -math.log1p(-part.share)
    return min(SETTLE_TICKS, 10 + math.ceil(decay + 2.0 / part.share))


def _check_low_pass(subject: Subject, rng: Generator) -> Found:
    assert subject.fixed is not None
    count = 0
    widest = 0.0
    for part in _low_passes(subject):
        ticks = _settling_ticks(subject.fixed, part)
        free = _leaves(subject.fixed.graph, part.target) or set()
        for truth in (0, 1):
            for level in (1, -1, 7, -7, None, -1000, 1000):
                row = np.array([truth if port.ctype == "bool" else max(port.low, min(port.high, 0)) for port in subject.shape.inputs])
                for at, port in enumerate(subject.shape.inputs):
                    if port.name in free and port.ctype != "bool":
                        value = int(rng.integers(port.low, port.high, endpoint=True)) if level is None else level
                        row[at] = max(port.low, min(port.high, value))
                count += ticks
                failure = _reach_failure(subject, part, row.astype(np.int64), ticks)
                if failure is not None:
                    return Found(count, failure)
        widest = max(widest, part.reach / float(subject.fixed.formats[part.target].lsb))
    return Found(count, None, {"low-passes": float(len(_low_passes(subject))), "widest dead band, counts of the target": widest})


# --- wind-up ----------------------------------------------------------------------------------------------------------------


def _integrals(subject: Subject) -> list[str]:
    """Memory that adds to itself."""
    assert subject.fixed is not None
    graph = subject.fixed.graph
    return [
        delay.name
        for delay in graph.delays
        if not delay.is_bool
        for root in _roots(graph, delay.source)
        if isinstance(node := graph.nodes[root], WeightedSum)
        if any(term.weight == 1.0 and _is_memory(graph, term.name, delay.name) for term in node.terms)
    ]


def _why_no_wind_up(subject: Subject) -> str:
    return emitted_only(subject) or ("" if _integrals(subject) else "no memory adds to itself")


def _release(subject: Subject, push: Counts, back: Counts, ticks: int) -> tuple[Counts, Counts, Counts]:
    """(inputs, trace of the integrals, ticks after the reversal that each output stays where it was) after ``ticks`` of push."""
    host = subject.host()
    inputs = np.concatenate([np.repeat(push[None], ticks, axis=0), np.repeat(back[None], RELEASE_TICKS, axis=0)])
    trace = host.run(host.start(1), inputs[:, :, None], trace_memory=True)
    assert trace.memory is not None
    outputs = trace.outputs[:, :, 0]
    moved = outputs[ticks:] != outputs[ticks - 1]
    columns = [host.memory.index(name) for name in _integrals(subject)]
    return inputs, trace.memory[:ticks, columns, 0], np.where(moved.any(axis=0), np.argmax(moved, axis=0), RELEASE_TICKS)


def _beyond(subject: Subject, inputs: Counts, integrals: Counts) -> Failure | None:
    """The first tick of a push in which an integral is not held."""
    names = _integrals(subject)
    ports = [port_named(subject.shape.memory, name) for name in names]
    broken = np.stack([(integrals[:, at] < port.low) | (integrals[:, at] > port.high) for at, port in enumerate(ports)], axis=1)
    place = earliest(broken[:, :, None])
    if place is None:
        return None
    tick, at, _ = place
    port = ports[at]
    runs, watched = (Run(inputs[: tick + 1].copy()),), (Watched(f"state.{port.name}"),)
    got = tuple(int(v) for v in watch(subject.host(), runs, watched))
    return Failure(f"integral {port.name} is held inside its limits while it is pushed", runs, watched, port.low, port.high, got)


def _check_wind_up(subject: Subject, rng: Generator) -> Found:
    """A push holds every integral at a limit; once all rest there, pushing ten times as long must not delay the release."""
    ports = subject.shape.inputs
    count, slowest, settled = 0, 0, 0
    room = 2 * subject.shape.slow_every
    for turn in range(8):
        signs = np.ones(len(ports), dtype=np.int64) if turn == 0 else rng.choice(np.array([-1, 1]), len(ports))
        ends = [(port.high, port.low) if sign > 0 else (port.low, port.high) for port, sign in zip(ports, signs, strict=True)]
        push, back = (np.array([pair[side] for pair in ends], dtype=np.int64) for side in (0, 1))
        for at, port in enumerate(ports):
            if port.ctype == "bool":
                push[at] = back[at] = 1
        (_, _, short), (inputs, integrals, long) = (_release(subject, push, back, ticks) for ticks in WIND_TICKS)
        count += sum(WIND_TICKS) + 2 * RELEASE_TICKS
        beyond = _beyond(subject, inputs, integrals)
        if beyond is not None:
            return Found(count, shrink(beyond, lambda runs: _pushed(subject, runs[0].inputs)))
        # An integral that is slower than the short push is on its way at both releases: nothing follows from their times.
        if np.any(integrals[WIND_TICKS[0] - room - 1 :] != integrals[-1]):
            continue
        settled += 1
        late = np.flatnonzero(long > short + room)
        slowest = max(slowest, int(np.max(np.where(short < RELEASE_TICKS, short, 0))))
        if len(late):
            at = int(late[0])
            return Found(count, _late_release(subject, inputs, at, int(short[at]), room))
    return Found(count, None, {"ticks until a limit is let go": float(slowest), "pushes that came to rest": float(settled)})


def _pushed(subject: Subject, inputs: Counts) -> Failure | None:
    host = subject.host()
    memory = host.run(host.start(1), inputs[:, :, None], trace_memory=True).memory
    assert memory is not None
    return _beyond(subject, inputs, memory[:, [host.memory.index(name) for name in _integrals(subject)], 0])


def _late_release(subject: Subject, inputs: Counts, at: int, short: int, room: int) -> Failure:
    """Output ``at`` still stands where a controller stands that was never reversed."""
    port, pushed = subject.shape.outputs[at], WIND_TICKS[1]
    end = pushed + short + room + 1
    never = np.concatenate([inputs[:pushed], np.repeat(inputs[pushed - 1 : pushed], end - pushed, axis=0)])
    runs, watched = (Run(inputs[:end]), Run(never)), (Watched(port.name, 0), Watched(port.name, 1, -1))
    got = tuple(int(v) for v in watch(subject.host(), runs, watched))
    claim = f"{port.name} lets go of its limit {short} ticks after a short push is reversed, and no later after a long one"
    upper = int(subject.host().run(subject.host().start(1), inputs[:pushed, :, None]).outputs[-1, at, 0]) > 0
    low, high = (port.low - port.high, -1) if upper else (1, port.high - port.low)
    return Failure(claim, runs, watched, low, high, got)


LAWS = (
    Law("tiny constant inputs", f"inputs of one count held for {TINY_TICKS} ticks are followed exactly", emitted_only, _check_tiny),
    Law("low-pass reach", "low-passes move towards a constant input and reach it", _why_no_low_pass, _check_low_pass),
    Law("wind-up", "integrals are held; a limit is let go as soon after a long push as a short one", _why_no_wind_up, _check_wind_up),
)
