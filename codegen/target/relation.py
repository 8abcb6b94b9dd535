"""Relations between unsigned words of a given width, on what is known of them: decide one, or take it in."""

from __future__ import annotations

from codegen.target.state import State
from codegen.target.values import Byte, Pointer, Range, Value, known

OPPOSITE = {"eq": "ne", "ne": "eq", "lt": "ge", "ge": "lt", "gt": "le", "le": "gt", "ltu": "geu", "geu": "ltu", "gtu": "leu", "leu": "gtu"}
# a > b is b < a.
SWAPPED = {"gt": "lt", "gtu": "ltu", "le": "ge", "leu": "geu"}


def compare(relation: str, first: Value | None, second: Value | None, bits: int = 32) -> bool | None:
    """Whether a relation holds: eq, ne, lt, ge, gt, le signed, and with a u behind unsigned; None if both may be."""
    if relation in SWAPPED:
        return compare(SWAPPED[relation], second, first, bits)
    if isinstance(first, Byte | Pointer) or isinstance(second, Byte | Pointer):
        return None
    top, half = (1 << bits) - 1, 1 << (bits - 1)
    left, right = first or Range(0, top), second or Range(0, top)
    if relation in ("eq", "ne"):
        if left.high < right.low or right.high < left.low:
            return relation == "ne"
        return relation == "eq" if known(left) is not None and left[:2] == right[:2] else None
    if relation in ("lt", "ge"):
        # In two's complement, adding half the range turns the signed order into the unsigned one.
        if any(side.low < half <= side.high for side in (left, right)):
            return None
        left, right = (Range(side.low ^ half, side.high ^ half) for side in (left, right))
    if left.high < right.low:
        return relation in ("lt", "ltu")
    return relation in ("ge", "geu") if left.low >= right.high else None


def assume(state: State, relation: str, first: Value | None, second: Value | None, bits: int = 32) -> bool:
    """Take in that a relation holds between two numbers; False if it cannot."""
    if relation in SWAPPED:
        return assume(state, SWAPPED[relation], second, first, bits)
    if isinstance(first, Byte | Pointer) or isinstance(second, Byte | Pointer):
        return True
    top, half = (1 << bits) - 1, 1 << (bits - 1)
    left, right = first or Range(0, top), second or Range(0, top)
    match relation:
        case "eq":
            low, high = max(left.low, right.low), min(left.high, right.high)
            return low <= high and state.narrow(left, low, high) and state.narrow(right, low, high)
        case "ne":
            return _differ(state, left, right) and _differ(state, right, left)
        case "lt" | "ge" if any(side.low < half <= side.high for side in (left, right)):
            return _signed(state, relation, left, right, half, top)
        case "lt" | "ge" if (left.low >= half) != (right.low >= half):
            # One is negative, the other is not: nothing to narrow.
            return (left.low >= half) == (relation == "lt")
        case "lt" | "ltu":
            return state.narrow(left, 0, right.high - 1) and state.narrow(right, left.low + 1, top)
    return state.narrow(left, right.low, top) and state.narrow(right, 0, left.high)


def _differ(state: State, value: Range, other: Range) -> bool:
    excluded = known(other)
    if excluded is None:
        return True
    low = value.low + (value.low == excluded)
    high = value.high - (value.high == excluded)
    return state.narrow(value, low, high)


def _signed(state: State, relation: str, left: Range, right: Range, half: int, top: int) -> bool:
    """A signed relation with numbers of unknown sign; taken in where the result is on one side of zero."""
    first, second = known(left), known(right)
    if second is not None:
        if relation == "lt" and (second >= half or second == 0):
            return state.narrow(left, half, (second - 1) & top)
        if relation == "ge" and second < half:
            return state.narrow(left, second, half - 1)
    elif first is not None:
        if relation == "lt" and (first < half - 1 or first == top):
            return state.narrow(right, (first + 1) & top, half - 1)
        if relation == "ge" and first >= half:
            return state.narrow(right, half, first)
    return True
