"""A budget of time: what may still be begun.

Takes seconds (None for no limit), gives shares of what is left.
"""

from __future__ import annotations

import time
from collections.abc import Callable

PROBE_TICKS = 200_000
SHARE_OF_REST = 0.5


class Budget:
    """Time that runs from the moment it is made.

    Args:
        seconds: All of it, None for no limit.
    """

    def __init__(self, seconds: float | None) -> None:
        self._end = None if seconds is None else time.perf_counter() + seconds

    @property
    def left(self) -> float | None:
        """Seconds left, None without a limit."""
        return None if self._end is None else max(0.0, self._end - time.perf_counter())

    @property
    def used_up(self) -> bool:
        """Whether nothing is left."""
        return self.left == 0.0

    def share(self, part: float) -> float | None:
        """That part of what is left."""
        return None if self.left is None else part * self.left

    def affordable(self, ticks: int, run: Callable[[int], int]) -> int:
        """Ticks that half of the rest allows, at the speed that a short run shows.

        Args:
            ticks: What is wanted.
            run: Runs about as many ticks as it is told, and returns how many it did.
        """
        if self.left is None:
            return ticks
        begun = time.perf_counter()
        done = run(min(ticks, PROBE_TICKS))
        speed = done / max(1e-6, time.perf_counter() - begun)
        return max(min(ticks, done), min(ticks, int(SHARE_OF_REST * self.left * speed)))
