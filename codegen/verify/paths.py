"""Laws about single ticks: mirrored inputs give mirrored results, and a moved input moves a result by the weight it was designed with.

Takes a subject with integers, gives what was found.  Both start from random legal memories, so that they see every path at once.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from codegen.graph import Compare, Delay, Input
from codegen.host.controller import memory_names
from codegen.rules.fixed import FixedGraph
from codegen.rules.vector import decided, read_integer_arrays, read_real_arrays
from codegen.rules.walk import Memory, Values
from codegen.verify.bits import unpack_memory
from codegen.verify.law import Found, Generator, Law, emitted_only
from codegen.verify.parity import Parity, find_parities
from codegen.verify.shrink import shrink
from codegen.verify.subject import Subject
from codegen.verify.trial import Failure, Run, Watched, watch

Counts = NDArray[np.int64]
LANES = 4000
ROUNDS = 6
# A path has been felt where the float64 move is this many times its tolerance.
FELT = 4.0


def _visible(subject: Subject) -> list[tuple[str, str]]:
    """(what to watch, key in the parities) of every output and member."""
    shape = subject.shape
    pairs = [(port.name, f"output {port.name}") for port in shape.outputs]
    return pairs + [(f"state.{port.name}", port.name) for port in shape.memory if port.role != "slow_count"]


def _odd_ones(subject: Subject) -> dict[str, Parity]:
    assert subject.fixed is not None
    parities, _ = find_parities(subject.fixed)
    return {shown: parities[key] for shown, key in _visible(subject) if parities[key].odd is not None}


def _why_not_odd(subject: Subject) -> str:
    return emitted_only(subject) or ("" if _odd_ones(subject) else "biases or one-sided decisions in every path: nothing is odd")


def _columns(subject: Subject, outputs: Counts, memory: Counts, names: list[str]) -> Counts:
    """(names, lanes) of what is watched after one tick."""
    host = subject.host()
    rows = []
    for name in names:
        member = name.removeprefix("state.")
        rows.append(memory[host.memory.index(member)] if name.startswith("state.") else outputs[host.outputs.index(member)])
    return np.array(rows)


def _mirror(subject: Subject, memory: Counts, inputs: Counts) -> tuple[Counts, Counts, Counts, Counts]:
    """Memory and inputs (members or inputs, lanes) held where their negatives are legal too, and mirrored."""
    assert subject.fixed is not None
    _, signs = find_parities(subject.fixed)
    memory, inputs = memory.copy(), inputs.copy()
    turned_memory = memory.copy()
    for at, port in enumerate(subject.shape.memory):
        if signs.get(port.name, 1) < 0:
            most = min(-port.low, port.high)
            memory[at] = np.clip(memory[at], -most, most)
            turned_memory[at] = -memory[at]
    turned = inputs.copy()
    for at, port in enumerate(subject.shape.inputs):
        if port.ctype != "bool":
            most = min(-port.low, port.high)
            inputs[at] = np.clip(inputs[at], -max(most, 0), max(most, 0))
            turned[at] = -inputs[at]
    return memory, inputs, turned_memory, turned


def _unsigned_input(subject: Subject) -> str:
    unsigned = [port.name for port in subject.shape.inputs if port.ctype != "bool" and port.low >= 0]
    return f"input {unsigned[0]} has no negative counts" if unsigned else ""


def _odd_failure(subject: Subject, memory: Counts, inputs: Counts) -> Failure | None:
    """The failure that one lane's memory (members,) and inputs (inputs,) show, if any."""
    odd = _odd_ones(subject)
    names = list(odd)
    straight_memory, straight, turned_memory, turned = _mirror(subject, memory[:, None], inputs[:, None])
    runs = tuple(
        Run(np.ascontiguousarray(fed.T), subject.named_memory(held[:, 0]))
        for held, fed in ((straight_memory, straight), (turned_memory, turned))
    )
    for name in names:
        watched = (Watched(name, 0), Watched(name, 1))
        got = watch(subject.host(), runs, watched)
        most = odd[name].odd or 0
        if abs(int(got[-1])) > most:
            claim = f"{name} is odd: mirrored inputs and memory give its negative within {most} counts of rounding"
            return Failure(claim, runs, watched, -most, most, tuple(int(v) for v in got))
    return None


