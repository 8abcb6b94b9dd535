"""Cycles bought with error that the budget leaves over: coarser scales and longer operands where they make statements cheaper.

Takes formats that keep the budget, gives cheaper ones that still do, with a sentence per step.  No error that rounding makes in one tick,
in an output or in a memory, grows by more than a quarter beyond what the finest scales give it, however loose the budget is: what
rounds in a memory is not seen in the outputs of the same tick.
"""

from __future__ import annotations

import copy
from fractions import Fraction

from codegen.errors import FormatError
from codegen.formats.fit import draft_formats, fit_formats, lay_out
from codegen.formats.scales import Corrections
from codegen.formats.words import Thrift, Widened
from codegen.graph import Shorten, SumOver, WeightedSum
from codegen.ranges import Ranges
from codegen.rules.cost import price_signals
from codegen.rules.fixed import LONGEST_SATURATED, FixedGraph, ShortenDetail, SumDetail
from codegen.rules.rounding import trace_errors
from codegen.targets import Target

STEPS = 12
# Bits that one step may give up.
MOST_BITS = 3
# A step saves at least so many cycles.
LEAST_SAVED = 2
MOST_GROWTH = Fraction(5, 4)
COEFFICIENTS = "coefficients on"


def save_cycles(
    ranges: Ranges, target: Target, widened: Widened, fixed: FixedGraph, budget: float
) -> tuple[FixedGraph, list[str]]:
    """Take the step that saves most, again and again, as long as the error budget holds.

    Returns:
        The cheaper formats and what was done.
    """
    if target.operand_bits > 16:
        return fixed, []
    thrift = Thrift()
    said: list[str] = []
    first = _rounding_errors(fixed)
    for _ in range(STEPS):
        before = _price(fixed, target)
        for _, step, candidate in _cheaper(ranges, target, widened, thrift, fixed):
            try:
                tried = fit_formats(ranges, target, widened, candidate)
            except FormatError:
                continue
            now = _price(tried, target)
            errors = _rounding_errors(tried)
            grown = any(errors[name] > MOST_GROWTH * error for name, error in first.items() if name in errors)
            if before - now < LEAST_SAVED or grown or worst_output(tried, budget) is not None:
                continue
            said.append(f"{step}: {before - now} cycles by the table of costs")
            fixed, thrift = tried, candidate
            break
        else:
            return fixed, said
    return fixed, said


def _cheaper(
    ranges: Ranges, target: Target, widened: Widened, thrift: Thrift, fixed: FixedGraph
) -> list[tuple[int, str, Thrift]]:
    """Steps that promise to save cycles, largest saving first; judged without proven ranges, which take longer."""
    found: list[tuple[int, str, Thrift]] = []
    layout = lay_out(ranges, target, widened, thrift)
    now, _ = draft_formats(layout, target, widened, thrift, Corrections())
    price = _price(now, target)
    for step, candidate in _steps(thrift, fixed, target):
        try:
            same = candidate.direct == thrift.direct
            draft, _ = draft_formats(
                layout if same else lay_out(ranges, target, widened, candidate), target, widened, candidate, Corrections()
            )
        except FormatError:
            continue
        saved = price - _price(draft, target)
        if saved >= LEAST_SAVED:
            found.append((saved, step, candidate))
    return sorted(found, key=lambda entry: -entry[0])


def _dear(fixed: FixedGraph, target: Target) -> set[str]:
    """Signals in whose statements coarser scales may help: an odd distance to shift, a 64-bit word, a clamp that misses its instruction."""
    found: set[str] = set()
    for name, node in fixed.graph.nodes.items():
        detail = fixed.details[name]
        moved = []
        if isinstance(detail, SumDetail):
            moved = [detail.shift, *(abs(w).bit_length() - 1 for w in detail.weights if abs(w) & (abs(w) - 1) == 0)]
        elif isinstance(detail, ShortenDetail):
            moved = [detail.shift]
        odd = target.costs.shift_bit > 0 and any(distance % 8 for distance in moved)
        wide = getattr(detail, "accumulator_bits", 0) > 32 or fixed.formats[name].bits > 32
        if isinstance(node, SumOver) and fixed.saturating:
            wide |= max(map(abs, fixed.partial_sum_range(node))) >= 1 << LONGEST_SATURATED
        if odd or wide:
            found |= {name, *node.operands()}
    return found


def _steps(thrift: Thrift, fixed: FixedGraph, target: Target) -> list[tuple[str, Thrift]]:
    graph = fixed.graph
    steps: list[tuple[str, Thrift]] = []
    dear = _dear(fixed, target)
    for name, node in graph.nodes.items():
        if name not in dear or not isinstance(node, WeightedSum | Shorten):
            continue
        for bits in range(1, MOST_BITS + 1):
            candidate = copy.deepcopy(thrift)
            candidate.coarser[name] = candidate.coarser.get(name, 0) + bits
            steps.append((f"{name} and what shares its format are coarser by {2**bits}", candidate))
    for node in graph.nodes.values():
        for operand in node.operands() if isinstance(node, WeightedSum) else ():
            copied = graph.nodes[operand]
            if isinstance(copied, Shorten):
                candidate = copy.deepcopy(thrift)
                candidate.direct.add((node.name, copied.operand))
                steps.append((f"{node.name} multiplies {copied.operand} in its full word", candidate))
    return steps


def _price(fixed: FixedGraph, target: Target) -> int:
    return sum(price_signals(fixed, target.costs).values())


def _rounding_errors(fixed: FixedGraph) -> dict[str, Fraction]:
    """Largest error that rounding makes in one tick in outputs and in what memory takes over; weights have a precision of their own."""
    errors = trace_errors(fixed)
    sources = [delay.source for delay in fixed.graph.delays if not delay.is_bool]
    sources += [output.signal for output in fixed.graph.outputs if output.ctype != "bool"]
    return {
        name: sum((size for label, size in errors.contributions(errors.forms[name]) if not label.startswith(COEFFICIENTS)), Fraction(0))
        for name in sources
    }


def worst_output(fixed: FixedGraph, budget: float) -> tuple[str, float, list[str]] | None:
    """The first output whose error of one tick is beyond the budget: name, counts, largest contributors first."""
    errors = trace_errors(fixed)
    for output in fixed.graph.outputs:
        if output.ctype == "bool":
            continue
        low, high = errors.bound(errors.forms[output.signal])
        bound = float(max(-low, high) / fixed.formats[output.signal].lsb)
        if bound > budget:
            return output.name, bound, [label for label, _ in errors.contributions(errors.forms[output.signal])]
    return None
