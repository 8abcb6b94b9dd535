"""Exact sampling of linear systems whose input is held between ticks and comes late."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

from codegen.errors import LoopwrightError

Matrix = NDArray[np.float64]

# A delay this close to whole ticks (in ticks) is taken as whole: 1300 us at 1 kHz must not become 1.3 ticks
# and a hair.
_WHOLE_TICKS = 1e-9


def sample(A: Matrix, B: Matrix, period_s: float, delay_s: float = 0.0) -> tuple[Matrix, Matrix]:
    """Exact discrete model of x'(t) = A x(t) + B u(t - delay) with u held over each period (zero-order hold).

    Args:
        A: (n, n).
        B: (n, m).
        period_s: Sample period, > 0.
        delay_s: Delay of the input, >= 0, any share of the period.

    Returns:
        Ad (n + d m, n + d m) and Bd (n + d m, m) with d = ceil(delay / period). The state is [x(k), u(k-d),
        ..., u(k-1)]: past inputs, oldest first.

    Raises:
        LoopwrightError: The shapes do not fit or a time is out of range.

    Source: Astrom and Wittenmark, "Computer-Controlled Systems", 3rd ed. 1997, section 2.3 (system with time
    delay); both integrals by one exponential of a block matrix, Van Loan, "Computing integrals involving the
    matrix exponential", IEEE Trans. Automatic Control 23(3), 1978.
    """
    A, B = np.atleast_2d(np.asarray(A, dtype=float)), np.atleast_2d(np.asarray(B, dtype=float))
    n, m = B.shape
    if A.shape != (n, n):
        raise LoopwrightError(f"A has shape {A.shape} and B {B.shape}; A must be ({n}, {n})", "sampling")
    if not (math.isfinite(period_s) and period_s > 0):
        raise LoopwrightError(f"a period of {period_s!r} s is not positive", "sampling")
    if not (math.isfinite(delay_s) and delay_s >= 0):
        raise LoopwrightError(f"a delay of {delay_s!r} s is negative or not finite", "sampling")
    whole = math.floor(delay_s / period_s + _WHOLE_TICKS)
    late = max(0.0, delay_s - whole * period_s)
    if late < _WHOLE_TICKS * period_s:
        late = 0.0
    rest, newer = _hold(A, B, period_s - late)
    if late == 0.0:
        past, transition = whole, rest
        effects = [newer]
    else:
        first, older = _hold(A, B, late)
        past, transition = whole + 1, rest @ first
        effects = [rest @ older, newer]
    # Inputs by age, oldest first: u(k-past) ... u(k-1), u(k). The two oldest act within this period.
    columns = np.zeros((n, (past + 1) * m))
    columns[:, : len(effects) * m] = np.hstack(effects)
    size = n + past * m
    Ad, Bd = np.zeros((size, size)), np.zeros((size, m))
    Ad[:n, :n] = transition
    Ad[:n, n:] = columns[:, : past * m]
    Bd[:n] = columns[:, past * m :]
    if past:
        Ad[n : size - m, n + m :] = np.eye((past - 1) * m)
        Bd[size - m :] = np.eye(m)
    return Ad, Bd


def _hold(A: Matrix, B: Matrix, duration_s: float) -> tuple[Matrix, Matrix]:
    """exp(A t) and its integral from 0 to t times B."""
    n, m = B.shape
    block = np.zeros((n + m, n + m))
    block[:n, :n] = A * duration_s
    block[:n, n:] = B * duration_s
    result: Matrix = np.asarray(expm(block), dtype=np.float64)
    return result[:n, :n], result[:n, n:]