def _judge_odd(subject: Subject, runs: tuple[Run, ...]) -> Failure | None:
    host = subject.host()
    memory = host.start(1)
    for name, value in (runs[0].memory or {}).items():
        memory[host.memory.index(name), 0] = value
    return _odd_failure(subject, memory[:, 0], runs[0].inputs[-1])


def _check_odd(subject: Subject, rng: Generator) -> Found:
    host, odd = subject.host(), _odd_ones(subject)
    names = list(odd)
    most = np.array([odd[name].odd for name in names])[:, None]
    count = 0
    for turn in range(ROUNDS):
        inputs = subject.draw(subject.kinds[turn % len(subject.kinds)], rng, 1, LANES)[0]
        parts = _mirror(subject, subject.legal_memory(rng, LANES), inputs)
        seen = []
        for memory, fed in ((parts[0], parts[1]), (parts[2], parts[3])):
            after = np.ascontiguousarray(memory)
            outputs = host.run(after, fed[None]).outputs[0]
            seen.append(_columns(subject, outputs, after, names))
        count += LANES
        broken = np.abs(seen[0] + seen[1]) > most
        if broken.any():
            lane = int(np.argmax(broken.any(axis=0)))
            failure = _odd_failure(subject, parts[0][:, lane], parts[1][:, lane])
            if failure is not None:
                return Found(count, shrink(failure, lambda runs: _judge_odd(subject, runs)))
    return Found(count, None, {"odd signals": float(len(names))})


# --- gain of every path -----------------------------------------------------------------------------------------------------


def _read_both(fixed: FixedGraph, memory: Counts, inputs: Counts) -> Values:
    """Float64 values of one tick from raw memory and inputs, with the decisions that the integers take."""
    members = memory_names(fixed)
    lsb = {name: float(proven.lsb) for name, proven in fixed.formats.items()}
    integer, real = read_integer_arrays(fixed), read_real_arrays(fixed.graph)
    raw = unpack_memory(fixed, members, memory)
    gains = integer.start().gains
    scaled = Memory(
        {name: value if fixed.graph.nodes[name].is_bool else value * lsb[name] for name, value in raw.delays.items()},
        {name: value * lsb[name] for name, value in raw.sums.items()},
        raw.count,
        {name: value * lsb[name] for name, value in gains.items()},
    )
    raw.gains = dict(gains)
    nodes = fixed.graph.inputs
    decisions = integer.tick(raw, {node.name: inputs[at] for at, node in enumerate(nodes)})
    reals: Values = {node.name: inputs[at] != 0 if node.is_bool else inputs[at] * node.per_count for at, node in enumerate(nodes)}
    reals |= {
        decided(name): decisions[name] for name, node in fixed.graph.nodes.items() if isinstance(node, Compare) and name in decisions
    }
    return real.tick(scaled, reals)


def _measured(subject: Subject) -> dict[str, str]:
    """What is watched to the signal whose value it shows: outputs and delays that are numbers with an error bound."""
    assert subject.fixed is not None
    graph = subject.fixed.graph
    shown = {output.name: output.signal for output in graph.outputs if output.ctype != "bool"}
    # A delay of a delay takes over what that one held before the tick, which no signal of the tick shows.
    shown |= {
        f"state.{delay.name}": delay.source
        for delay in graph.delays
        if not delay.is_bool and not isinstance(graph.nodes[delay.source], Delay)
    }
    return {name: signal for name, signal in shown.items() if signal in subject.bounds or isinstance(graph.nodes[signal], Input)}


def _why_no_paths(subject: Subject) -> str:
    if subject.fixed is None:
        return emitted_only(subject)
    numbers = [node for node in subject.fixed.graph.inputs if not node.is_bool]
    return "" if numbers and _measured(subject) else "it has no path from a number to a number with an error bound"


def _tolerance(subject: Subject, signal: str) -> float:
    return 2.0 * subject.bounds[signal].magnitude if signal in subject.bounds else 0.0


