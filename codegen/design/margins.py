"""Robustness of a loop: how far it is from instability, read from its frequency response and its eigenvalues.

Takes a loop transfer function L (any callable), or gains and a machine; gives :class:`Margins`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product
from math import inf, pi

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize_scalar

from codegen.design.gains import Gains
from codegen.design.loop import LoopResponse, close_loop
from codegen.plant import Plant

Frequencies = NDArray[np.float64]
Loop = Callable[[Frequencies], NDArray[np.complex128]]

GRAVITY_CHANGE, INERTIA_CHANGE, TORQUE_CHANGE, LATE_TICKS = 0.10, 0.15, 0.20, 2
"""How far the corners lie from the nominal machine; common practice, no source."""

_GRID_POINTS = 1200


@dataclass(frozen=True)
class Margins:
    """Distances from instability of a loop L with 1 + L = 0 at its edge.

    Attributes:
        stable: Whether the exact closed loop is stable; the other figures mean little if it is not.
        spectral_radius: Largest eigenvalue magnitude over one outer period; nan where only L is known.
        peak_sensitivity: Ms = max |1/(1 + L)|; the curve keeps 1/Ms away from -1.
        disk_margin: alpha = 1/max |(S - T)/2|: gain and phase may vary together within the disk of this size.
        gain_margin_down: Largest factor below 1 that reaches the edge of stability; 0 if none.
        gain_margin_up: Smallest factor above 1 that does; infinite if none.
        phase_margin_rad: Least phase at a gain crossing, of either sign.
        delay_margin_s: Least extra delay that reaches the edge of stability; infinite without a gain
            crossing.
        crossover_rad_s: Highest frequency at which |L| = 1; 0 if there is none.
    """

    stable: bool
    spectral_radius: float
    peak_sensitivity: float
    disk_margin: float
    gain_margin_down: float
    gain_margin_up: float
    phase_margin_rad: float
    delay_margin_s: float
    crossover_rad_s: float


NO_MARGINS = Margins(False, float("nan"), inf, 0.0, 1.0, 1.0, 0.0, 0.0, 0.0)
"""Of a law that is linear nowhere."""


@dataclass(frozen=True)
class Corner:
    """A machine that differs from the nominal one: factors on G, I and torque, and extra ticks of delay."""

    gravity: float = 1.0
    inertia: float = 1.0
    torque: float = 1.0
    late_ticks: int = 0

    @property
    def label(self) -> str:
        """Words such as ``gravity torque +10 %, 2 ticks later``."""
        parts = [
            f"{name} {100.0 * (factor - 1.0):+.0f} %"
            for name, factor in (
                ("gravity torque", self.gravity),
                ("inertia", self.inertia),
                ("torque", self.torque),
            )
            if factor != 1.0
        ]
        if self.late_ticks:
            parts.append(f"{self.late_ticks} ticks later")
        return ", ".join(parts) if parts else "nominal"

    def machine(self, plant: Plant) -> Plant:
        """The plant at this corner; the torque factor is not part of it."""
        return replace(
            plant,
            gravity_torque_n_m=plant.gravity_torque_n_m * self.gravity,
            body_inertia_kg_m2=plant.body_inertia_kg_m2 * self.inertia,
            latency_s=plant.latency_s + self.late_ticks * plant.period_s,
        )


def corners() -> tuple[Corner, ...]:
    """Each change by itself, then all combinations of them together with the extra delay: 15 machines."""
    gravity = (1.0 - GRAVITY_CHANGE, 1.0 + GRAVITY_CHANGE)
    inertia = (1.0 - INERTIA_CHANGE, 1.0 + INERTIA_CHANGE)
    torque = (1.0 - TORQUE_CHANGE, 1.0 + TORQUE_CHANGE)
    single = (
        *(Corner(gravity=factor) for factor in gravity),
        *(Corner(inertia=factor) for factor in inertia),
        *(Corner(torque=factor) for factor in torque),
        Corner(late_ticks=LATE_TICKS),
    )
    return *single, *(Corner(*factors, LATE_TICKS) for factors in product(gravity, inertia, torque))


def find_margins(gains: Gains, corner: Corner = Corner()) -> Margins:
    """Margins at the torque command of the gains on their machine, or on one at ``corner``.

    Stability is exact; the other figures read the frequency response, in which the outer loop's mean and
    hold stand for its slow sampling (see :mod:`codegen.design.loop`).
    """
    plant = corner.machine(gains.plant)
    radius = close_loop(gains, plant, corner.torque).spectral_radius()
    loop = LoopResponse(gains, plant, corner.torque)
    slowest = min(gains.trim_pole_rad_s, gains.outer_pole_rad_s)
    frequencies = np.geomspace(1e-4 * slowest, pi / plant.period_s, _GRID_POINTS)
    return read_margins(loop.response, frequencies, stable=radius < 1.0, spectral_radius=radius)


def read_margins(
    loop: Loop, frequencies_rad_s: Frequencies, *, stable: bool = True, spectral_radius: float = float("nan")
) -> Margins:
    """Margins of the loop transfer function ``loop`` within the ascending ``frequencies_rad_s`` (k,).

    The grid only has to separate the crossings and peaks; each is then refined. A real end point of the
    range (zero frequency, or half the sampling rate) counts as a crossing of the real axis.
    Source: Astrom, Murray, *Feedback Systems* (2008), section 9.3 (margins and Ms, from memory); Seiler,
    Packard, Gahinet, *An Introduction to Disk Margins*, IEEE Control Systems 40(5) (2020), eq. for skew 0
    (from memory).
    """
    grid = np.asarray(frequencies_rad_s, dtype=np.float64)
    values = loop(grid)

    def at(frequency: float) -> complex:
        return complex(loop(np.array([frequency]))[0])

    peak = _peak(lambda value: np.abs(1.0 / (1.0 + value)), at, grid, values)
    disk = _peak(lambda value: np.abs(0.5 * (1.0 - value) / (1.0 + value)), at, grid, values)
    factors = [1.0 / -value for value in _real_crossings(at, grid, values) if value < 0.0]
    phases = []
    crossings = _roots(lambda frequency: abs(at(frequency)) - 1.0, grid, np.abs(values) - 1.0)
    for frequency in crossings:
        phases.append(float(np.angle(-at(frequency))))
    return Margins(
        stable=stable,
        spectral_radius=spectral_radius,
        peak_sensitivity=peak,
        disk_margin=1.0 / disk,
        gain_margin_down=max((factor for factor in factors if factor < 1.0), default=0.0),
        gain_margin_up=min((factor for factor in factors if factor > 1.0), default=inf),
        phase_margin_rad=min((abs(phase) for phase in phases), default=pi),
        delay_margin_s=min((phase % (2.0 * pi) / w for phase, w in zip(phases, crossings, strict=True)), default=inf),
        crossover_rad_s=max(crossings, default=0.0),
    )


def _peak(
    size: Callable[[NDArray[np.complex128]], NDArray[np.float64]],
    at: Callable[[float], complex],
    grid: Frequencies,
    values: NDArray[np.complex128],
) -> float:
    """Largest ``size`` of the loop, refined between the neighbours of the largest grid point."""
    sizes = size(values)
    best = int(np.argmax(sizes))
    low, high = grid[max(0, best - 1)], grid[min(len(grid) - 1, best + 1)]
    refined = minimize_scalar(lambda w: -float(size(np.array([at(w)]))[0]), bounds=(low, high), method="bounded")
    return max(float(sizes[best]), -float(refined.fun))


def _real_crossings(at: Callable[[float], complex], grid: Frequencies, values: NDArray[np.complex128]) -> list[float]:
    """Real values of the loop where its curve crosses the real axis."""
    roots = _roots(lambda frequency: at(frequency).imag, grid, values.imag)
    ends = [value.real for value in (values[0], values[-1]) if abs(value.imag) < 1e-4 * abs(value.real)]
    return [at(root).real for root in roots] + [float(end) for end in ends]


def _roots(function: Callable[[float], float], grid: Frequencies, values: NDArray[np.float64]) -> list[float]:
    """Zeros of ``function`` between grid points at which its ``values`` change sign."""
    changes = np.flatnonzero(np.sign(values[:-1]) * np.sign(values[1:]) < 0)
    return [float(brentq(function, grid[at], grid[at + 1], xtol=1e-12, rtol=1e-12)) for at in changes]
