"""Allan deviation of readings at rest.

Takes equally spaced rate readings, gives deviations per averaging time. Checked against the test suite of NIST SP 1065 in
``tests/outside/test_allan_deviation.py``.

Source: W. J. Riley, "Handbook of Frequency Stability Analysis", NIST Special Publication 1065, 2008, sections 5.2.1 (Allan variance), 5.2.4
(overlapping Allan variance), 5.4.2 (degrees of freedom), from memory but for the test suite.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

RealArray = NDArray[np.float64]


def allan_deviation(readings: RealArray, samples: int, *, overlapping: bool = True) -> float:
    """Return the Allan deviation for averages over ``samples`` readings.

    Args:
        readings: (n,) equally spaced, n >= 2 samples.
        samples: Readings per average, >= 1.
        overlapping: Whether averages may begin at every reading (smaller scatter) or only where the last one ended.
    """
    sums = np.concatenate(([0.0], np.cumsum(readings - np.mean(readings))))
    means = (sums[samples:] - sums[:-samples]) / samples
    if not overlapping:
        means = means[::samples]
        steps = np.diff(means)
    else:
        steps = means[samples:] - means[:-samples]
    return math.sqrt(0.5 * float(np.mean(steps**2)))


def degrees_of_freedom(count: int, samples: int) -> float:
    """Equivalent degrees of freedom of the overlapping Allan variance of white noise.

    Args:
        count: Number of readings; the formula counts the phases between them, count + 1.
        samples: Readings per average.
    """
    phases, m = count + 1, samples
    return (1.5 * (phases - 1) / m - 2.0 * (phases - 2) / phases) * 4.0 * m**2 / (4.0 * m**2 + 5.0)


def averaging_samples(count: int) -> list[int]:
    """Numbers of readings per average for a picture: about eight per decade, up to a third of the record."""
    most = max(1, count // 3)
    return sorted({round(10 ** (k / 8)) for k in range(int(8 * math.log10(most)) + 1)})
