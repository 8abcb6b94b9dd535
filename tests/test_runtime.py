"""Every helper of the runtime by itself, compiled with undefined-behaviour checks, against Python's unlimited integers.

Each precondition of the runtime's comments is held to and tried at its ends; where a number limits it, a call just beyond must be
reported by the checks, so that the comment promises no more and hardly less than the code can do.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from codegen.native.compile import Library, compile_library
from codegen.resources import templates_folder

RUNTIME = (templates_folder() / "runtime.c").read_text(encoding="utf-8")
HELPERS = (
    "round_shift_32",
    "round_shift_64",
    "round_shift_upper_32",
    "clamp_8",
    "clamp_16",
    "clamp_32",
    "clamp_64",
    "saturate_32",
    "wrapped_difference_32",
    "interpolate_32",
    "interpolate_64",
)
INT32 = (-(2**31), 2**31 - 1)
INT64 = (-(2**63), 2**63 - 1)

# Each batch function applies one helper to rows of numbers; the checks see every call.
BATCH = """
void all_round_shift_32(int64_t rows, const int64_t *x, const int64_t *n, int64_t *y);
void all_round_shift_64(int64_t rows, const int64_t *x, const int64_t *n, int64_t *y);
void all_round_shift_upper_32(int64_t rows, const int64_t *x, const int64_t *n, int64_t *y);
void all_saturate_32(int64_t rows, const int64_t *x, const int64_t *n, int64_t *y);
void all_clamp_8(int64_t rows, const int64_t *x, const int64_t *low, const int64_t *high, int64_t *y);
void all_clamp_16(int64_t rows, const int64_t *x, const int64_t *low, const int64_t *high, int64_t *y);
void all_clamp_32(int64_t rows, const int64_t *x, const int64_t *low, const int64_t *high, int64_t *y);
void all_clamp_64(int64_t rows, const int64_t *x, const int64_t *low, const int64_t *high, int64_t *y);
void all_wrapped_difference_32(int64_t rows, const int64_t *a, const int64_t *b, const int64_t *n, int64_t *y);
void all_interpolate_32(const int32_t *knots, int32_t count, int64_t rows, const int64_t *position, int32_t n, int64_t *y);
void all_interpolate_64(const int32_t *knots, int32_t count, int64_t rows, const int64_t *position, int32_t n, int64_t *y);
"""
BODIES = """
#define EACH for (int64_t row = 0; row < rows; row++)
void all_round_shift_32(int64_t rows, const int64_t *x, const int64_t *n, int64_t *y)
{ EACH { y[row] = round_shift_32((int32_t)x[row], (int)n[row]); } }
void all_round_shift_64(int64_t rows, const int64_t *x, const int64_t *n, int64_t *y)
{ EACH { y[row] = round_shift_64(x[row], (int)n[row]); } }
void all_round_shift_upper_32(int64_t rows, const int64_t *x, const int64_t *n, int64_t *y)
{ EACH { y[row] = round_shift_upper_32((int32_t)x[row], (int)n[row]); } }
void all_saturate_32(int64_t rows, const int64_t *x, const int64_t *n, int64_t *y)
{ EACH { y[row] = saturate_32((int32_t)x[row], (int)n[row]); } }
void all_clamp_8(int64_t rows, const int64_t *x, const int64_t *low, const int64_t *high, int64_t *y)
{ EACH { y[row] = clamp_8((int8_t)x[row], (int8_t)low[row], (int8_t)high[row]); } }
void all_clamp_16(int64_t rows, const int64_t *x, const int64_t *low, const int64_t *high, int64_t *y)
{ EACH { y[row] = clamp_16((int16_t)x[row], (int16_t)low[row], (int16_t)high[row]); } }
void all_clamp_32(int64_t rows, const int64_t *x, const int64_t *low, const int64_t *high, int64_t *y)
{ EACH { y[row] = clamp_32((int32_t)x[row], (int32_t)low[row], (int32_t)high[row]); } }
void all_clamp_64(int64_t rows, const int64_t *x, const int64_t *low, const int64_t *high, int64_t *y)
{ EACH { y[row] = clamp_64(x[row], low[row], high[row]); } }
void all_wrapped_difference_32(int64_t rows, const int64_t *a, const int64_t *b, const int64_t *n, int64_t *y)
{ EACH { y[row] = wrapped_difference_32((uint32_t)a[row], (uint32_t)b[row], (int)n[row]); } }
void all_interpolate_32(const int32_t *knots, int32_t count, int64_t rows, const int64_t *position, int32_t n, int64_t *y)
{ EACH { y[row] = interpolate_32(knots, count, (int32_t)position[row], (int)n); } }
void all_interpolate_64(const int32_t *knots, int32_t count, int64_t rows, const int64_t *position, int32_t n, int64_t *y)
{ EACH { y[row] = interpolate_64(knots, count, (int32_t)position[row], (int)n); } }
"""


class Runtime:
    """The compiled helpers as functions of whole columns."""

    def __init__(self, library: Library) -> None:
        self.library = library
        self._ffi: Any = library.ffi

    def _column(self, values: NDArray[np.int64]) -> Any:
        return self._ffi.cast("int64_t *", self._ffi.from_buffer(values))

    def unchecked(self, helper: str, *columns: list[int]) -> list[int]:
        """Apply ``helper`` to the rows of ``columns``; leave reports of undefined behaviour to the caller."""
        arrays = [np.array(column, dtype=np.int64) for column in columns]
        result = np.empty(len(columns[0]), dtype=np.int64)
        call = getattr(self.library.lib, f"all_{helper}")
        call(len(result), *map(self._column, arrays), self._column(result))
        return [int(value) for value in result]

    def __call__(self, helper: str, *columns: list[int]) -> list[int]:
        """Apply ``helper`` and require that nothing undefined happened."""
        result = self.unchecked(helper, *columns)
        self.library.raise_sanitizer_reports()
        return result

    def interpolate(self, helper: str, knots: tuple[int, ...], positions: list[int], n: int) -> list[int]:
        """Interpolate in ``knots`` at every position; leaves reports to the caller."""
        column, result = np.array(positions, dtype=np.int64), np.empty(len(positions), dtype=np.int64)
        table = self._ffi.new("int32_t[]", list(knots))
        call = getattr(self.library.lib, f"all_{helper}")
        call(table, len(knots), len(positions), self._column(column), n, self._column(result))
        return [int(value) for value in result]

    def reports(self) -> int:
        """Number of reports since the last call of this method."""
        total = self.library.sanitizer_total()
        self.library.clear_sanitizer_reports()
        return total


@pytest.fixture(scope="module")
def runtime() -> Iterator[Runtime]:
    with compile_library({"runtime_test.c": RUNTIME + BATCH + BODIES}, declarations=BATCH, sanitize=True) as library:
        yield Runtime(library)


def half_up(value: int, n: int) -> int:
    """floor(value / 2^n + 1/2), written without a shift."""
    return (2 * value + (1 << n)) // (1 << (n + 1))


def test_list_of_helpers_is_complete() -> None:
    assert tuple(re.findall(r"/\*< (\w+) \*/", RUNTIME)) == HELPERS
    assert set(re.findall(r"^static inline \w+ (\w+)\(", RUNTIME, flags=re.MULTILINE)) == set(HELPERS)


@pytest.mark.parametrize("helper", HELPERS)
def test_each_helper_stands_alone(helper: str) -> None:
    """The emitter copies single helpers, so none may lean on another."""
    found = re.search(rf"/\*< {helper} \*/\n(.*?)/\*> \*/", RUNTIME, flags=re.DOTALL)
    assert found is not None
    signature = re.search(rf"static inline (\w+) {helper}\(([^)]*)\)", found[1])
    assert signature is not None
    names = ", ".join(part.split()[-1].lstrip("*") for part in signature[2].split(","))
    prototype = f"{signature[1]} alone({signature[2]});"
    text = f"#include <stdint.h>\n{found[1]}\n{prototype}\n{prototype[:-1]} {{ return {helper}({names}); }}\n"
    with compile_library({"alone.c": text}, declarations=prototype) as library:
        assert library.address_of("alone") != 0


@pytest.mark.parametrize("bits", [32, 64])
def test_round_shift_small_values_exhaustively(runtime: Runtime, bits: int) -> None:
    values = list(range(-1100, 1101))
    for n in range(1, 12):
        assert runtime(f"round_shift_{bits}", values, [n] * len(values)) == [half_up(value, n) for value in values]


@pytest.mark.parametrize(("bits", "longest"), [(32, 30), (64, 62)])
def test_round_shift_at_the_ends(runtime: Runtime, bits: int, longest: int) -> None:
    """Ends of the precondition, multiples of half a count and their neighbours, for every shift."""
    low, high = -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
    rows: list[tuple[int, int]] = []
    for n in range(1, longest + 1):
        top = high - 2 ** (n - 1)
        half = 2 ** (n - 1)
        near = {k * half + d for k in (-5, -4, -3, -2, -1, 0, 1, 2, 3, 4, 5) for d in (-1, 0, 1)}
        ends = {low, low + 1, low + half - 1, low + half, top - half, top - 1, top}
        rows += [(value, n) for value in sorted(near | ends) if low <= value <= top]
    result = runtime(f"round_shift_{bits}", *map(list, zip(*rows, strict=True)))
    assert result == [half_up(value, n) for value, n in rows]


@pytest.mark.parametrize("bits", [32, 64])
def test_round_shift_error_interval(runtime: Runtime, bits: int) -> None:
    """The comment's error interval [-1/2 + 2^-n, 1/2] of a count is attained at both ends, for every small shift."""
    for n in range(1, 11):
        values = list(range(-(2**n), 2**n))
        errors = [y * 2**n - x for x, y in zip(values, runtime(f"round_shift_{bits}", values, [n] * len(values)), strict=True)]
        assert (min(errors), max(errors)) == (1 - 2 ** (n - 1), 2 ** (n - 1))


