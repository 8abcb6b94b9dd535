"""A measured number with its 95 % interval, and intervals that know when the model misses something.

Takes residuals and Jacobians of a least squares fit, gives covariances by leaving out whole blocks of samples: what is left over in a
block counts as one observation, however many samples it has. Where residuals are white this equals the textbook covariance; where
cogging, friction or quantisation leave a pattern in them it is larger, by the factor that is reported as inflation.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import stats

# Half-width of the 95 % interval for effects that no residual shows (friction that depends on speed, torque ripple, the scale of the
# gyro, 1 % and more): what inertia and torque scale were off by at most in a study of 36 synthetic benches with cogging and Stribeck
# friction (own simulations, no published source). The fits here come closer on such benches; real ones hold more than those.
SYSTEMATIC_SHARE = 0.015
CONFLICT_SIGMAS = 3.0
FEWEST_BLOCKS, MOST_BLOCKS = 12, 40
# A block is this many times as long as residuals are alike, so that neighbouring blocks know little of each other.
BLOCK_LENGTHS = 6.0
NORMAL_95 = 1.959963984540054

RealArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Estimate:
    """A number from one experiment.

    Attributes:
        name: What it is, for people.
        unit: Its unit.
        value: The number.
        half_width: Of the 95 % interval, without the floor.
        nominal: The half-width that the fit alone would state, taking the residuals for white noise.
        floor: Half-width for systematic effects, as a share of the value.
        source: File it is from.
    """

    name: str
    unit: str
    value: float
    half_width: float
    nominal: float
    floor: float
    source: str

    @property
    def inflation(self) -> float:
        """How much wider the interval is than the fit alone would state."""
        return self.half_width / self.nominal if self.nominal > 0 else 1.0

    @property
    def total(self) -> float:
        """Half-width of the whole interval: both parts are independent, so their squares add."""
        return math.hypot(self.half_width, self.floor * self.value)

    @property
    def low(self) -> float:
        """Lower end of the 95 % interval."""
        return self.value - self.total

    @property
    def high(self) -> float:
        """Upper end of the 95 % interval."""
        return self.value + self.total


@dataclass(frozen=True)
class Conflict:
    """Two ways to the same number that disagree.

    Attributes:
        what: The number, for people.
        unit: Its unit.
        first, second: Where each is from, and its value.
        first_value, second_value: The values.
        sigmas: Their difference in standard deviations.
        remedy: What it may come from and what to do.
        serious: Whether two experiments disagree (else an experiment and the old build file).
    """

    what: str
    unit: str
    first: str
    first_value: float
    second: str
    second_value: float
    sigmas: float
    remedy: str
    serious: bool


@dataclass(frozen=True)
class Covariance:
    """Spread of the parameters of a fit.

    Attributes:
        block: (p, p) from the residuals of blocks.
        white: (p, p) as if residuals were white noise of equal size.
        quantile: Student's 97.5 % quantile for the number of blocks.
        residual: Root mean square of the residuals.
        correlation_samples: Length over which residuals are alike.
        blocks: Number of blocks.
    """

    block: RealArray
    white: RealArray
    quantile: float
    residual: float
    correlation_samples: float
    blocks: int

    def half_width(self, gradient: RealArray) -> tuple[float, float]:
        """(half-width, nominal half-width) of a function of the parameters with this gradient (p,)."""
        nominal = NORMAL_95 * math.sqrt(max(0.0, float(gradient @ self.white @ gradient)))
        block = self.quantile * math.sqrt(max(0.0, float(gradient @ self.block @ gradient)))
        return max(block, nominal), nominal


def spread(jacobian: RealArray, residual: RealArray, blocks: IntArray | None = None) -> Covariance:
    """Return the covariance of the parameters of a least squares fit at its minimum.

    Args:
        jacobian: (n, p) derivative of the residuals.
        residual: (n,).
        blocks: (n,) number of the block each residual is in; None: contiguous blocks, longer than the residuals are alike.

    The block covariance is the delete-a-block jackknife: the scatter of the fits that leave one block out. Sources: Cameron and Miller,
    "A practitioner's guide to cluster-robust inference", J. Human Resources 50 (2015), section VI (there CR3; Student's t with one degree
    of freedom less than blocks), from memory; for nonlinear fits about the minimum, by its Jacobian.
    """
    n, p = jacobian.shape
    alike = correlation_length(residual)
    if blocks is None:
        count = int(np.clip(n / (BLOCK_LENGTHS * alike), FEWEST_BLOCKS, MOST_BLOCKS))
        blocks = (np.arange(n, dtype=np.int64) * count) // n
    _, blocks = np.unique(blocks, return_inverse=True)
    count = int(blocks.max()) + 1
    # Column scaling keeps the inverse of the normal matrix well conditioned whatever the units.
    scale = np.linalg.norm(jacobian, axis=0)
    scale[scale == 0] = 1.0
    scaled = jacobian / scale
    normal = scaled.T @ scaled
    bread = np.linalg.pinv(normal, hermitian=True)
    shifts = np.empty((count, p))
    for number in range(count):
        inside = blocks == number
        part = scaled[inside]
        shifts[number] = np.linalg.lstsq(normal - part.T @ part, part.T @ residual[inside], rcond=None)[0]
    scatter = (count - 1) / count * shifts.T @ shifts
    variance = float(residual @ residual) / max(1, n - p)
    unscale = np.outer(1 / scale, 1 / scale)
    return Covariance(
        block=scatter * unscale,
        white=variance * bread * unscale,
        quantile=float(stats.t.ppf(0.975, max(1, count - 1))),
        residual=math.sqrt(variance),
        correlation_samples=alike,
        blocks=count,
    )


def correlation_length(residual: RealArray) -> float:
    """Return 1 + 2 sum of the autocorrelation up to its first zero, in samples (at least 1): white noise has 1."""
    n = len(residual)
    centred = residual - residual.mean()
    power = float(centred @ centred)
    if power == 0.0 or n < 4:
        return 1.0
    spectrum = np.abs(np.fft.rfft(centred, 2 * n)) ** 2
    correlation = np.fft.irfft(spectrum)[: n // 4] / power
    ends = np.flatnonzero(correlation <= 0)
    until = int(ends[0]) if len(ends) else len(correlation)
    return max(1.0, 1.0 + 2.0 * float(np.sum(correlation[1:until])))


def combine(estimates: list[Estimate], remedy: str) -> tuple[Estimate, list[Conflict]]:
    """Return the mean weighted by inverse squares of the intervals, and the conflicts among the estimates.

    If they disagree the interval is widened by the Birge ratio, the root of chi-squared per degree of freedom (R. T. Birge, "The
    calculation of errors by the method of least squares", Phys. Rev. 40, 1932; from memory).
    """
    if len(estimates) == 1:
        return estimates[0], []
    widths = np.array([estimate.total for estimate in estimates])
    values = np.array([estimate.value for estimate in estimates])
    weights = 1.0 / np.maximum(widths, 1e-12 * np.abs(values).max()) ** 2
    mean = float(weights @ values / weights.sum())
    chi_squared = float(weights @ (values - mean) ** 2) * NORMAL_95**2
    birge = max(1.0, math.sqrt(chi_squared / (len(estimates) - 1)))
    best = estimates[int(np.argmin(widths))]
    # The floor stands for effects common to all, so it is not averaged down.
    floor = min(estimate.floor for estimate in estimates)
    narrow = 1.0 / math.sqrt(float(np.sum(1.0 / np.array([max(e.half_width, 1e-15 * abs(mean)) for e in estimates]) ** 2)))
    if birge > 1.0:
        narrow = math.hypot(narrow, birge / math.sqrt(float(weights.sum())))
    mean_estimate = replace(best, value=mean, half_width=narrow, floor=floor, source=joined(e.source for e in estimates))
    conflicts = []
    for index, first in enumerate(estimates):
        for second in estimates[index + 1 :]:
            sigmas = sigmas_apart(first, second)
            if sigmas > CONFLICT_SIGMAS:
                conflicts.append(
                    Conflict(first.name, first.unit, first.source, first.value, second.source, second.value, sigmas, remedy, True)
                )
    return mean_estimate, conflicts


def joined(sources: Iterable[str]) -> str:
    """Names of files as one list without repetitions; each source may be such a list already."""
    return ", ".join(dict.fromkeys(name for source in sources for name in source.split(", ")))


def sigmas_apart(first: Estimate, second: Estimate) -> float:
    """Return the difference of two estimates in standard deviations (their intervals are 95 %)."""
    spread_of_both = math.hypot(first.total, second.total) / NORMAL_95
    return abs(first.value - second.value) / spread_of_both if spread_of_both > 0 else math.inf
