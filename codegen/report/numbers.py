"""The numbers of a realisation: words, proven ranges and error bounds of every signal, and what was seen of them.

Takes a realisation and the error search, gives tables and a picture.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import degrees

from matplotlib.figure import Figure

from codegen.bounds import LoopBounds, SignalBound
from codegen.graph import Compare, Constant, Delay, Graph, Input, Node
from codegen.report.draw import BLUE, ORANGE, draw
from codegen.report.parts import Cell, Column, Group, Picture, Table, row, table
from codegen.report.wording import DASH, MINUS, figure, fixed_point, percent, plural, span, with_unit
from codegen.rules.fixed import FixedGraph
from codegen.rules.rounding import FLOAT_LABEL
from codegen.shipment import Realisation
from codegen.verify import ErrorCheck
from codegen.verify.errors import SeenError

# Below this a signal is as exact as float64 itself evaluates it (the bound of the reference's own rounding).
EXACT_COUNTS = 1e-6
MOST_BARS = 40
# Contributors below this share of a bound are not worth a reader's time.
LEAST_SHARE = 0.01
_ORIGINS: dict[type[Node], str] = {Input: "input", Delay: "memory", Constant: "constant"}
_NO_SECTION = "memory and constants"


@dataclass(frozen=True)
class NumberPart:
    """The section's content.

    Attributes:
        signals: Every signal that is a number.
        truths: Every truth value; None where there is none.
        bars: Bound against largest error seen; None where every signal is exact.
        many_ticks: Bounds for ever; None without any, then ``many_ticks_reason`` says why.
        loop: Closed-loop bounds; None without a plant or with an unstable loop.
        loop_note: What the loop's own stability is, or "" without a plant.
        decisions: What the choice of words had to do.
        choices: Signals whose words differ from the target's other ones, what each costs and errs; None where there are no others.
        added: Limits that were added; None where none had to be.
    """

    target: str
    budget: str
    signals: Table
    truths: Table | None
    bars: Picture | None
    many_ticks: Table | None
    many_ticks_reason: str
    loop: Table | None
    loop_note: str
    decisions: tuple[str, ...]
    choices: Table | None
    added: Table | None


def describe_numbers(realisation: Realisation, search: ErrorCheck) -> NumberPart:
    """Tables of all signals, of the bounds over many ticks, and of what the choice of words did."""
    fixed = realisation.fixed
    seen = {each.name: each for each in search.signals}
    return NumberPart(
        realisation.target.name,
        plural_counts(realisation.error_budget_counts),
        _signals(fixed, realisation.one_tick, seen),
        _truths(fixed, realisation.margins),
        _bars(fixed, search),
        _bounds("many-ticks", "After any number of ticks, while no clamp acts.", realisation.many_ticks, fixed),
        realisation.many_ticks_reason,
        None if realisation.loop is None else _bounds("loop-bounds", _LOOP_CAPTION, realisation.loop.bounds, fixed),
        "" if realisation.loop is None else _loop_note(realisation.loop),
        fixed.decisions,
        _choices(fixed),
        _added(realisation),
    )


_LOOP_CAPTION = "In closed loop with the linear machine, for ever, while no clamp acts: how far rounding alone can move things."


def plural_counts(value: float) -> str:
    """``1 count``, ``2.5 counts``."""
    return f"{figure(value)} {'count' if value == 1 else 'counts'}"


def _sections(graph: Graph, nodes: list[Node]) -> dict[str, list[Node]]:
    """Nodes by section, the sections in the order in which they are computed."""
    computed = (*graph.inputs, *graph.before, *graph.slow, *graph.after)
    result: dict[str, list[Node]] = {node.section: [] for node in computed}
    for node in nodes:
        result.setdefault(node.section, []).append(node)
    return {section: found for section, found in result.items() if found}


def _grouped(rows: dict[str, list[tuple[Cell, ...]]]) -> tuple[Group, ...]:
    """Groups in order of appearance; without headings where there is one group only."""
    if set(rows) == {""}:
        return (Group("", tuple(rows[""])),)
    return tuple(Group(section or _NO_SECTION, tuple(cells)) for section, cells in rows.items())


def _signals(fixed: FixedGraph, bounds: Mapping[str, SignalBound], seen: Mapping[str, SeenError]) -> Table:
    numbers = [node for node in fixed.graph.nodes.values() if not node.is_bool]
    rows = {
        section: [_signal(fixed, node, bounds[node.name], seen) for node in nodes]
        for section, nodes in _sections(fixed.graph, numbers).items()
    }
    columns = (
        Column("signal"),
        Column("unit", "short"),
        Column("format", "short"),
        Column("proven range", "number"),
        Column("error bound", "number"),
        Column("largest seen", "number"),
        Column("bound / seen", "number"),
        Column("bound made of"),
    )
    caption = (
        "Every number of the controller. The range holds for all inputs, for ever. The error bound is the largest difference "
        "between the integers and float64 after one tick from the same memory, in the signal's unit and in its counts; exact where "
        "the integers round nothing."
    )
    return Table("signals", caption, columns, _grouped(rows))


def _signal(fixed: FixedGraph, node: Node, bound: SignalBound, seen: Mapping[str, SeenError]) -> tuple[Cell, ...]:
    stored = fixed.formats[node.name]
    small = node.note
    if isinstance(node, Input):
        small = f"{small + '; ' if small else ''}input, any value of its type"
    elif isinstance(node, Delay):
        small = f"{small + '; ' if small else ''}memory"
    name, kind = Cell(node.name, small), Cell(stored.label, stored.ctype)
    reach = span(stored.real_low, stored.real_high)
    if bound.counts <= EXACT_COUNTS or all(label == FLOAT_LABEL for label, _ in bound.contributors):
        return row(name, node.unit or DASH, kind, reach, "exact", DASH, DASH, "")
    found = seen.get(node.name)
    size = Cell(figure(bound.magnitude), plural_counts(bound.counts))
    largest = DASH if found is None else figure(found.seen)
    ratio = DASH if found is None or found.seen == 0.0 else fixed_point(found.ratio, 3)
    return row(name, node.unit or DASH, kind, reach, size, largest, ratio, _made_of(bound))


def _made_of(bound: SignalBound) -> str:
    """The largest contributor, and the others that matter."""
    shares = [(size / bound.magnitude, label) for label, size in bound.contributors]
    kept = [*shares[:1], *(pair for pair in shares[1:] if pair[0] >= LEAST_SHARE)]
    return "; ".join(f"{percent(share, 2)} {label}" for share, label in kept)


def _truths(fixed: FixedGraph, margins: Mapping[str, tuple[float, float]]) -> Table | None:
    truths = [node for node in fixed.graph.nodes.values() if node.is_bool]
    if not truths:
        return None
    rows = {section: [_truth(fixed, node, margins) for node in nodes] for section, nodes in _sections(fixed.graph, truths).items()}
    columns = (Column("truth value"), Column("what it is"), Column("as float64 decides", "number"))
    caption = (
        "Every truth value. From the same memory a comparison can come out otherwise than in float64 only where the compared quantity "
        "is nearer to its threshold than the last column says."
    )
    return Table("truths", caption, columns, _grouped(rows), prose=True)


def _truth(fixed: FixedGraph, node: Node, margins: Mapping[str, tuple[float, float]]) -> tuple[Cell, ...]:
    if node.name not in margins:
        origin = _ORIGINS.get(type(node), "from other truth values")
        return row(node.name, Cell(node.note or origin, origin if node.note else ""), "always")
    low, high = margins[node.name]
    size = max(-low, high)
    what = Cell(node.note or "comparison", _condition(node))
    if isinstance(node, Compare) and size <= EXACT_COUNTS * min(abs(term.weight) * fixed.formats[term.name].lsb for term in node.terms):
        return row(node.name, what, "always" if size == 0.0 else "up to float64's own rounding")
    units = {fixed.graph.nodes[operand].unit for operand in node.operands()}
    return row(node.name, what, f"beyond {with_unit(size, units.pop() if len(units) == 1 else '')}")


def _condition(node: Node) -> str:
    """A comparison in symbols."""
    if not isinstance(node, Compare):
        return ""
    parts: list[str] = []
    for term in node.terms:
        sign = MINUS if term.weight < 0 else "+" if parts else ""
        factor = "" if abs(term.weight) == 1.0 else f"{figure(abs(term.weight))} "
        parts.append(f"{sign} {factor}{term.name}".strip())
    relation = {">": ">", ">=": "≥", "!=": "≠"}[node.relation.value]
    return f"{' '.join(parts)} {relation} {figure(node.threshold, 4)}"


def _bars(fixed: FixedGraph, search: ErrorCheck) -> Picture | None:
    """Bound and largest error seen as shares of each signal's greatest proven magnitude."""
    shares = []
    for each in search.signals:
        stored = fixed.formats[each.name]
        scale = max(abs(stored.real_low), abs(stored.real_high))
        if scale > 0.0 and each.bound > 0.0:
            shares.append((each.bound / scale, each.seen / scale, each.name))
    if not shares:
        return None
    shown = sorted(shares, reverse=True)[:MOST_BARS]
    count = len(shown)

    def paint(canvas: Figure) -> None:
        axes = canvas.subplots()
        places = list(range(count))
        left = 0.3 * min(bound for bound, _, _ in shown)
        axes.barh(places, [bound - left for bound, _, _ in shown], left=left, color=BLUE, alpha=0.35, height=0.72, label="proven bound")
        observed = [(place, seen) for place, (_, seen, _) in enumerate(shown) if seen > left]
        axes.scatter([seen for _, seen in observed], [place for place, _ in observed], color=ORANGE, s=16.0, zorder=3, label="largest seen")
        axes.set_xscale("log")
        axes.set_xlim(left, 3.0 * shown[0][0])
        axes.set_yticks(places, [name for _, _, name in shown])
        axes.tick_params(axis="y", labelsize=8.0, length=0.0)
        axes.grid(visible=False, axis="y")
        axes.invert_yaxis()
        axes.set_ylim(count - 0.4, -0.6)
        axes.set_xlabel("error of one tick, share of the signal's largest value")
        canvas.legend(loc="outside upper right", ncols=2)

    closest = sum(1 for bound, seen, _ in shown if seen > 0.0 and bound <= 1.1 * seen)
    few = f" Shown are the {count} largest of {len(shares)}." if len(shares) > count else ""
    return draw(
        paint,
        "bound-bars",
        f"Bars of the proven error bound of {plural(count, 'signal')}, with the largest error seen marked on each.",
        f"Proven bound and largest error found by search. Of {plural(count, 'bound')} the search came within 10 % of {closest}: these "
        f"could hardly be smaller.{few}",
        0.19 * count + 1.0,
    )