def _moves(subject: Subject, memory: Counts, base: Counts, moved: Counts) -> dict[str, tuple[NDArray[np.float64], Counts]]:
    """Per watched number that the tick writes: float64's move in counts, and the C's move."""
    assert subject.fixed is not None
    fixed, host = subject.fixed, subject.host()
    slow_tick = fixed.graph.slow_every == 1 or int(memory[-1, 0]) == fixed.graph.slow_every - 1
    watched = _measured(subject)
    reals, seen = [], []
    for inputs in (base, moved):
        reals.append(_read_both(fixed, memory, inputs))
        after = np.array(memory, order="C")
        outputs = host.run(after, inputs[None]).outputs[0]
        seen.append(_columns(subject, outputs, after, list(watched)))
    result: dict[str, tuple[NDArray[np.float64], Counts]] = {}
    for at, (name, signal) in enumerate(watched.items()):
        node = fixed.graph.nodes.get(name.removeprefix("state."))
        written = slow_tick or not (isinstance(node, Delay) and node.slow)
        if written and signal in reals[0]:
            lsb = float(fixed.formats[signal].lsb)
            difference = (np.asarray(reals[1][signal], dtype=np.float64) - np.asarray(reals[0][signal], dtype=np.float64)) / lsb
            result[name] = (np.broadcast_to(difference, memory.shape[1]), seen[1][at] - seen[0][at])
    return result


def _gain_failure(subject: Subject, memory: Counts, base: Counts, moved: Counts) -> Failure | None:
    """The failure that one lane shows, if any; (members,), (inputs,), (inputs,)."""
    assert subject.fixed is not None
    watched = _measured(subject)
    for name, (wanted, got) in _moves(subject, memory[:, None], base[:, None], moved[:, None]).items():
        tolerance = _tolerance(subject, watched[name]) / float(subject.fixed.formats[watched[name]].lsb)
        low, high = int(np.ceil(wanted[0] - tolerance - 1e-9)), int(np.floor(wanted[0] + tolerance + 1e-9))
        if not low <= int(got[0]) <= high:
            held = subject.named_memory(memory)
            runs = (Run(base[None].copy(), held), Run(moved[None].copy(), held))
            parts = (Watched(name, 1), Watched(name, 0, -1))
            shown = watch(subject.host(), runs, parts)
            inputs = subject.shape.inputs
            changed = ", ".join(port.name for at, port in enumerate(inputs) if base[at] != moved[at])
            claim = f"{name} moves with {changed} by the weight of that path"
            return Failure(claim, runs, parts, low, high, tuple(int(v) for v in shown))
    return None


def _judge_gain(subject: Subject, runs: tuple[Run, ...]) -> Failure | None:
    host = subject.host()
    memory = host.start(1)
    for name, value in (runs[0].memory or {}).items():
        memory[host.memory.index(name), 0] = value
    return _gain_failure(subject, memory[:, 0], runs[0].inputs[-1], runs[1].inputs[-1])


def _check_gain(subject: Subject, rng: Generator) -> Found:
    assert subject.fixed is not None
    fixed = subject.fixed
    watched = _measured(subject)
    felt: set[tuple[str, str]] = set()
    count = 0
    numbers = [at for at, node in enumerate(fixed.graph.inputs) if not node.is_bool]
    for turn in range(2 if fixed.graph.slow_every > 1 else 1):
        for at in numbers:
            memory = subject.legal_memory(rng, LANES)
            if fixed.graph.slow_every > 1 and turn:
                memory[-1] = fixed.graph.slow_every - 1
            kind = ("held", "constant")[count // LANES % 2]
            base = subject.draw(kind, rng, 1, LANES)[0]
            moved = base.copy()
            port = subject.shape.inputs[at]
            steps = np.int64(1) << rng.integers(0, max(1, port.bits - 1), LANES)
            moved[at] = np.clip(base[at] + steps * rng.choice(np.array([-1, 1]), LANES), port.low, port.high)
            count += 2 * LANES
            for name, (wanted, got) in _moves(subject, memory, base, moved).items():
                tolerance = _tolerance(subject, watched[name]) / float(fixed.formats[watched[name]].lsb)
                if np.any(np.abs(wanted) > FELT * tolerance + 0.5):
                    felt.add((port.name, name))
                broken = np.abs(got - wanted) > tolerance + 1e-6
                if broken.any():
                    lane = int(np.argmax(broken))
                    failure = _gain_failure(subject, memory[:, lane], base[:, lane], moved[:, lane])
                    if failure is not None:
                        return Found(count, shrink(failure, lambda runs: _judge_gain(subject, runs)))
    return Found(count, None, {"paths felt": float(len(felt))})


def _why_not_mirrored(subject: Subject) -> str:
    return _why_not_odd(subject) or _unsigned_input(subject)


LAWS = (
    Law("oddness", "mirrored inputs give mirrored results, within one count per rounding", _why_not_mirrored, _check_odd),
    Law("gain of every path", "a moved input moves each result by the weight it was designed with", _why_no_paths, _check_gain),
)
