"""What every experiment gives: estimates, curves to draw, and words.

The ratios that the experiments measure (``RATIOS``) hold nothing but what their logs can know; ``adjust.py`` turns them into the numbers
of a build file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from codegen.bench.estimate import Estimate

RealArray = NDArray[np.float64]

# (name for people, unit) of each measured ratio. G: gravity torque, I: inertia of the body about the pivot with the wheel's mass, J:
# inertia of the wheel.
RATIOS: Mapping[str, tuple[str, str]] = {
    "locked": ("(I + J)/G, body with locked wheel", "s2"),
    "free": ("I/G, body with free wheel", "s2"),
    "undecided": ("(I + J)/G or I/G, wheel not declared", "s2"),
    "wheel": ("J/G, wheel", "s2"),
    "torque": ("K_t/J, wheel acceleration per ampere", "rad/(s2 A)"),
    "coulomb": ("Coulomb friction of the wheel over J", "rad/s2"),
    "viscous": ("viscous friction of the wheel over J", "1/s"),
    "pivot_damping": ("viscous friction of the pivot over G", "s"),
    "pivot_coulomb": ("Coulomb friction of the pivot over G", ""),
    "mass_height": ("mass times height of the centre of mass", "kg m"),
    "back_emf": ("back-EMF constant", "V s/rad"),
    "resistance": ("resistance of drive and motor", "ohm"),
    "supply": ("supply voltage", "V"),
    "gyro_noise": ("gyro noise density", "deg/s/sqrt(Hz)"),
    "gyro_bias": ("gyro bias", "deg/s"),
    "accelerometer_noise": ("accelerometer noise density", "ug/sqrt(Hz)"),
}


@dataclass(frozen=True)
class Curve:
    """One panel of an experiment's picture.

    Attributes:
        label: Of the vertical axis, with unit.
        x, data, fit: (n,) each; NaN where there is nothing. ``fit`` may be None.
        residual: (n,) data less fit, or None.
        residual_label: Of its axis.
        markers: Whether the data are few points rather than a line.
    """

    label: str
    x: RealArray
    data: RealArray
    fit: RealArray | None
    residual: RealArray | None
    residual_label: str = ""
    markers: bool = False


@dataclass(frozen=True)
class Experiment:
    """The outcome of one log.

    Attributes:
        kind: Kind of experiment, one of ``codegen.bench.log.KINDS``.
        file_name: Of the log.
        headline: What was measured, one line.
        ratios: Estimates by the keys of ``RATIOS``.
        curves: To draw.
        x_label: Of the pictures' horizontal axis.
        log_log: Whether the picture has logarithmic axes.
        notes: What was found odd, how it was mended, what was assumed.
        misfit: Residual over what sensor noise explains, where that is known; 1 means that the model misses nothing.
    """

    kind: str
    file_name: str
    headline: str
    ratios: Mapping[str, Estimate]
    curves: tuple[Curve, ...]
    x_label: str = "time, s"
    log_log: bool = False
    notes: tuple[str, ...] = ()
    misfit: float | None = None


def estimate_ratio(key: str, value: float, widths: tuple[float, float], floor: float, source: str) -> Estimate:
    """An estimate of a ratio; ``widths`` are (half-width, nominal half-width)."""
    name, unit = RATIOS[key]
    return Estimate(name, unit, value, widths[0], widths[1], floor, source)
