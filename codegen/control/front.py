"""The front between calm and pokes: the best free numbers of a structure at every rate of pokes, and its bend.

Takes a design; gives :class:`FrontPoint` after point. Every figure is that of the linear loop read from the structure's graph (discrete
Lyapunov equation); what limits, friction and cogging add is seen in flights only.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import degrees, exp, log, pi, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from codegen.control.balance import ARMED_REGIME
from codegen.control.examine import LinearLoop
from codegen.control.price import Price, optimal_loop, set_price
from codegen.control.structures import trace_controller
from codegen.design import Design
from codegen.design.gains import friendly
from codegen.design.goals import PEAK_SENSITIVITY_TARGET, Unknowns
from codegen.design.laws import CascadeLaw, FeedforwardLaw, FrictionObserverLaw, MomentumLaw, place_law
from codegen.errors import DesignError

POKE_RATES_HZ = (1e-4, 1e-3, 3e-3, 1e-2, 3e-2, 1e-1)
"""Pokes per second, from a locked room to a school class."""

LONGEST_FILTER_S, SHORTEST_FILTER_S = 30.0, 0.5
LEAST_TRIM_PARTS = 40.0
_EVALUATIONS, _FIRST_EVALUATIONS = 60, 120
_GRID_POINTS = 120
_PENALTY = 20.0
BEND_ROOM = 0.1
SWING_S = 2.0

Vector = NDArray[np.float64]


@dataclass(frozen=True)
class FrontPoint:
    """The best of a structure at one rate of pokes.

    Attributes:
        pokes_hz: mu.
        design: With the free numbers found.
        tilt_rms_deg, torque_rms_percent, wheel_rms_rad_s: At rest, by sensor noise and quantisers.
        poke_peak_deg: Largest tilt after a poke of a tenth of the recoverable one.
        peak_sensitivity: Ms.
        cost, least_cost: Of this loop, and of the LQG optimum that knows the machine exactly.
        least_tilt_deg, least_torque_percent, least_peak_deg: The optimum's own figures.
    """

    pokes_hz: float
    design: Design
    tilt_rms_deg: float
    torque_rms_percent: float
    wheel_rms_rad_s: float
    poke_peak_deg: float
    peak_sensitivity: float
    cost: float
    least_cost: float
    least_tilt_deg: float
    least_torque_percent: float
    least_peak_deg: float

    @property
    def excess(self) -> float:
        """Cost over the least possible one."""
        return self.cost / self.least_cost


@dataclass(frozen=True)
class FreeNumber:
    """One number that the front may choose."""

    name: str
    low: float
    high: float


def free_numbers(design: Design, unknowns: Unknowns) -> tuple[FreeNumber, ...]:
    """The free numbers of a structure and how far each may go.

    The filter time is limited by what it makes of the unknown gyro bias: with the balance angle it must stay inside half the cut-off,
    as the trim range is chosen. The trim must learn within seconds.
    """
    rate = design.plant.divergence_rad_s
    longest = LONGEST_FILTER_S
    if unknowns.bias_rad_s > 0.0:
        room = max(0.0, 0.5 * design.stop_tilt_rad - unknowns.offset_rad)
        longest = min(longest, max(2.0 * SHORTEST_FILTER_S, room / unknowns.bias_rad_s))
    numbers = [
        FreeNumber("outer_pole_rad_s", rate / 30.0, rate / 2.0),
        FreeNumber("trim_pole_rad_s", rate / LEAST_TRIM_PARTS, rate / 3.0),
        FreeNumber("filter_time_s", SHORTEST_FILTER_S, longest),
    ]
    if isinstance(design.law, MomentumLaw | FrictionObserverLaw | FeedforwardLaw):
        fastest = max(0.35 / design.limits.dead_time_s, 2.0 * rate)
        numbers.insert(0, FreeNumber("inner_pole_rad_s", 1.2 * rate, fastest))
    if isinstance(design.law, FrictionObserverLaw):
        numbers.append(FreeNumber("observer_pole_rad_s", 0.2 * rate, 8.0 * rate))
    return tuple(numbers)


def with_numbers(design: Design, numbers: dict[str, float]) -> Design:
    """The design with free numbers in the place of its own; gains follow, limits stay."""
    plant = design.plant
    rate, gravity = plant.divergence_rad_s, plant.gravity_torque_n_m
    inner = numbers.get("inner_pole_rad_s", design.inner_pole_rad_s)
    outer = numbers.get("outer_pole_rad_s", design.outer_pole_rad_s)
    lean_gain = plant.body_inertia_kg_m2 * rate * inner
    changed = replace(
        design,
        inner_pole_rad_s=inner,
        lean_gain_n_m_per_rad=lean_gain,
        proportional_n_m_per_rad=gravity + lean_gain,
        derivative_n_m_s_per_rad=(gravity + lean_gain) / rate,
        outer_pole_rad_s=outer,
        momentum_gain_rad_per_n_m_s=outer / gravity,
        trim_pole_rad_s=numbers.get("trim_pole_rad_s", design.trim_pole_rad_s),
        filter_time_s=numbers.get("filter_time_s", design.filter_time_s),
    )
    return replace(changed, law=place_law(design.law.structure, changed, numbers.get("observer_pole_rad_s", _observer(design))))


def _observer(design: Design) -> float | None:
    return design.law.observer_pole_rad_s if isinstance(design.law, FrictionObserverLaw) else None


def has_front(design: Design) -> bool:
    """Whether the structure has free numbers to choose from."""
    return isinstance(design.law, MomentumLaw | FrictionObserverLaw | FeedforwardLaw | CascadeLaw)


def find_front(
    design: Design,
    unknowns: Unknowns,
    rates_hz: Sequence[float] = POKE_RATES_HZ,
    progress: Callable[[float], None] = lambda share: None,
) -> tuple[FrontPoint, ...]:
    """The front of a structure, by rising rate of pokes; each search begins at what the one before found.

    Raises:
        DesignError: The structure has no free numbers.
    """
    if not has_front(design):
        raise DesignError(
            f"the structure {design.law.structure} has no free numbers to weigh calm against pokes with",
            "design.structure",
            'write structure = "momentum", "friction_observer", "cascade" or "feedforward" in [design]',
        )
    free = free_numbers(design, unknowns)
    low, high = np.log([number.low for number in free]), np.log([number.high for number in free])
    start = np.clip(np.log([_present(design, number.name) for number in free]), low, high)
    points = []
    # From the middle outwards, so that each search starts next to where it ends.
    order = sorted(range(len(rates_hz)), key=lambda at: abs(at - len(rates_hz) // 2))
    found: dict[int, Vector] = {}
    for done, at in enumerate(order):
        near = min(found, key=lambda other: abs(other - at), default=None)
        begin = start if near is None else found[near]
        price = set_price(design.plant, rates_hz[at])
        found[at] = _search(design, free, price, begin, low, high, _FIRST_EVALUATIONS if near is None else _EVALUATIONS)
        points.append((at, judge_point(with_numbers(design, _friendly(free, found[at])), price)))
        progress((done + 1) / len(order))
    return tuple(point for _, point in sorted(points, key=lambda pair: pair[0]))


def _present(design: Design, name: str) -> float:
    if name == "observer_pole_rad_s":
        return _observer(design) or design.plant.divergence_rad_s
    return float(getattr(design, name))


def _friendly(free: Sequence[FreeNumber], logs: Vector) -> dict[str, float]:
    return {number.name: friendly(exp(value)) for number, value in zip(free, logs, strict=True)}


def _search(
    design: Design, free: Sequence[FreeNumber], price: Price, begin: Vector, low: Vector, high: Vector, evaluations: int
) -> Vector:
    grid = np.geomspace(0.02 * design.plant.divergence_rad_s, pi / design.plant.period_s, _GRID_POINTS)

    def cost(logs: Vector) -> float:
        inside = np.clip(logs, low, high)
        outside = float(np.sum(np.abs(logs - inside)))
        loop = _loop(with_numbers(design, {n.name: exp(v) for n, v in zip(free, inside, strict=True)}))
        try:
            paid = price.cost(loop.closed())
        except DesignError:
            return 1e12
        peak = float(np.max(1.0 / np.abs(1.0 + loop.opened()(grid))))
        # A robust loop is asked for, so a peak beyond the target costs more than any calm is worth.
        return log(paid) + _PENALTY * max(0.0, peak - PEAK_SENSITIVITY_TARGET) + outside

    best = begin
    # A simplex that has run into a limit lies flat in it: begin anew from what it found, with smaller steps.
    for step in (0.35, 0.2):
        simplex = np.vstack([best, best + step * np.where(best + step > high, -1.0, 1.0)[:, None] * np.eye(len(best))])
        result = minimize(
            cost,
            best,
            method="Nelder-Mead",
            options={"maxfev": evaluations, "xatol": 0.01, "fatol": 2e-4, "initial_simplex": simplex},
        )
        best = np.clip(np.asarray(result.x, dtype=np.float64), low, high)
    return best


def _loop(design: Design) -> LinearLoop:
    return LinearLoop(trace_controller(design, "controller", ""), design.plant, ARMED_REGIME)


def judge_point(design: Design, price: Price) -> FrontPoint:
    """The figures of a design at one rate of pokes, beside those of the LQG optimum."""
    loop, best = _loop(design), optimal_loop(design.plant, price)
    closed = loop.closed()
    rest, least = closed.covariance(), best.covariance()
    ticks = round(SWING_S / design.plant.period_s)
    percent = 100.0 / design.plant.torque_limit_n_m
    grid = np.geomspace(0.02 * design.plant.divergence_rad_s, pi / design.plant.period_s, _GRID_POINTS)
    return FrontPoint(
        pokes_hz=price.pokes_hz,
        design=design,
        tilt_rms_deg=degrees(sqrt(rest.tilt)),
        torque_rms_percent=percent * sqrt(rest.command),
        wheel_rms_rad_s=sqrt(rest.wheel),
        poke_peak_deg=degrees(closed.poke_peak(price.poke_rad_s, ticks)),
        peak_sensitivity=float(np.max(1.0 / np.abs(1.0 + loop.opened()(grid)))),
        cost=price.cost(closed),
        least_cost=price.cost(best),
        least_tilt_deg=degrees(sqrt(least.tilt)),
        least_torque_percent=percent * sqrt(least.command),
        least_peak_deg=degrees(best.poke_peak(price.poke_rad_s, ticks)),
    )


def find_bend(points: Sequence[FrontPoint]) -> int:
    """Where the front bends: the calmest point whose poke peak is within a tenth of the smallest; beyond, effort buys next to nothing."""
    smallest = min(point.poke_peak_deg for point in points)
    return next(at for at, point in enumerate(points) if point.poke_peak_deg <= (1.0 + BEND_ROOM) * smallest)