def _bounds(name: str, caption: str, bounds: Mapping[str, SignalBound], fixed: FixedGraph) -> Table | None:
    if not bounds:
        return None
    rows = []
    for signal, bound in bounds.items():
        also = []
        if bound.unit == "rad":
            also.append(f"{figure(degrees(bound.magnitude))} deg")
        if signal in fixed.formats:
            also.append(plural_counts(bound.counts))
        name = signal if signal in fixed.formats else signal.replace("_", " ")
        rows.append(row(name, Cell(with_unit(bound.magnitude, bound.unit), ", ".join(also)), _made_of(bound)))
    columns = (Column("quantity"), Column("error bound", "number"), Column("bound made of"))
    return table(name, caption, columns, rows, prose=True)


def _loop_note(loop: LoopBounds) -> str:
    radius = f"{loop.spectral_radius:.4g}"
    if loop.bounds:
        return f"With the realised gains the loop is stable: in the long run errors shrink to {radius} of themselves per outer period."
    return f"There is no finite bound: with the realised gains errors grow to {radius} of themselves per outer period."


def _choices(fixed: FixedGraph) -> Table | None:
    if not fixed.choices:
        return None
    rows = [
        row(
            one.signal,
            Cell(one.chosen, f"else {one.other}"),
            str(one.cycles),
            str(one.other_cycles),
            with_unit(one.error, fixed.graph.nodes[one.signal].unit),
            with_unit(one.other_error, fixed.graph.nodes[one.signal].unit),
        )
        for one in fixed.choices
        if (one.chosen, one.cycles) != (one.other, one.other_cycles)
    ]
    cycles, other_cycles = (sum(count) for count in zip(*((one.cycles, one.other_cycles) for one in fixed.choices), strict=True))
    rows.append(row("whole tick", "", str(cycles), str(other_cycles), DASH, DASH))
    columns = (
        Column("signal"),
        Column("words chosen", "short"),
        Column("cycles", "number"),
        Column("cycles else", "number"),
        Column("error of one tick", "number"),
        Column("error else", "number"),
    )
    caption = (
        "Cycles bought and error paid: what the words chosen cost, by the target's table of costs, beside the other words that the "
        "core has. The bound counted on the compiled text stands in the next section."
    )
    return table("choices", caption, columns, rows)


def _added(realisation: Realisation) -> Table | None:
    limits = realisation.ranges.added_limits
    if not limits:
        return None
    nodes = realisation.ranges.graph.nodes
    rows = [
        row(name, f"{span(float(interval.low), float(interval.high))} {nodes[name].unit}".strip(), argument)
        for name, interval, argument in limits
    ]
    columns = (Column("signal"), Column("limits", "number"), Column("argument"))
    return table("added-limits", "Limits that were added, so that no state can leave its proven range.", columns, rows)
