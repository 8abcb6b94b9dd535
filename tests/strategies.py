"""Random graphs over every node kind, and inputs and memory that push them: held levels, edges, counters near their wrap.

Gives hypothesis strategies of unfinished ``GraphBuilder``s in which every signal is used, and numpy draws of raw inputs, gains
and legal memory for a realised graph.  Copies that share an error, and clamps at the very edge of a range, come up on purpose.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from hypothesis import strategies as st
from hypothesis.strategies import DrawFn
from numpy.typing import NDArray

from codegen.graph import GraphBuilder
from codegen.graph.blocks import PidGains, latch, low_pass, pid, rate_limit, second_order_section, unchanged_for
from codegen.graph.graph import INPUT_RANGES
from codegen.rules.fixed import FixedGraph, RawDetail
from codegen.rules.walk import Memory

Counts = NDArray[np.int64]

NUMBER_TYPES = ("int8_t", "uint8_t", "int16_t", "uint16_t", "int32_t")
PER_COUNT = (1.0, 2.0**-15, 0.25, 0.001, 1.0 / 65.536, 9.81 / 16384.0, 0.1, 100.0, 1e-6, 3e3)
SECTIONS = (
    ((0.0, 1.0, 0.0), (1.0, 0.0, 0.0)),
    # Butterworth low-passes of order 2, Wn = 0.2 and 0.05 (scipy.signal.butter), and a lightly damped pair of poles.
    ((0.06745527, 0.13491055, 0.06745527), (1.0, -1.1429805, 0.4128016)),
    ((0.00554272, 0.01108543, 0.00554272), (1.0, -1.77863178, 0.80080265)),
    ((0.3, 0.0, -0.3), (1.0, -1.2, 0.85)),
)


@dataclass
class Sketch:
    """A graph being drawn.

    Attributes:
        graph: The builder.
        numbers: Largest magnitude of every number that a fast node may read.
        truths: Truth values that a fast node may read.
        used: Signals that something reads.
        loops: Feedback delays still to be connected: name to (limit, slow).
        count: Names given so far.
    """

    graph: GraphBuilder
    numbers: dict[str, float] = field(default_factory=dict)
    truths: list[str] = field(default_factory=list)
    used: set[str] = field(default_factory=set)
    loops: dict[str, float] = field(default_factory=dict)
    count: int = 0

    def fresh(self, stem: str) -> str:
        """A new name."""
        self.count += 1
        return f"{stem}_{self.count}"


def _number(draw: DrawFn, sketch: Sketch, pool: Mapping[str, float]) -> str:
    # Late signals are preferred, so that graphs grow deep and not only wide.
    names = list(pool)
    name = draw(st.sampled_from([*names, *names[-3:], *names[-1:]]))
    sketch.used.add(name)
    return name


def _truth(draw: DrawFn, sketch: Sketch, pool: list[str]) -> str:
    name = draw(st.sampled_from(pool))
    sketch.used.add(name)
    return name


WEIGHTS = st.one_of(
    st.sampled_from([1.0, -1.0, 0.5, -0.5, 2.0, 1.0, -1.0]),
    st.floats(0.02, 4.0).filter(lambda w: w != 0.0),
    st.floats(-4.0, -0.02),
)


def _terms(draw: DrawFn, sketch: Sketch, pool: Mapping[str, float], most: int) -> tuple[list[tuple[float, str]], float]:
    """Weighted terms and the largest magnitude of their sum."""
    asked: int = draw(st.integers(1, most))
    names = list(dict.fromkeys(_number(draw, sketch, pool) for _ in range(asked)))
    level = pool[names[0]]
    terms = []
    reach = 0.0
    for name in names:
        weight: float = draw(WEIGHTS)
        ratio = level / pool[name] if pool[name] else 1.0
        if not 1e-3 < ratio < 1e3 or draw(st.booleans()):
            weight *= ratio
        terms.append((weight, name))
        reach += abs(weight) * pool[name]
    return terms, reach


def _add_sum(draw: DrawFn, sketch: Sketch, pool: dict[str, float]) -> None:
    terms, reach = _terms(draw, sketch, pool, 4)
    bias: float = draw(st.sampled_from([0.0, 0.0, 0.1 * reach, -0.7 * reach, 0.37]))
    limits = None
    # Limits inside, at and beyond the range, also on one side only and away from every grid.
    share = draw(st.sampled_from([None, None, None, (-0.5, 0.5), (-1.0, 1.0), (-0.1, 1e6), (0.0, 0.3), (-0.99999, 0.99999)]))
    reach += abs(bias)
    if isinstance(share, tuple) and reach > 0.0:
        limits = (share[0] * reach, share[1] * reach)
    name = sketch.graph.weighted_sum(sketch.fresh("sum"), terms, bias=bias, limits=limits)
    pool[name] = reach


def _add_clamp(draw: DrawFn, sketch: Sketch, pool: dict[str, float]) -> None:
    operand = _number(draw, sketch, pool)
    low, high = draw(st.sampled_from([(-0.5, 0.5), (-1.0, 1.0), (0.0, 0.7), (-0.3333, 9.0), (-1e9, 0.25), (0.1, 0.2)]))
    level = pool[operand] or 1.0
    name = sketch.graph.clamp(sketch.fresh("clamped"), operand, low * level, high * level)
    pool[name] = max(abs(max(low, -1.0)), min(high, 1.0)) * level


def _add_product(draw: DrawFn, sketch: Sketch, pool: dict[str, float]) -> None:
    left, right = (_number(draw, sketch, pool) for _ in range(2))
    reach = pool[left] * pool[right]
    scale: float = draw(st.sampled_from([1.0, 0.3, 2.0, 1.0 / reach if reach else 1.0]))
    limits = None
    if reach and draw(st.booleans()):
        share: float = draw(st.sampled_from([0.2, 0.77, 1.0, 50.0]))
        limits = (-share * reach * scale, share * reach * scale)
    pool[sketch.graph.product(sketch.fresh("product"), left, right, scale=scale, limits=limits)] = reach * scale


def _add_select(draw: DrawFn, sketch: Sketch, pool: dict[str, float], truths: list[str]) -> None:
    condition = _truth(draw, sketch, truths)
    if len(truths) > 2 and draw(st.integers(0, 3)) == 0:
        first, second = (_truth(draw, sketch, truths) for _ in range(2))
        truths.append(sketch.graph.select(sketch.fresh("chosen"), condition, first, second))
        return
    first = _number(draw, sketch, pool)
    if draw(st.booleans()):
        second = _number(draw, sketch, pool)
    else:
        second = sketch.graph.constant(sketch.fresh("fixed"), pool[first] * draw(st.sampled_from([0.0, 0.25, -0.6])))
    # Signals of different prescribed scales may not meet in a select: bring each to a scale of its own first.
    own = [
        name if name in (f"fixed_{sketch.count}",) else sketch.graph.weighted_sum(sketch.fresh("branch"), [(1.0, name)])
        for name in (first, second)
    ]
    result = sketch.graph.select(sketch.fresh("selected"), condition, own[0], own[1])
    pool[result] = max(pool.get(first, 0.0), pool.get(second, pool[first]))


def _add_compare(draw: DrawFn, sketch: Sketch, pool: dict[str, float], truths: list[str]) -> None:
    terms, reach = _terms(draw, sketch, pool, 3)
    relation: str = draw(st.sampled_from([">", ">=", "!="] if len(terms) > 1 else [">", ">="]))
    threshold = reach * draw(st.sampled_from([0.0, 0.0, 0.1, -0.37, 0.5, 1.0, 1.5]))
    if len(terms) == 1 and draw(st.booleans()):
        relation, threshold = "!=", 0.0
    truths.append(sketch.graph.compare(sketch.fresh("beyond"), terms, relation, threshold))


def _add_logic(draw: DrawFn, sketch: Sketch, truths: list[str]) -> None:
    count: int = draw(st.integers(1, 3))
    arguments = [f"{draw(st.sampled_from(['', 'not ']))}{_truth(draw, sketch, truths)}" for _ in range(count)]
    combine = sketch.graph.all_of if draw(st.booleans()) else sketch.graph.any_of
    truths.append(combine(sketch.fresh("logic"), *arguments))


def _add_table(draw: DrawFn, sketch: Sketch, pool: dict[str, float]) -> None:
    operand = _number(draw, sketch, pool)
    level = pool[operand] or 1.0
    values: list[float] = draw(st.lists(st.floats(-2.0, 2.0), min_size=2, max_size=9))
    span: float = draw(st.sampled_from([2.0, 1.0, 0.3, 3.0]))
    start: float = draw(st.sampled_from([-1.0, -0.5, 0.0, 0.1]))
    values = [round(value, 3) for value in values]
    if max(map(abs, values)) == 0.0:
        values[-1] = 1.0
    name = sketch.graph.table(sketch.fresh("table"), operand, start * level, span * level / (len(values) - 1), values)
    pool[name] = max(map(abs, values))


def _add_delay(draw: DrawFn, sketch: Sketch, pool: dict[str, float], truths: list[str]) -> None:
    if truths and draw(st.integers(0, 3)) == 0:
        truths.append(sketch.graph.delay(sketch.fresh("was"), "bool", source=_truth(draw, sketch, truths)))
        return
    source = _number(draw, sketch, pool)
    initial = pool[source] * draw(st.sampled_from([0.0, 0.0, 0.4]))
    pool[sketch.graph.delay(sketch.fresh("last"), source=source, initial=initial)] = pool[source]


def _add_loop(draw: DrawFn, sketch: Sketch, pool: dict[str, float]) -> None:
    """A delay whose source comes later: a limited sum that reads it."""
    limit: float = draw(st.sampled_from([1.0, 0.013, 250.0, 3e4]))
    last = sketch.graph.delay(sketch.fresh("held"))
    pool[last] = limit
    terms, reach = _terms(draw, sketch, {name: level for name, level in pool.items() if name != last}, 2)
    gain: float = draw(st.sampled_from([1.0, 1e-3, 1e-5, 0.1]))
    if reach:
        terms = [(weight * gain * limit / reach, name) for weight, name in terms]
    own: float = draw(st.sampled_from([1.0, 1.0, 1.0, 0.9, -0.5, 0.999]))
    sketch.used.add(last)
    limited = own == 1.0 or draw(st.booleans())
    reach = gain * limit / (1.0 - abs(own)) if abs(own) < 1.0 else limit
    limits = (-limit, limit) if limited else None
    result = sketch.graph.weighted_sum(sketch.fresh("state"), [(own, last), *terms], limits=limits)
    sketch.graph.connect(last, result)
    pool[result] = limit if limited else reach
    if not limited:
        pool[last] = reach


def _add_block(draw: DrawFn, sketch: Sketch, pool: dict[str, float], truths: list[str]) -> None:
    graph = sketch.graph
    operand = _number(draw, sketch, pool)
    level = pool[operand] or 1.0
    kind = draw(st.sampled_from(["low_pass", "section", "pid", "rate_limit", "latch", "watch"]))
    if kind == "low_pass":
        pool[low_pass(graph, sketch.fresh("smooth"), operand, draw(st.sampled_from([0.002, 0.02, 0.3])))] = level
    elif kind == "section":
        numerator, denominator = draw(st.sampled_from(SECTIONS))
        pool[second_order_section(graph, sketch.fresh("section"), operand, numerator, denominator)] = 4.0 * level
    elif kind == "pid":
        gains = PidGains(
            draw(st.sampled_from([1.0, 0.3])) / level,
            draw(st.sampled_from([0.0, 0.5, 20.0])) / level,
            draw(st.sampled_from([0.0, 0.01])) / level,
            0.005,
            0.05,
        )
        pool[pid(graph, sketch.fresh("control"), operand, operand, gains, (-0.6, 0.5), level)] = 0.6
    elif kind == "rate_limit":
        pool[rate_limit(graph, sketch.fresh("slewed"), operand, 20.0 * level, (-0.8 * level, level))] = level
    elif kind == "latch" and len(truths) > 1:
        first, second = (_truth(draw, sketch, truths) for _ in range(2))
        truths.append(latch(graph, sketch.fresh("latched"), first, second))
    else:
        truths.append(unchanged_for(graph, sketch.fresh("frozen"), operand, draw(st.sampled_from([1, 3, 25]))))


def _add_slow_section(draw: DrawFn, sketch: Sketch) -> None:
    """Sums over the period, slow arithmetic, slow memory, and slow delays that hold fast and slow results for the fast nodes."""
    graph = sketch.graph
    with graph.section("outer loop", slow=True):
        slow: dict[str, float] = {}
        truths = list(sketch.truths)
        for _ in range(draw(st.integers(1, 2))):
            operand = _number(draw, sketch, sketch.numbers)
            slow[graph.sum_over(sketch.fresh("total"), operand)] = graph.slow_every * sketch.numbers[operand]
        pool = dict(sketch.numbers) | slow
        known = set(sketch.numbers)
        _add_some(draw, sketch, pool, truths, draw(st.integers(1, 4)), blocks=False)
        held: dict[str, float] = {}
        for name in [n for n in pool if n not in known and n not in sketch.used] or list(slow)[:1]:
            sketch.used.add(name)
            held[graph.delay(sketch.fresh("kept"), source=name)] = pool[name]
        for name in [n for n in truths if n not in sketch.truths and n not in sketch.used]:
            sketch.used.add(name)
            sketch.truths.append(graph.delay(sketch.fresh("noted"), "bool", source=name))
        if draw(st.booleans()):
            # A slow delay of a fast signal: on slow ticks both are the same, on ordinary ticks they are not.
            source = _number(draw, sketch, {n: level for n, level in sketch.numbers.items() if n in known})
            held[graph.delay(sketch.fresh("sampled"), source=source)] = sketch.numbers[source]
    sketch.numbers |= held


def _add_some(draw: DrawFn, sketch: Sketch, pool: dict[str, float], truths: list[str], count: int, *, blocks: bool) -> None:
    kinds = ["sum", "sum", "sum", "clamp", "product", "compare", "table", "delay", "loop"]
    for _ in range(count):
        kind = draw(st.sampled_from([*kinds, *(["block", "block"] if blocks else []), *(["select", "logic"] if truths else [])]))
        match kind:
            case "sum":
                _add_sum(draw, sketch, pool)
            case "clamp":
                _add_clamp(draw, sketch, pool)
            case "product":
                _add_product(draw, sketch, pool)
            case "select":
                _add_select(draw, sketch, pool, truths)
            case "compare":
                _add_compare(draw, sketch, pool, truths)
            case "logic":
                _add_logic(draw, sketch, truths)
            case "table":
                _add_table(draw, sketch, pool)
            case "delay":
                _add_delay(draw, sketch, pool, truths)
            case "loop":
                _add_loop(draw, sketch, pool)
            case _:
                _add_block(draw, sketch, pool, truths)


def _add_inputs(draw: DrawFn, sketch: Sketch) -> None:
    graph = sketch.graph
    for _ in range(draw(st.integers(1, 3))):
        ctype: str = draw(st.sampled_from(NUMBER_TYPES))
        per_count: float = draw(st.sampled_from(PER_COUNT))
        name = graph.input(sketch.fresh("reading"), ctype, per_count)
        low, high = INPUT_RANGES[ctype]
        sketch.numbers[name] = max(-low, high) * per_count
        if draw(st.integers(0, 4)) == 0:
            last = graph.delay(sketch.fresh("count_last"), source=name)
            width = (high - low).bit_length()
            bits: int = draw(st.sampled_from([width, max(2, width - 3), 2]))
            turned = graph.wrapped_difference(sketch.fresh("turned"), name, last, bits)
            sketch.used |= {name, last}
            sketch.numbers[turned] = 2.0 ** (bits - 1) * per_count
    for _ in range(draw(st.integers(0, 2))):
        sketch.truths.append(graph.input(sketch.fresh("flag"), "bool"))
    for _ in range(draw(st.integers(0, 2))):
        least, start, most = draw(st.sampled_from([(0.1, 0.3, 2.0), (-1.0, 0.0, 1.0), (-5.0, -4.0, -0.01), (1e-4, 2e-4, 3e-4)]))
        sketch.numbers[graph.parameter(sketch.fresh("gain"), start, least, most)] = max(abs(least), abs(most))
    if draw(st.booleans()):
        value = draw(st.sampled_from([1.0, -0.1, 12.5, 1e-3]))
        sketch.numbers[graph.constant(sketch.fresh("constant"), value)] = abs(value)
    if draw(st.integers(0, 4)) == 0:
        sketch.truths.append(graph.constant(sketch.fresh("always"), 1.0, "bool"))


def _add_outputs(draw: DrawFn, sketch: Sketch) -> None:
    """Outputs of a prescribed resolution that use every signal not used before."""
    graph = sketch.graph
    loose = [name for name in sketch.numbers if name not in sketch.used] or list(sketch.numbers)[-1:]
    for first in range(0, len(loose), 3):
        names = loose[first : first + 3]
        level = sketch.numbers[names[0]] or 1.0
        terms = [(level / (sketch.numbers[name] or 1.0) if name != names[0] else 1.0, name) for name in names]
        counts: float = draw(st.sampled_from([100.0, 2000.0, 9000.0]))
        resolution = level / counts
        limits = (-level, 0.9 * level) if draw(st.booleans()) else None
        shown = graph.weighted_sum(sketch.fresh("shown"), terms, limits=limits, resolution=resolution)
        graph.output(shown, shown, draw(st.sampled_from(["int32_t", "int32_t", "int16_t"])))
    for name in [truth for truth in sketch.truths if truth not in sketch.used]:
        graph.output(f"{name}_out", name, "bool")


@st.composite
def graphs(draw: DrawFn, most_nodes: int = 9) -> GraphBuilder:
    """Unfinished graphs over all node kinds and blocks; every signal is used."""
    slow_every: int = draw(st.sampled_from([1, 1, 2, 3, 7]))
    sketch = Sketch(GraphBuilder("random_graph", 0.001, slow_every))
    _add_inputs(draw, sketch)
    _add_some(draw, sketch, sketch.numbers, sketch.truths, draw(st.integers(1, most_nodes)), blocks=True)
    if slow_every > 1:
        _add_slow_section(draw, sketch)
        _add_some(draw, sketch, sketch.numbers, sketch.truths, draw(st.integers(1, 3)), blocks=False)
    _add_outputs(draw, sketch)
    return sketch.graph


def _edges(low: int, high: int) -> list[int]:
    inside = {low, low + 1, -1, 0, 1, high - 1, high, (low + high) // 2}
    return sorted(value for value in inside if low <= value <= high)


def _held_levels(random: np.random.Generator, levels: Counts, ticks: int, longest: int) -> Counts:
    """Levels held for random times."""
    result = np.empty(ticks, dtype=np.int64)
    tick = 0
    while tick < ticks:
        hold = int(random.integers(1, longest + 1))
        result[tick : tick + hold] = random.choice(levels)
        tick += hold
    return result


def draw_signal(random: np.random.Generator, low: int, high: int, ticks: int, kind: int, marks: list[int]) -> Counts:
    """One input over ``ticks``; ``kind`` counts through the ways, ``marks`` are levels at which something happens."""
    near = [mark + offset for mark in marks for offset in (-2, -1, 0, 1, 2) if low <= mark + offset <= high]
    match kind % 7:
        case 0:
            return _held_levels(random, random.integers(low, high, 6, endpoint=True), ticks, 25)
        case 1:
            return _held_levels(random, np.array(_edges(low, high)), ticks, 4)
        case 2:
            return _held_levels(random, np.array([low, high]), ticks, 9)
        case 3:
            return np.full(ticks, min(max(int(random.choice([-1, 1, 0])), low), high))
        case 4:
            # A counter that runs through its wrap.
            step = int(random.integers(1, max(2, (high - low) // 3)))
            return np.asarray(low + (high - low - 5 + step * np.arange(ticks)) % (high - low + 1), dtype=np.int64)
        case 5 if near:
            return _held_levels(random, np.array(near), ticks, 3)
        case _:
            return random.integers(low, high, ticks, endpoint=True)


def draw_inputs(fixed: FixedGraph, random: np.random.Generator, ticks: int, lanes: int) -> Counts:
    """Raw inputs (ticks, inputs, lanes)."""
    nodes = fixed.graph.inputs
    result = np.empty((ticks, len(nodes), lanes), dtype=np.int64)
    for place, node in enumerate(nodes):
        marks = _marks(fixed, node.name)
        for lane in range(lanes):
            kind = lane if lane < 7 else int(random.integers(7))
            result[:, place, lane] = draw_signal(random, node.low, node.high, ticks, kind, marks)
    return result


def _marks(fixed: FixedGraph, name: str) -> list[int]:
    """Levels of an input near which a limit or a comparison of its own acts."""
    lsb = fixed.formats[name].lsb
    marks = [0]
    for node in fixed.graph.nodes.values():
        if node.operands() == (name,):
            for number in (getattr(node, "low", None), getattr(node, "high", None), getattr(node, "threshold", None)):
                if number is not None and abs(number / lsb) < 2**31:
                    marks.append(round(number / lsb))
    return marks


def draw_gains(fixed: FixedGraph, random: np.random.Generator, lanes: int) -> Counts | None:
    """Raw live gains (gains, lanes) as a caller may set them, a few outside their intervals; None where there are none."""
    parameters = fixed.graph.parameters
    if not parameters:
        return None
    result = np.empty((len(parameters), lanes), dtype=np.int64)
    for place, parameter in enumerate(parameters):
        detail = fixed.details[parameter.name]
        assert isinstance(detail, RawDetail)
        width = int(fixed.formats[parameter.name].ctype[3:-2])
        least, most = -(2 ** (width - 1)), 2 ** (width - 1) - 1
        choices = [detail.low, detail.high, detail.value, least, most, max(least, detail.low - 1), min(most, detail.high + 1)]
        result[place] = random.choice(np.array(choices), lanes)
        result[place, lanes // 2 :] = random.integers(detail.low, detail.high, lanes - lanes // 2, endpoint=True)
    return result


def held_gains(fixed: FixedGraph, gains: Counts | None) -> dict[str, Counts]:
    """What the controller keeps of ``gains``: each held inside its interval."""
    result: dict[str, Counts] = {}
    for place, parameter in enumerate(fixed.graph.parameters):
        detail = fixed.details[parameter.name]
        assert isinstance(detail, RawDetail) and gains is not None
        result[parameter.name] = np.clip(gains[place], detail.low, detail.high)
    return result


def draw_memory(fixed: FixedGraph, random: np.random.Generator, lanes: int, count: int) -> Memory:
    """Random memory inside the proven ranges, ``count`` ticks after a slow tick: levels, edges and zeros."""

    def levels(low: int, high: int) -> Counts:
        drawn = random.integers(low, high, lanes, endpoint=True)
        edge = random.choice(np.array(_edges(low, high) or [low]), lanes)
        return np.where(random.random(lanes) < 0.5, drawn, edge)

    delays = {}
    for delay in fixed.graph.delays:
        proven = fixed.formats[delay.name]
        values = levels(proven.low, proven.high)
        delays[delay.name] = values.astype(bool) if delay.is_bool else values
    sums = {}
    for node in fixed.graph.sums:
        operand = fixed.formats[node.operand]
        sums[node.name] = levels(count * operand.low, count * operand.high)
    return Memory(delays, sums, count)
