"""Samples gathered into means over equal steps of time: long logs become short, gaps and jitter lose their sting.

Takes a ``Series``, gives a ``Grid``. A mean over a step is compared with the model's own mean over that step, so nothing is lost by it
as long as the step is short against what moves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.bench.series import Series

LEAST_FILLED = 0.6

RealArray = NDArray[np.float64]


@dataclass(frozen=True)
class Grid:
    """Means over equal steps.

    Attributes:
        start_s: Time of the first edge.
        step_s: Length of a step.
        count: Number of steps.
        means: By quantity, (count,), NaN where too few readings fall into the step.
    """

    start_s: float
    step_s: float
    count: int
    means: Mapping[str, RealArray]

    @property
    def centres_s(self) -> RealArray:
        """(count,) time of the middle of each step."""
        return np.asarray(self.start_s + (np.arange(self.count) + 0.5) * self.step_s, dtype=np.float64)

    def part(self, first: int, end: int) -> Grid:
        """The steps ``first`` to ``end`` (excluded)."""
        means = {name: column[first:end] for name, column in self.means.items()}
        return Grid(self.start_s + first * self.step_s, self.step_s, end - first, means)


def make_grid(series: Series, step_s: float) -> Grid:
    """Gather a series into steps of about ``step_s``: a whole number of sample periods, at least one."""
    samples = max(1, round(step_s / series.period_s))
    step_s = samples * series.period_s
    start_s = float(series.time_s[0] - 0.5 * series.period_s)
    index = np.floor((series.time_s - start_s) / step_s).astype(np.int64)
    count = int(index[-1]) + 1
    means = {}
    for name, column in series.values.items():
        good = np.isfinite(column)
        filled = np.bincount(index[good], minlength=count)
        total = np.bincount(index[good], weights=column[good], minlength=count)
        means[name] = np.where(filled >= LEAST_FILLED * samples, total / np.maximum(filled, 1), np.nan)
    grid = Grid(start_s, step_s, count, means)
    # The last step is seldom full.
    return grid.part(0, count - 1) if count > 2 else grid


def longest_whole(grid: Grid, quantities: tuple[str, ...], most_missing: int) -> tuple[int, int]:
    """(first, end) of the longest stretch without a hole of more than ``most_missing`` steps in these quantities."""
    good = np.all([np.isfinite(grid.means[name]) for name in quantities], axis=0)
    places = np.flatnonzero(good)
    if not len(places):
        return 0, 0
    breaks = np.flatnonzero(np.diff(places) > most_missing + 1)
    starts = places[np.concatenate(([0], breaks + 1))]
    ends = places[np.concatenate((breaks, [len(places) - 1]))] + 1
    longest = int(np.argmax(ends - starts))
    return int(starts[longest]), int(ends[longest])


def bridged(column: RealArray) -> RealArray:
    """The column with holes filled by straight lines."""
    good = np.isfinite(column)
    return np.interp(np.arange(len(column)), np.flatnonzero(good), column[good])
