"""Error bounds: how far the integers can be from the float64 reference, after one tick, many ticks, and in closed loop.

Takes a ``FixedGraph`` (for the loop also the linear plant around it), gives bounds with their largest contributors.

* One tick: both readings start from the same memory and inputs; clamps may act; exact rationals (``codegen.rules.rounding``).
* Many ticks and closed loop: while no clamp acts the error obeys x' = A x + E e with |e| <= the local bound of each rounding, so
  |y| <= sum over past ticks of |C A .. A E| e, the worst-case peak gain of a periodically time-varying system; one outer period
  has its own matrices.  The sum is taken in float64 over absolute values, the rest by a geometric tail from powers of the
  one-period matrix (as in ``codegen.peak_gain``), and raised by one part in 10^6 for the float64 arithmetic of the sum itself.

The many-tick and closed-loop bounds compare with the reference that has the *realised* gains: a gain that is rounded is another
design (its share is in the one-tick bound, and its effect on the loop is seen in the realised gains' own stability).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from codegen.errors import GraphError
from codegen.graph import Graph, Product, Shorten, WeightedSum
from codegen.rules.fixed import FixedGraph, SumDetail
from codegen.rules.linear import LinearController, LinearMap, Regime, linearise_graph
from codegen.rules.rounding import Errors, half_up_error, trace_errors

Matrix = NDArray[np.float64]
FLOAT_ROOM = 1.0 + 1e-6
TOP = 3
MOST_PERIODS = 20_000
# Where every tick is alike, so many ticks stand for a period: a controller without a slow section is no faster to settle.
FEWEST_PHASES = 5
# Errors that fade by less than this factor per outer period are taken to stay.
SLOWEST_FADING = 1.0 - 1e-4


@dataclass(frozen=True)
class SignalBound:
    """Bound of one signal's error.

    Attributes:
        name: Signal.
        unit: Its unit.
        low, high: Interval of fixed minus float64, in the unit.
        counts: Largest magnitude in counts of the signal.
        contributors: The largest sources, (label, magnitude in the unit).
    """

    name: str
    unit: str
    low: float
    high: float
    counts: float
    contributors: tuple[tuple[str, float], ...]

    @property
    def magnitude(self) -> float:
        """Largest magnitude in the unit."""
        return max(-self.low, self.high)


def round_up(value: float) -> float:
    """``value`` >= 0 raised to six significant digits, so that the last bits of linear algebra do not show in what is compared."""
    if value == 0.0:
        return 0.0
    unit = 10.0 ** (math.floor(math.log10(value)) - 5)
    raised = float(f"{math.ceil(value / unit) * unit:.6g}")
    return raised if raised >= value else float(f"{(math.ceil(value / unit) + 1) * unit:.6g}")


def _outward(low: Fraction, high: Fraction) -> tuple[float, float]:
    """Float64 ends that do not cut the interval."""
    down, up = float(low), float(high)
    down = math.nextafter(down, -math.inf) if Fraction(down) > low else down
    up = math.nextafter(up, math.inf) if Fraction(up) < high else up
    return down, up


def bound_one_tick(fixed: FixedGraph) -> tuple[dict[str, SignalBound], dict[str, tuple[float, float]]]:
    """One-tick bound of every number and margin of every comparison."""
    errors = trace_errors(fixed)
    bounds: dict[str, SignalBound] = {}
    for name, form in errors.forms.items():
        node = fixed.graph.nodes[name]
        if node.is_bool:
            continue
        low, high = errors.bound(form)
        counts = max(-low, high) / fixed.formats[name].lsb
        top = tuple((label, float(size)) for label, size in errors.contributions(form)[:TOP])
        bounds[name] = SignalBound(name, node.unit, *_outward(low, high), float(counts) * (1 + 2**-50), top)
    margins = {name: _outward(low, high) for name, (low, high) in errors.margins.items()}
    return bounds, margins


def local_errors(fixed: FixedGraph) -> dict[str, float]:
    """Largest error that each rounding node adds in one tick against the realised gains, in its unit."""
    result: dict[str, float] = {}
    errors = Errors(fixed)
    for name, node in fixed.graph.nodes.items():
        shift = getattr(fixed.details[name], "shift", 0)
        if isinstance(node, WeightedSum | Product | Shorten):
            low, high = half_up_error(shift, errors.fixed.formats[name].lsb)
            result[name] = max(_outward(-high, -low)[1], _outward(low, high)[1])
    return result


def with_realised_gains(fixed: FixedGraph) -> Graph:
    """The graph whose weights are what the integers realise."""
    nodes = dict(fixed.graph.nodes)
    for name, node in nodes.items():
        detail = fixed.details[name]
        if isinstance(node, WeightedSum) and isinstance(detail, SumDetail):
            lsb = fixed.formats[name].lsb / 2**detail.shift
            terms = tuple(
                replace(term, weight=float(weight * lsb / fixed.formats[term.name].lsb))
                for weight, term in zip(detail.weights, node.terms, strict=True)
            )
            nodes[name] = replace(node, terms=terms, bias=float(detail.bias * lsb))
    return fixed.graph.with_nodes(nodes)


@dataclass(frozen=True)
class PlantLoop:
    """The linear plant around a controller, over one tick.

    Attributes:
        states: Names of its n states.
        A: (n, n).
        B: (n,), per unit of the controller's command output.
        readings: Per controller input, (n,): the real reading at the tick.
        observed: Per quantity of interest (true tilt, wheel speed), (n,) and unit.
    """

    states: tuple[str, ...]
    A: Matrix
    B: Matrix
    readings: Mapping[str, Matrix]
    observed: Mapping[str, tuple[Matrix, str]]


@dataclass(frozen=True)
class LoopBounds:
    """Closed-loop error bounds, linear regime.

    Attributes:
        spectral_radius: Of one outer period with the realised gains; stable exactly if below 1.
        bounds: Per observed quantity and for the command.
    """

    spectral_radius: float
    bounds: Mapping[str, SignalBound]


def bound_many_ticks(fixed: FixedGraph, regime: Regime, signals: tuple[str, ...]) -> tuple[dict[str, SignalBound], str]:
    """Bounds that hold for ever while no clamp acts, or the reason why there are none."""
    try:
        linear = linearise_graph(with_realised_gains(fixed), regime, signals)
    except GraphError as error:
        return {}, error.message()
    radius = _period_radius(linear.ordinary.A, linear.outer.A, linear.slow_every)
    if radius >= SLOWEST_FADING:
        return {}, (
            f"the controller by itself keeps errors (an integrator: spectral radius {radius:.9g} per outer period), so no finite bound "
            "exists or none that says anything"
        )
    units = {name: (fixed.graph.nodes[name].unit, float(fixed.formats[name].lsb)) for name in signals}
    return _periodic_bounds(linear, local_errors(fixed), units), ""


def bound_closed_loop(fixed: FixedGraph, regime: Regime, plant: PlantLoop, command: str) -> LoopBounds:
    """Bounds of the loop's quantities while no clamp acts.

    Raises:
        GraphError: The controller is not linear in the regime.
    """
    controller = linearise_graph(with_realised_gains(fixed), regime, (command,))
    loop = _close(controller, plant, fixed.graph)
    units = {name: (unit, 1.0) for name, (_, unit) in plant.observed.items()}
    units[command] = (fixed.graph.nodes[command].unit, float(fixed.formats[command].lsb))
    radius = _period_radius(loop.ordinary.A, loop.outer.A, loop.slow_every)
    if radius >= SLOWEST_FADING:
        return LoopBounds(radius, {})
    return LoopBounds(radius, _periodic_bounds(loop, local_errors(fixed), units))


def _close(controller: LinearController, plant: PlantLoop, graph: Graph) -> LinearController:
    """Controller and plant as one system driven by rounding errors."""
    n, r = len(plant.states), len(controller.errors)
    read = np.array([plant.readings.get(name, np.zeros(n)) for name in controller.inputs]).reshape(len(controller.inputs), n)
    seen = np.array([row for row, _ in plant.observed.values()]).reshape(len(plant.observed), n)

    def close(step: LinearMap) -> LinearMap:
        command_row = np.hstack([step.D @ read, step.C])
        upper = np.hstack([plant.A, np.zeros((n, step.A.shape[0]))]) + np.outer(plant.B, command_row[0])
        lower = np.hstack([step.B @ read, step.A])
        inject = np.vstack([np.outer(plant.B, step.F[0]), step.E])
        watch = np.vstack([np.hstack([seen, np.zeros((seen.shape[0], step.A.shape[0]))]), command_row])
        through = np.vstack([np.zeros((seen.shape[0], r)), step.F])
        size = n + step.A.shape[0]
        return LinearMap(np.vstack([upper, lower]), np.zeros((size, 0)), inject, watch, np.zeros((watch.shape[0], 0)), through)

    return LinearController(
        plant.states + controller.states,
        (),
        controller.errors,
        (*plant.observed, *controller.signals),
        close(controller.ordinary),
        close(controller.outer),
        controller.slow_every,
    )


def _period_radius(ordinary: Matrix, outer: Matrix, slow_every: int) -> float:
    if ordinary.shape[0] == 0:
        return 0.0
    radius = np.max(np.abs(np.linalg.eigvals(outer @ np.linalg.matrix_power(ordinary, slow_every - 1))))
    return float(f"{radius:.9f}")


def _periodic_bounds(
    system: LinearController, local: Mapping[str, float], units: Mapping[str, tuple[str, float]]
) -> dict[str, SignalBound]:
    """Peak gain from every error to every signal, worst over the phases of the outer period."""
    n, count, phases = len(system.states), len(system.signals), system.slow_every
    size = np.array([local[name] for name in system.errors])
    slow_at = phases - 1
    # rows[phase, signal] is the signal's row propagated back to the tick now looked at.
    rows = np.repeat(system.ordinary.C[None], phases, axis=0)
    rows[slow_at] = system.outer.C
    shares = np.repeat(np.abs(system.ordinary.F)[None] * size, phases, axis=0)
    shares[slow_at] = np.abs(system.outer.F) * size
    if n:
        period = system.outer.A @ np.linalg.matrix_power(system.ordinary.A, phases - 1)
        scale, reach = _reachable(system, period, size)
        for age in range(1, MOST_PERIODS * max(phases, FEWEST_PHASES)):
            # The phase that met the slow tick ``age`` ticks ago.
            at = (slow_at + age) % phases
            contribution = np.abs(rows @ system.ordinary.E) * size
            contribution[at] = np.abs(rows[at] @ system.outer.E) * size
            shares += contribution
            moved = rows @ system.ordinary.A
            moved[at] = rows[at] @ system.outer.A
            rows = moved
            if age % phases == 0:
                tail = np.max(np.abs(rows) @ scale, axis=0) * reach
                if np.all(tail <= 1e-4 * np.max(shares.sum(axis=2), axis=0) + 1e-300):
                    break
        tail = np.abs(rows) @ scale * reach
    else:
        tail = np.zeros((phases, count))
    totals = shares.sum(axis=2) + tail
    result: dict[str, SignalBound] = {}
    for index, name in enumerate(system.signals):
        worst = int(np.argmax(totals[:, index]))
        bound = round_up(float(totals[worst, index]) * FLOAT_ROOM)
        order = np.argsort(-shares[worst, index])[:TOP]
        seen = [(system.errors[at], float(shares[worst, index, at])) for at in order]
        top = tuple((f"rounding of {source}", round_up(share)) for source, share in seen if share > 0.0)
        unit, lsb = units[name]
        result[name] = SignalBound(name, unit, -bound, bound, bound / lsb, top)
    return result


def _reachable(system: LinearController, period: Matrix, size: Matrix) -> tuple[Matrix, float]:
    """A scale per state and a number s such that the state's error at the end of a period never exceeds s times the scale.

    With D the scale: |x| <= sum over i of |P^i| b, b the error that one period injects; in the norm max |x/D| that is at most
    (sum over j < m of ||P^j||) / (1 - ||P^m||) * ||b||.
    """
    injected = np.zeros(period.shape[0])
    through = np.eye(period.shape[0])
    injected += np.abs(system.outer.E) @ size
    through = system.outer.A
    for _ in range(system.slow_every - 1):
        injected += np.abs(through @ system.ordinary.E) @ size
        through = through @ system.ordinary.A
    # A scale in which the period contracts: the errors one sees when periods pile up a while.
    scale, power = injected + 1e-30, np.eye(period.shape[0])
    for _ in range(200):
        power = period @ power
        scale = scale + np.abs(power) @ injected
    scale = np.maximum(scale, 1e-9 * np.max(scale))
    reach, power, total = 0.0, np.eye(period.shape[0]), 0.0
    for _ in range(MOST_PERIODS):
        norm = float(np.max(np.abs(power) @ scale / scale))
        if norm < 0.5 and total > 0.0:
            reach = total / (1.0 - norm) * float(np.max(injected / scale))
            return scale, reach
        total += norm
        power = period @ power
    raise GraphError("errors fade too slowly for a bound", system.states[0], "move the slowest pole further inside")
