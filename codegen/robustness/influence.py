"""Which of the drawn numbers decide how well a machine does.

Takes the outcomes, gives the influences by size: standardised rank regression. Ranks, because a poke that is nearly too strong moves the
peak out of all proportion; regression, because with independent draws its squared coefficients add up to the share that is explained.

Source: Saltelli, Chan, Scott (eds.), Sensitivity Analysis (Wiley 2000), chapter on sampling-based methods (standardised rank regression
coefficients; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import rankdata

from codegen.robustness.spreads import Uncertain

STANDARD_ERRORS = 3.0
"""A coefficient smaller than so many of its standard errors is taken for chance."""


@dataclass(frozen=True)
class Influence:
    """One uncertain thing and what it does to an outcome.

    Attributes:
        uncertain: What.
        coefficient: Standardised rank regression coefficient, -1 to 1; positive: more of it makes the outcome larger.
        share: Of the outcome's variance of ranks, 0 to 1.
        is_sure: Whether it stands out of chance.
    """

    uncertain: Uncertain
    coefficient: float
    share: float
    is_sure: bool


def find_influences(
    uncertain: tuple[Uncertain, ...], shares: NDArray[np.float64], outcome: NDArray[np.float64]
) -> tuple[Influence, ...]:
    """Influences by falling size.

    Args:
        uncertain: k things.
        shares: (n, k) draws of n machines, in (0, 1).
        outcome: (n,), larger is worse.
    """
    machines, things = shares.shape
    if machines < 3 * (things + 1) or np.ptp(outcome) == 0.0:
        return ()
    drawn = shares.copy()
    for place, each in enumerate(uncertain):
        if each.two_sided:
            drawn[:, place] = np.abs(2.0 * drawn[:, place] - 1.0)
    ranks = np.apply_along_axis(rankdata, 0, drawn)
    causes = (ranks - ranks.mean(axis=0)) / ranks.std(axis=0)
    effect = rankdata(outcome)
    effect = (effect - effect.mean()) / effect.std()
    coefficients, *_ = np.linalg.lstsq(causes, effect, rcond=None)
    unexplained = float(np.sum((effect - causes @ coefficients) ** 2)) / (machines - things - 1)
    errors = np.sqrt(unexplained * np.diag(np.linalg.inv(causes.T @ causes)))
    found = [
        Influence(each, float(coefficient), float(coefficient**2), bool(abs(coefficient) > STANDARD_ERRORS * error))
        for each, coefficient, error in zip(uncertain, coefficients, errors, strict=True)
    ]
    return tuple(sorted(found, key=lambda influence: -influence.share))
