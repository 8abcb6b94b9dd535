"""Arithmetic of 32-bit cores on what is known of their registers."""

from __future__ import annotations

from codegen.target.values import Pointer, Range, Value, constant, known

WORD = 0xFFFFFFFF
HALF = 0x80000000
ANY = Range(0, WORD)


def moved(value: Value | None, delta: int) -> Value | None:
    """A pointer or number plus a constant that may be negative."""
    return add(value, constant(delta & WORD))


def _signed(value: int) -> int:
    return value - (1 << 32) if value & HALF else value


def add(first: Value | None, second: Value | None) -> Value | None:
    """The sum modulo 2^32."""
    if isinstance(second, Pointer):
        first, second = second, first
    amount = known(second)
    if amount == 0 or known(first) == 0:
        # A copy keeps its name.
        return first if amount == 0 else second
    if isinstance(first, Pointer):
        return Pointer(first.base, first.offset + _signed(amount)) if amount is not None else None
    if not isinstance(first, Range) or not isinstance(second, Range):
        return None
    low, high = first.low + second.low, first.high + second.high
    # Of use only if all sums wrap or none does.
    return Range(low & WORD, high & WORD) if low >> 32 == high >> 32 else None


def subtract(first: Value | None, second: Value | None) -> Value | None:
    """The difference modulo 2^32."""
    amount = known(second)
    if isinstance(first, Pointer):
        return Pointer(first.base, first.offset - _signed(amount)) if amount is not None else None
    if not isinstance(first, Range) or not isinstance(second, Range):
        return None
    low, high = first.low - second.high, first.high - second.low
    return Range(low & WORD, high & WORD) if low >> 32 == high >> 32 else None


def extend(value: Value | None, bits: int) -> Range:
    """The low bits of a value, without sign."""
    top = (1 << bits) - 1
    return value if isinstance(value, Range) and value.high <= top else Range(0, top)


def bitwise(operation: str, first: Value | None, second: Value | None) -> Range | None:
    """Logic, shifts and the low word of a product; on constants, and masks and right shifts of anything."""
    left, right = known(first), known(second)
    if operation == "and" and (left is not None or right is not None) and (left is None or right is None):
        return Range(0, right if right is not None else left or 0)
    if operation == "lsr" and right is not None and left is None and right < 32:
        source = first if isinstance(first, Range) else ANY
        return Range(source.low >> right, source.high >> right)
    if operation == "lsl" and right is not None and isinstance(first, Range) and first.high << (right & 31) <= WORD and right < 32:
        return Range(first.low << right, first.high << right)
    if left is None or right is None:
        return _small(operation, first, second)
    match operation:
        case "and":
            return constant(left & right)
        case "or":
            return constant(left | right)
        case "xor":
            return constant(left ^ right)
        case "bic":
            return constant(left & ~right & WORD)
        case "orn":
            return constant((left | ~right) & WORD)
        case "lsl":
            return constant(left << right & WORD) if right < 32 else None
        case "lsr":
            return constant(left >> right) if right < 32 else None
        case "asr":
            return constant(_signed(left) >> right & WORD) if right < 32 else None
        case "mul":
            return constant(left * right & WORD)
    return None


def _small(operation: str, first: Value | None, second: Value | None) -> Range | None:
    """Logic on ranges, as truth values have them."""
    if not isinstance(first, Range) or not isinstance(second, Range):
        return None
    if operation == "and":
        return Range(0, min(first.high, second.high))
    if operation in ("or", "xor"):
        return Range(0, (1 << max(first.high, second.high).bit_length()) - 1)
    return None
