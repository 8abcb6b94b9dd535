"""Torque constant against velocity constant: one motor, several customs of stating them.

Takes the two quantities, gives the likely mix-up in words, or nothing if they agree.

In this project the torque constant equals the back-EMF constant (a direct-current motor, or what an
electronically commutated motor looks like from its supply): K_t = 60/(2 pi K_v). Write E for the back-EMF of
one phase per rad/s (peak). Then data sheets of three-phase motors may state, per rad/s or per ampere:

* peak voltage between two lines, sqrt(3) E; its mean over block commutation, (3 sqrt(3)/pi) E; one phase, E;
* torque with sinusoidal currents, (3/2) E per ampere of phase peak, (3/sqrt(2)) E per ampere RMS.

Ratios of these are the factors below. Source of the first: "motor constants" article of source-robotics.com,
K_t = 8.27/K_v for sinusoidal current and line-to-line K_v; the others are ratios of the expressions above
(own derivation).
"""

from __future__ import annotations

import math

from codegen.build.quantity import Quantity

RPM_PER_RAD_S = 60 / (2 * math.pi)
TOLERANCE = 0.05
RECOGNITION = 0.02

_MIX_UPS = (
    (2 / math.sqrt(3), "line-to-line back-EMF against torque per ampere of sinusoidal phase current"),
    (
        2 * math.sqrt(3) / math.pi,
        "block-commutated (mean) line-to-line back-EMF against torque per ampere of sinusoidal phase current",
    ),
    (math.sqrt(3 / 2), "peak line-to-line back-EMF against torque per ampere RMS"),
    (math.sqrt(2), "peak against RMS values"),
    (math.sqrt(3), "line-to-line against phase values"),
    (RPM_PER_RAD_S, "turns per minute against radians per second"),
    (1000.0, "a slip of thousand (mN m against N m)"),
)


def explain_torque_constant(torque_constant: Quantity, velocity_constant: Quantity) -> tuple[str, str] | None:
    """Return (what is wrong, how to mend it) if the constants of a motor disagree by over 5 %, else None.

    Args:
        torque_constant: K_t in N m/A.
        velocity_constant: K_v in rpm/V (no-load speed per volt).
    """
    low = torque_constant.low * velocity_constant.low / RPM_PER_RAD_S
    high = torque_constant.high * velocity_constant.high / RPM_PER_RAD_S
    if low <= 1 + TOLERANCE and high >= 1 / (1 + TOLERANCE):
        return None
    ratio = torque_constant.value * velocity_constant.value / RPM_PER_RAD_S
    expected = RPM_PER_RAD_S / velocity_constant.value
    factor = max(ratio, 1 / ratio)
    what = (
        f"the torque constant {torque_constant.value:.4g} N m/A is {ratio:.4g} times the {expected:.4g} "
        f"N m/A that belong to the velocity constant {velocity_constant.value:.4g} rpm/V"
    )
    for known, words in _MIX_UPS:
        if abs(factor / known - 1) < RECOGNITION:
            what += f"; a factor of {known:.4g} is the usual mix-up of {words}"
            break
    remedy = (
        "measure one of the two (turn the motor and read volts per rad/s) and use K_t = 9.549/K_v, "
        f"here {expected:.4g}, or leave velocity_constant_rpm_per_v out"
    )
    return what, remedy
