"""Exact interval and affine arithmetic over integers and rationals: the trusted core of the safety proof.

Takes ends of intervals, gives ends of intervals.  Knows no graph and no C.  Source: R. E. Moore, Methods and Applications of
Interval Analysis, SIAM, 1979, chapter 2; L. H. de Figueiredo and J. Stolfi, Affine arithmetic: concepts and applications,
Numerical Algorithms 37, 2004 (both from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor

Range = tuple[int, int]


def scale_range(weight: int, low: int, high: int) -> Range:
    """Weight * [low, high]."""
    return (weight * low, weight * high) if weight >= 0 else (weight * high, weight * low)


def product_range(left: Range, right: Range) -> Range:
    """Every product of one number of each range."""
    corners = [a * b for a in left for b in right]
    return min(corners), max(corners)


def quotient_range(left: Range, right: Range) -> Range:
    """Every quotient, rounded towards zero, of a number of ``left`` by a number other than zero of ``right``."""
    corners = []
    for low, high in ((right[0], min(right[1], -1)), (max(right[0], 1), right[1])):
        if low <= high:
            corners += [_towards_zero(a, b) for a in left for b in (low, high)]
    if not corners:
        # Only a division by zero is left; the value is anything, so take what it was divided from.
        return min(left[0], 0), max(left[1], 0)
    if left[0] <= 0 <= left[1]:
        corners.append(0)
    return min(corners), max(corners)


def _towards_zero(a: int, b: int) -> int:
    size = abs(a) // abs(b)
    return size if (a < 0) == (b < 0) else -size


def meet(left: Range, right: Range) -> Range | None:
    """What two ranges share; None if nothing."""
    low, high = max(left[0], right[0]), min(left[1], right[1])
    return (low, high) if low <= high else None


def hull(left: Range, right: Range) -> Range:
    """The least range that holds both."""
    return min(left[0], right[0]), max(left[1], right[1])


@dataclass(frozen=True)
class Affine:
    """error + sum of weight * atom with error in [low, high] and each atom in its own range.

    Attributes:
        weights: Weight per atom.
        ranges: Range per atom.
        low: Least error.
        high: Greatest error.
    """

    weights: Mapping[int, Fraction]
    ranges: Mapping[int, Range]
    low: Fraction
    high: Fraction

    @staticmethod
    def constant(value: int) -> Affine:
        """A number."""
        return Affine({}, {}, Fraction(value), Fraction(value))

    @staticmethod
    def atom(ident: int, low: int, high: int) -> Affine:
        """An unknown in [low, high]."""
        return Affine({ident: Fraction(1)}, {ident: (low, high)}, Fraction(0), Fraction(0))

    def scaled(self, factor: Fraction) -> Affine:
        """Factor * self."""
        ends = sorted((self.low * factor, self.high * factor))
        return Affine({ident: weight * factor for ident, weight in self.weights.items()}, self.ranges, ends[0], ends[1])

    def plus(self, other: Affine) -> Affine:
        """Self + other."""
        weights = dict(self.weights)
        for ident, weight in other.weights.items():
            weights[ident] = weights.get(ident, Fraction(0)) + weight
        return Affine(weights, {**self.ranges, **other.ranges}, self.low + other.low, self.high + other.high)

    def widened(self, low: Fraction, high: Fraction) -> Affine:
        """Self + [low, high]."""
        return Affine(self.weights, self.ranges, self.low + low, self.high + high)

    def ends(self) -> Range:
        """The integers that it can be."""
        low, high = self.low, self.high
        for ident, weight in self.weights.items():
            least, most = self.ranges[ident]
            low += weight * (least if weight > 0 else most)
            high += weight * (most if weight > 0 else least)
        return ceil(low), floor(high)
