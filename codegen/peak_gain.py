"""Worst-case peak gain of a linear section, enclosed by ball arithmetic: how far a bounded input can drive an output.

Takes (A, B, C, D), gives a rigorous lower and upper bound of |D| + sum over k of |C A^k B| per output and input.

Method: partial sum in ball arithmetic plus a tail from powers of A, which needs no eigenvalues and also proves that the section
is stable.  With m such that q = ||A^m|| < 1 (infinity norm), for every N:
sum over k >= N of |C A^k B| <= ||C|| * (sum over j < m of ||A^j||) / (1 - q) * ||A^N B||,
because A^(N+j+im) B = A^j (A^m)^i A^N B.  Definition and use of the gain: Volkova, Hilaire, Lauter, "Reliable evaluation of the
worst-case peak gain matrix in multiple precision", ARITH-22, 2015; the tail above is derived here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flint import arb, arb_mat, ctx

from codegen.errors import RangeError

Rows = Sequence[Sequence[float]]
MAXIMUM_TERMS = 400_000


@dataclass(frozen=True)
class PeakGain:
    """Enclosure of one output's peak gain from one input; ``positive`` and ``negative`` are the parts of the response.

    Attributes:
        low: Proven lower bound of the sum of absolute values.
        high: Proven upper bound.
        positive: Upper bound of the sum of the response's positive samples.
        negative: Upper bound of the sum of the magnitudes of its negative samples.
        terms: Samples summed before the tail.
    """

    low: float
    high: float
    positive: float
    negative: float
    terms: int


def _norm(matrix: arb_mat) -> arb:
    largest = arb(0)
    for i in range(matrix.nrows()):
        total = arb(0)
        for j in range(matrix.ncols()):
            total += abs(matrix[i, j])
        largest = largest.max(total)
    return largest


def _upper(value: arb) -> float:
    """A float64 not below the ball."""
    bound = float(value.abs_upper()) if value > 0 or value.contains(0) else float(value.upper())
    return bound * (1.0 + 2.0**-50) + 5e-324


def peak_gain(A: Rows, B: Rows, C: Rows, D: Rows, tolerance: float = 1e-12) -> list[list[PeakGain]]:
    """Enclose the worst-case peak gain matrix.

    Args:
        A: (n, n); like the others taken as exact.
        B: (n, m).
        C: (p, n).
        D: (p, m).
        tolerance: Wanted width of the tail relative to the partial sum.

    Returns:
        p rows of m gains.

    Raises:
        RangeError: No power of A up to 2**20 has a norm below one (the section is not stable, or too near to it).
    """
    saved = ctx.prec
    try:
        # Repeated products widen balls by the norm of |A| per step even where A itself contracts, so a precision that is too
        # short for the number of terms shows as a tail that stops shrinking: start again with twice the digits.
        for precision in (192, 768, 3072, 12288, 49152):
            ctx.prec = precision
            gains = _peak_gain(A, B, C, D, tolerance)
            if gains is not None:
                return gains
        raise RangeError("the section's peak gain needs too many terms", "", "give the signal a limit")
    finally:
        ctx.prec = saved


def _peak_gain(A: Rows, B: Rows, C: Rows, D: Rows, tolerance: float) -> list[list[PeakGain]] | None:
    n, m, p = len(A), len(B[0]), len(C)
    matrix = arb_mat(n, n, [arb(x) for row in A for x in row])
    column = arb_mat(n, m, [arb(x) for row in B for x in row])
    rows = arb_mat(p, n, [arb(x) for row in C for x in row])
    # sum of ||A^j||, j < m, by doubling: S(2m) <= S(m) * (1 + ||A^m||).
    power, exponent, reach = matrix, 1, arb(1)
    while not _norm(power) < 0.5:
        if exponent > 2**20:
            raise RangeError("the section is not provably stable", "", "move its poles inside the unit circle or give it a limit")
        reach = reach * (1 + _norm(power))
        power, exponent = power * power, exponent * 2
    tail_factor = _norm(rows) * reach / (1 - _norm(power))
    totals = [[abs(arb(D[i][j])) for j in range(m)] for i in range(p)]
    positive = [[arb(max(D[i][j], 0.0)) for j in range(m)] for i in range(p)]
    negative = [[arb(max(-D[i][j], 0.0)) for j in range(m)] for i in range(p)]
    terms = 0
    tiny = arb(2) ** (-ctx.prec // 2)
    while True:
        for _ in range(max(8, min(exponent, 256))):
            response = rows * column
            for i in range(p):
                for j in range(m):
                    sample = response[i, j]
                    totals[i][j] += abs(sample)
                    positive[i][j] += sample.max(arb(0))
                    negative[i][j] += (-sample).max(arb(0))
            column = matrix * column
            terms += 1
        tail = tail_factor * _norm(column)
        # An input that does not act (yet) has no partial sum to measure the tail by.
        smallest = min((float(total.mid()) for row in totals for total in row if total > 0), default=1.0)
        if tail < tolerance * max(smallest, 1e-300):
            break
        if terms > MAXIMUM_TERMS or any(abs(entry.rad()) > 1e-3 * abs(entry.mid()) + tiny for entry in column.entries()):
            return None
    return [
        [
            PeakGain(
                float(totals[i][j].lower()) * (1.0 - 2.0**-50),
                _upper(totals[i][j] + tail),
                _upper(positive[i][j] + tail),
                _upper(negative[i][j] + tail),
                terms,
            )
            for j in range(m)
        ]
        for i in range(p)
    ]
