"""Allan deviation against the published test suite.

Source: W. J. Riley, "Handbook of Frequency Stability Analysis", NIST Special Publication 1065, National Institute of Standards and
Technology, 2008, pp. 107-108: the 9-point set (sums over averages of 1 and 2 points) and the 1000-point set, made by the generator
n(0) = 1234567890, n(i+1) = 16807 n(i) mod 2147483647 (Park and Miller), with Allan and overlapping Allan deviation to seven digits.

The reading rule for white noise, sigma(tau) = N / sqrt(tau), is that of IEEE Std 952-1997, annex C (from memory).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from codegen.bench.allan import allan_deviation, degrees_of_freedom

NINE = np.array([892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0])


def thousand() -> NDArray[np.float64]:
    """The 1000-point set."""
    values, n = [], 1234567890
    for _ in range(1000):
        values.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return np.array(values)


def agrees(value: float, printed: str) -> bool:
    """Whether the value rounds to the printed digits."""
    decimals = len(printed.split(".")[1])
    return f"{value:.{decimals}f}" == printed


def test_first_values_of_the_generator() -> None:
    """0.5748905, 0.1841830; mean 0.4897745, standard deviation 0.2884664 (derived from the generator)."""
    values = thousand()
    assert agrees(values[0], "0.5748905")
    assert agrees(values[1], "0.1841830")
    assert agrees(float(values.mean()), "0.4897745")
    assert agrees(float(values.std(ddof=1)), "0.2884664")


@pytest.mark.parametrize(("samples", "overlapping", "printed"), [(1, False, "91.22945"), (2, False, "115.8082"), (2, True, "85.95287")])
def test_nine_points(samples: int, overlapping: bool, printed: str) -> None:
    """Page 107, to the printed digits."""
    assert agrees(allan_deviation(NINE, samples, overlapping=overlapping), printed)


@pytest.mark.parametrize(
    ("samples", "overlapping", "printed"),
    [
        (1, False, "0.2922319"),
        (10, False, "0.09965736"),
        (100, False, "0.03897804"),
        (1, True, "0.2922319"),
        (10, True, "0.09159953"),
        (100, True, "0.03241343"),
    ],
)
def test_thousand_points(samples: int, overlapping: bool, printed: str) -> None:
    """Page 108, to the printed digits."""
    assert agrees(allan_deviation(thousand(), samples, overlapping=overlapping), printed)


def test_white_noise_is_read_at_one_second() -> None:
    """White rate noise of density N (two-sided) has sigma(1 s) = N, and scatters as its degrees of freedom say."""
    rng = np.random.default_rng(1)
    period, density, count = 0.01, 0.3, 20_000
    found = [allan_deviation(rng.normal(0, density / math.sqrt(period), count), 100) for _ in range(200)]
    freedom = degrees_of_freedom(count, 100)
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(density, rel=3 / math.sqrt(2 * 200 * freedom))
    assert np.std(found) == pytest.approx(density / math.sqrt(2 * freedom), rel=0.15)