@pytest.mark.parametrize(("bits", "longest"), [(32, 30), (64, 62)])
def test_round_shift_precondition_is_tight(runtime: Runtime, bits: int, longest: int) -> None:
    runtime.reports()
    for n in (1, 2, longest // 2, longest):
        runtime.unchecked(f"round_shift_{bits}", [2 ** (bits - 1) - 2 ** (n - 1)], [n])
        assert runtime.reports() == 1


def test_round_shift_upper_at_the_ends(runtime: Runtime) -> None:
    """The same as one rounding shift, for every count and at the ends of its precondition."""
    low, high = INT32
    rows: list[tuple[int, int]] = []
    for n in range(17, 31):
        top, half = high - 2 ** (n - 1), 2 ** (n - 1)
        near = {k * half + d for k in range(-5, 6) for d in (-1, 0, 1)} | {k * 2**16 + d for k in (-3, -1, 0, 1, 2) for d in (-1, 0, 1)}
        rows += [(value, n) for value in sorted(near | {low, low + 1, top - half, top - 1, top}) if low <= value <= top]
    columns = list(map(list, zip(*rows, strict=True)))
    assert runtime("round_shift_upper_32", *columns) == [half_up(value, n) for value, n in rows]
    runtime.unchecked("round_shift_upper_32", [high - 2**16 + 1], [17])
    assert runtime.reports() == 1


def test_saturate_is_a_clamp_to_a_word(runtime: Runtime) -> None:
    """Arm Architecture Reference Manual, SSAT: SignedSat(x, n) = x held inside [-2^(n-1), 2^(n-1) - 1] (from memory)."""
    rows = [
        (x, n)
        for n in range(2, 32)
        for mark in (-(2**31), -(2 ** (n - 1)), 0, 2 ** (n - 1), 2**31 - 1)
        for x in (mark - 1, mark, mark + 1)
        if -(2**31) <= x < 2**31
    ]
    columns = list(map(list, zip(*rows, strict=True)))
    assert runtime("saturate_32", *columns) == [min(max(x, -(2 ** (n - 1))), 2 ** (n - 1) - 1) for x, n in rows]
    assert runtime("saturate_32", *columns) == runtime(
        "clamp_32", columns[0], [-(2 ** (n - 1)) for n in columns[1]], [2 ** (n - 1) - 1 for n in columns[1]]
    )


@pytest.mark.parametrize(("bits", "limits"), [(8, (-128, 127)), (16, (-(2**15), 2**15 - 1)), (32, INT32), (64, INT64)])
def test_clamp(runtime: Runtime, bits: int, limits: tuple[int, int]) -> None:
    low, high = limits
    far = 2 ** min(bits - 3, 20)
    edges = [low, low + 1, -far, -3, -2, -1, 0, 1, 2, 3, far, high - 1, high]
    rows = [(x, a, b) for x, a, b in itertools.product(edges, repeat=3) if a <= b]
    assert len(rows) == 13 * 13 * 14 // 2
    result = runtime(f"clamp_{bits}", *map(list, zip(*rows, strict=True)))
    assert result == [min(max(x, a), b) for x, a, b in rows]


def representative(difference: int, n: int) -> int:
    """The number congruent to ``difference`` modulo 2^n in [-2^(n-1), 2^(n-1))."""
    residue = difference % (1 << n)
    return residue - (1 << n) if residue >= 1 << (n - 1) else residue


@pytest.mark.parametrize("n", [2, 3, 4, 5, 6])
def test_wrapped_difference_small_counters_exhaustively(runtime: Runtime, n: int) -> None:
    """Every pair of readings, also of counters that are wider than n bits and whose upper bits must not matter."""
    rows = list(itertools.product(range(2 ** (n + 1)), repeat=2))
    result = runtime("wrapped_difference_32", *map(list, zip(*rows, strict=True)), [n] * len(rows))
    assert result == [representative(a - b, n) for a, b in rows]


def test_wrapped_difference_at_the_ends(runtime: Runtime) -> None:
    """Every width; readings next to 0, to half the period, to the wrap and to the end of the 32-bit word."""
    rows: list[tuple[int, int, int]] = []
    for n in range(2, 33):
        marks = {(mark + d) % 2**32 for mark in (0, 2 ** (n - 1), 2**n, 2**31) for d in (-2, -1, 0, 1, 2)}
        rows += [(a, b, n) for a, b in itertools.product(sorted(marks), repeat=2)]
    result = runtime("wrapped_difference_32", *map(list, zip(*rows, strict=True)))
    assert result == [representative(a - b, n) for a, b, n in rows]
    assert {-(2 ** (n - 1)) for n in range(2, 33)} <= set(result)
    assert {2 ** (n - 1) - 1 for n in range(2, 33)} <= set(result)


def interpolated(knots: tuple[int, ...], position: int, n: int) -> int:
    """Piecewise linear through the knots, rounded half up; the last knot belongs to the last piece."""
    whole = 1 << n
    index = min(position // whole, len(knots) - 2)
    return knots[index] + half_up((knots[index + 1] - knots[index]) * (position - index * whole), n)


@pytest.mark.parametrize("bits", [32, 64])
def test_interpolate_small_tables_exhaustively(runtime: Runtime, bits: int) -> None:
    for count, n in itertools.product((2, 3, 4), (1, 2, 3)):
        positions = list(range((count - 1) * 2**n + 1))
        for knots in itertools.product((-3, -1, 0, 2), repeat=count):
            result = runtime.interpolate(f"interpolate_{bits}", knots, positions, n)
            assert result == [interpolated(knots, position, n) for position in positions]
            assert result[:: 2**n] == list(knots)
    runtime.library.raise_sanitizer_reports()


@pytest.mark.parametrize("n", range(1, 17))
def test_interpolate_32_at_the_ends(runtime: Runtime, n: int) -> None:
    """Largest rise and largest fall of the precondition.  It is cautious by one count: two more overflow at the piece's end."""
    steepest = (2**31 - 1) // 2**n - 1
    for start in (0, -(steepest // 2), 17):
        knots = (start, start + steepest, start, start)
        positions = sorted({k * 2**n + d for k in range(4) for d in (-1, 0, 1, 2 ** (n - 1))} & set(range(3 * 2**n + 1)))
        result = runtime.interpolate("interpolate_32", knots, positions, n)
        runtime.library.raise_sanitizer_reports()
        assert result == [interpolated(knots, position, n) for position in positions]
    runtime.reports()
    runtime.interpolate("interpolate_32", (0, steepest + 2), [2**n], n)
    assert runtime.reports() == 1


@pytest.mark.parametrize("n", [1, 8, 15, 16])
def test_interpolate_64_at_the_ends(runtime: Runtime, n: int) -> None:
    """Rises over the whole 32-bit range, and the longest table whose positions fit 32 bits."""
    low, high = INT32
    for knots in ((low, high, low), (high, low, 0), (0, low, high), (low, low, low), (high, high, high)):
        positions = sorted({k * 2**n + d for k in range(3) for d in (-1, 0, 1, 2 ** (n - 1))} & set(range(2 * 2**n + 1)))
        result = runtime.interpolate("interpolate_64", knots, positions, n)
        assert result == [interpolated(knots, position, n) for position in positions]
    if n >= 15:
        count = 2**31 // 2**n
        long_table = tuple((k * 7919) % 1000 - 500 for k in range(count))
        end = (count - 1) * 2**n
        positions = [0, 1, end // 2, end - 2**n - 1, end - 2**n, end - 1, end]
        result = runtime.interpolate("interpolate_64", long_table, positions, n)
        assert result == [interpolated(long_table, position, n) for position in positions]
    runtime.library.raise_sanitizer_reports()


@pytest.mark.parametrize("bits", [32, 64])
def test_interpolate_keeps_between_its_knots(runtime: Runtime, bits: int) -> None:
    """The proof of ranges takes a table's range to be that of its knots, so no rounding may leave a piece."""
    for left, right in itertools.product(range(-9, 10), repeat=2):
        result = runtime.interpolate(f"interpolate_{bits}", (left, right), list(range(17)), 4)
        assert all(min(left, right) <= value <= max(left, right) for value in result)
        assert sorted(result, reverse=left > right) == result
    runtime.library.raise_sanitizer_reports()
