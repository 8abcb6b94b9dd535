"""Margins, fundamental limits and describing functions against published statements and worked examples.

Sources, named at each check; "memory" means recalled from the source and recomputed, not read again:

* Hurak, *Optimal and Robust Control*, lecture notes, Czech Technical University, "Limitations of SISO loops".
* Astrom, *Limitations on Control System Performance*, European Journal of Control 6 (2000) (memory).
* Seron, Braslavsky, Goodwin, *Fundamental Limitations in Filtering and Control*, 1997 (memory).
* Goodwin, Graebe, Salgado, *Control System Design*, ch. 9: cart pendulum (memory).
* Murray, homework 8 of Caltech CDS 101 (Bode's integral).
* Sung, Hara, *Properties of sensitivity and complementary sensitivity functions in single-input single-output digital
  control systems*, Int. J. Control 48 (1988): Bode's integral of sampled loops (memory).
* Astrom, Hagglund, *PID Controllers*, 2nd ed., ch. 4: ultimate gain of 1/(s + 1)^3 (memory).
* Kitz, Brehin, Sander, Vestergaard, Villarmarzo Arrunada, *Cubli: Dynamic Control of a Reaction Wheel Inverted
  Pendulum*, report 16gr630, Aalborg University, 2016 (state feedback, compensator; margins derived from them).
* Franklin, Powell, Emami-Naeini, *Feedback Control of Dynamic Systems*, 6th ed., ch. 9: describing functions and the
  limit cycles of its figures (numbers of the loop from the book's script set, answers memory).
* Documentation of the python-control library: limit cycle of a saturated third-order loop.
"""

from __future__ import annotations

import functools
import itertools
from collections.abc import Callable
from dataclasses import replace
from math import asin, degrees, exp, log, pi, radians, sqrt

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad

from codegen.design import find_limits
from codegen.design.closed_form import unstable_pole
from codegen.design.gains import Ceilings, Gains, Poles, place_gains
from codegen.design.limits import pole_delay_limit, pole_zero_peak
from codegen.design.loop import LoopResponse
from codegen.design.margins import Loop, find_margins, read_margins
from codegen.design.rest import limit_cycles, relay_gain
from codegen.plant import linearise
from tests.machines import LANTERNS, published_robot

GRID = np.geomspace(1e-4, 1e4, 4000)


def rational(numerator: list[float], denominator: list[float]) -> Loop:
    """Frequency response of a quotient of polynomials, highest power first."""

    def response(frequencies: NDArray[np.float64]) -> NDArray[np.complex128]:
        s = 1j * np.asarray(frequencies)
        return np.asarray(np.polyval(numerator, s) / np.polyval(denominator, s), dtype=np.complex128)

    return response


def lantern_gains(name: str) -> Gains:
    plant = LANTERNS[name]()
    rate = plant.divergence_rad_s
    ceilings = Ceilings(radians(3), radians(10), radians(40), radians(15), radians(30), 230.0, 25, 0.05)
    return place_gains(plant, Poles(60.0, rate / 6.0, rate / 10.0, 2.0), ceilings, 0.0)


def test_pole_and_zero() -> None:
    """Hurak: (s-4)/((s-1)(0.1s+1)) cannot have a peak below 5/3; checked on a loop that is stable, k = -0.5."""
    assert pole_zero_peak(1.0, 4.0) == pytest.approx(5.0 / 3.0)

    gain = -0.5
    closed = np.roots(np.polyadd(np.polymul([1.0, -1.0], [0.1, 1.0]), gain * np.array([1.0, -4.0])))
    assert np.all(closed.real < 0.0)
    loop = rational([gain, -4.0 * gain], list(np.polymul([1.0, -1.0], [0.1, 1.0])))
    assert read_margins(loop, GRID).peak_sensitivity >= 5.0 / 3.0


@pytest.mark.parametrize(("mass_ratio", "peak"), [(0.1, 41.98), (1.0, 5.83)])
def test_cart_pendulum_by_cart_position(mass_ratio: float, peak: float) -> None:
    """Goodwin, Graebe, Salgado: zero sqrt(g/l), pole sqrt(1 + m/M) times it."""
    zero = sqrt(9.81 / 0.5)

    assert pole_zero_peak(zero * sqrt(1.0 + mass_ratio), zero) == pytest.approx(peak, abs=0.005)


def test_wheel_speed_alone_is_hopeless() -> None:
    """The published robot's zero 9.495 and pole 9.911 rad/s allow no peak below 46.7 with wheel speed feedback alone."""
    limits = find_limits(published_robot(), 0.1)

    assert limits.divergence_rad_s == pytest.approx(9.911, abs=5e-4)
    assert limits.wheel_only_peak_sensitivity == pytest.approx(46.7, abs=0.05)


def test_static_tilt_of_the_published_robot() -> None:
    """asin(T/G) = 0.20444 rad with the consistent wheel arm (the report prints 0.2024 with another one)."""
    assert find_limits(published_robot(), 0.1).static_tilt_rad == pytest.approx(0.20444, abs=1e-5)


def test_pole_and_delay() -> None:
    """Astrom: with 45 degrees of phase margin p T <= 0.326 (0.326388 recomputed; 60 degrees: 0.2225)."""
    assert pole_delay_limit(radians(45.0)) == pytest.approx(0.326388, abs=1e-6)
    assert pole_delay_limit(radians(60.0)) == pytest.approx(0.2225, abs=5e-5)


def test_delay_bounds_the_complementary_sensitivity() -> None:
    """Seron, Braslavsky, Goodwin: max |T| >= exp(p t_d); 1.151 for the published robot with half a tick plus one."""
    late = replace(published_robot(), latency_s=0.01)

    assert find_limits(late, 0.1).dead_time_s == pytest.approx(0.015)
    assert find_limits(late, 0.1).dead_time_factor == pytest.approx(1.151, abs=1e-3)
    for name in LANTERNS:
        gains = lantern_gains(name)
        loop = LoopResponse(gains, gains.plant).response(np.geomspace(0.01, pi / 0.001, 4000))
        peak = np.max(np.abs(loop / (1.0 + loop)))
        assert peak >= exp(unstable_pole(gains.plant) * gains.plant.latency_s)


@pytest.mark.parametrize("name", LANTERNS)
def test_crossover_stays_below_the_inverse_delay(name: str) -> None:
    """Hurak: crossover below 1/dead time, and above twice the unstable pole."""
    gains = lantern_gains(name)
    limits = find_limits(gains.plant, 0.1)
    crossover = find_margins(gains).crossover_rad_s

    assert 2.0 * limits.unstable_pole_rad_s < crossover < 1.0 / limits.dead_time_s


def test_bode_integral_example() -> None:
    """Murray: L = 60(s+2)/((s^2-9)(s/50+1)) has the integral 3 pi; Ms = 1.5825 (derived)."""
    loop = rational([60.0, 120.0], list(np.polymul([1.0, 0.0, -9.0], [0.02, 1.0])))
    area, _ = quad(lambda w: -log(abs(1.0 + loop(np.array([w]))[0])), 0.0, np.inf, limit=500)

    assert area == pytest.approx(3.0 * pi, rel=1e-4)
    assert read_margins(loop, GRID).peak_sensitivity == pytest.approx(1.5825, abs=5e-5)


@pytest.mark.parametrize("name", LANTERNS)
def test_bode_integral_of_the_sampled_loop(name: str) -> None:
    """Sung, Hara: the mean of ln|S| over half the unit circle is the sum of ln|unstable poles|, here p T.

    With an outer tick at every tick, where the frequency response is exact.
    """
    gains = lantern_gains(name)
    plant = replace(gains.plant, outer_divider=1)
    gains = replace(gains, plant=plant)
    response = LoopResponse(gains, plant)

    def logarithm(angle: float) -> float:
        return -log(abs(1.0 + response.response(np.array([angle / plant.period_s]))[0]))

    edges = [1e-7, 1e-4, 1e-3, 0.01, 0.03, 0.1, 0.3, 1.0, pi]
    area = sum(quad(logarithm, low, high, limit=200)[0] for low, high in itertools.pairwise(edges))
    pole = max(np.linalg.eigvals(linearise(plant)[0]).real)

    assert area / pi == pytest.approx(pole * plant.period_s, rel=1e-3)


def test_ultimate_gain() -> None:
    """Astrom, Hagglund: 1/(s+1)^3 has the ultimate gain 8 at sqrt 3 rad/s."""
    margins = read_margins(rational([1.0], [1.0, 3.0, 3.0, 1.0]), GRID)

    assert margins.gain_margin_up == pytest.approx(8.0, rel=1e-9)
    at_edge = read_margins(rational([8.0 - 1e-9], [1.0, 3.0, 3.0, 1.0]), GRID)
    assert at_edge.crossover_rad_s == pytest.approx(sqrt(3.0), rel=1e-6)
    assert at_edge.phase_margin_rad == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(("filter_factor", "peak"), [(None, 2.13), (10.0, 2.24)])
def test_frequency_method_pid(filter_factor: float | None, peak: float) -> None:
    """Its PID by the frequency method, K = 4.8, Ti = 1.81, Td = 0.45: Ms 2.13 and 30.6 degrees (derived), N = 10: 2.24."""
    ku, tu = 8.0, 2.0 * pi / sqrt(3.0)
    gain, integral, derivative = 0.6 * ku, tu / 2.0, tu / 8.0
    lag = 0.0 if filter_factor is None else derivative / filter_factor
    numerator = [gain * integral * (derivative + lag), gain * (integral + lag), gain]
    denominator = np.polymul([integral, 0.0], [lag, 1.0])
    margins = read_margins(rational(numerator, list(np.polymul(denominator, [1.0, 3.0, 3.0, 1.0]))), GRID)

    assert margins.peak_sensitivity == pytest.approx(peak, abs=0.005)
    if filter_factor is None:
        assert degrees(margins.phase_margin_rad) == pytest.approx(30.6, abs=0.05)
        assert margins.crossover_rad_s == pytest.approx(1.375, abs=1e-3)


@pytest.mark.parametrize(("peak", "gain", "phase_deg"), [(1.4, 3.5, 41.85), (1.6, 2.667, 36.42), (2.0, 2.0, 28.96)])
def test_margins_from_the_peak(peak: float, gain: float, phase_deg: float) -> None:
    """Hurak: GM >= Ms/(Ms-1) and PM >= 2 asin(1/(2 Ms)), for a loop tuned to each peak and for the lanterns."""
    low, high = 0.1, 7.9
    for _ in range(60):
        middle = 0.5 * (low + high)
        found = read_margins(rational([middle], [1.0, 3.0, 3.0, 1.0]), GRID).peak_sensitivity
        low, high = (middle, high) if found < peak else (low, middle)
    loops = [read_margins(rational([low], [1.0, 3.0, 3.0, 1.0]), GRID)]

    assert peak / (peak - 1.0) == pytest.approx(gain, abs=5e-4)
    assert degrees(2.0 * asin(1.0 / (2.0 * peak))) == pytest.approx(phase_deg, abs=5e-3)
    for margins in loops + [find_margins(lantern_gains(name)) for name in LANTERNS]:
        worst = margins.peak_sensitivity
        assert margins.gain_margin_up >= worst / (worst - 1.0)
        assert margins.phase_margin_rad >= 2.0 * asin(1.0 / (2.0 * worst))


def test_state_feedback_of_the_published_robot() -> None:
    """K for poles -6, -7, -15, broken at the input, against the loop (closed - open)/open of the report's printed poles.

    Derived from those: crossover 25.13 rad/s, 65.0 degrees, |1 + L| >= 1.000.
    """
    opened, closed = np.poly([-10.5014, 9.3531, -0.0283]), np.poly([-6.0, -7.0, -15.0])
    printed = read_margins(rational(list(np.polysub(closed, opened)), list(opened)), GRID)
    motion, push = linearise(published_robot())
    law = np.array([-2.30210, -0.22742, -0.0038719])

    def loop(frequencies: NDArray[np.float64]) -> NDArray[np.complex128]:
        resolvent = 1j * frequencies[:, None, None] * np.eye(3) - motion
        shown = np.linalg.solve(resolvent, np.broadcast_to(push, (len(frequencies), 3, 1)))
        return np.asarray(shown[:, :, 0] @ law, dtype=np.complex128)

    margins = read_margins(loop, GRID)

    assert margins.crossover_rad_s == pytest.approx(25.13, abs=5e-3)
    assert margins.crossover_rad_s == pytest.approx(printed.crossover_rad_s, rel=1e-4)
    assert degrees(margins.phase_margin_rad) == pytest.approx(65.01, abs=5e-3)
    assert margins.phase_margin_rad == pytest.approx(printed.phase_margin_rad, rel=1e-4)
    assert 1.0 / margins.peak_sensitivity == pytest.approx(1.000, abs=5e-4)


def test_compensator_of_the_published_robot() -> None:
    """D(s) = -4583.5 (s+9.483)(s+1.599)/((s-5.539)(s+100)(s+200)) on the robot: Ms = 1.731 (derived), integral 46.78."""
    motion, push = linearise(published_robot())
    poles = np.poly(motion)
    # Tilt by torque: -(1/I) s over the characteristic polynomial (the wheel's drag adds nothing to the numerator's s).
    zeros = np.polymul([-4583.5], np.polymul([1.0, 9.483], [1.0, 1.599]))
    loop = rational(
        list(np.polymul(zeros, [float(push[1, 0]), 0.0])),
        list(np.polymul(poles, np.polymul([1.0, -5.539], np.polymul([1.0, 100.0], [1.0, 200.0])))),
    )
    margins = read_margins(loop, np.geomspace(1e-3, 1e5, 8000))
    area, _ = quad(lambda w: -log(abs(1.0 + loop(np.array([w]))[0])), 0.0, 1000.0, limit=2000)

    assert margins.peak_sensitivity == pytest.approx(1.731, abs=5e-4)
    assert area == pytest.approx(46.72, abs=0.01)
    assert pi * (9.3531 + 5.539) == pytest.approx(46.785, abs=1e-3)


def saturation(limit: float, amplitude: float) -> float:
    """Describing function of a saturation with slope 1 (Franklin, Powell, Emami-Naeini, figure 9.33's script)."""
    if amplitude <= limit:
        return 1.0
    ratio = limit / amplitude
    return 2.0 / pi * (asin(ratio) + ratio * sqrt(1.0 - ratio**2))


def test_describing_functions() -> None:
    """Relay 4 M/(pi A) = 1.273240, and the saturation used below: 0.608998 at twice the limit."""
    assert relay_gain(1.0, 1.0) == pytest.approx(1.273240, abs=1e-6)
    assert saturation(1.0, 2.0) == pytest.approx(0.608998, abs=1e-6)


@pytest.mark.parametrize(
    ("loop", "gain", "amplitude", "frequency", "printed"),
    [
        pytest.param(  # Franklin, Powell, Emami-Naeini: K_eq = 0.2, a = 0.63, w = 1 rad/s
            rational([1.0], [1.0, 0.2, 1.0, 0.0]), functools.partial(saturation, 0.1), 0.63397, 1.0, 1e-5, id="saturation"
        ),
        pytest.param(  # python-control's documentation: (3.344, 1.414)
            rational([8.0], [1.0, 2.0, 2.0, 1.0]), functools.partial(saturation, 1.0), 3.343999, sqrt(2.0), 1e-6, id="third order"
        ),
        pytest.param(  # relay on 1/(s+1)^3: a = 4/(8 pi), T = 2 pi/sqrt 3
            rational([1.0], [1.0, 3.0, 3.0, 1.0]),
            functools.partial(relay_gain, 1.0),
            1.0 / (2.0 * pi),
            sqrt(3.0),
            1e-9,
            id="relay",
        ),
    ],
)
def test_worked_limit_cycles(
    loop: Loop, gain: Callable[[float], float], amplitude: float, frequency: float, printed: float
) -> None:
    """Amplitude and frequency of the predicted cycle."""
    (found,) = limit_cycles(loop, gain, np.geomspace(0.01, 100.0, 2000))

    assert found[0] == pytest.approx(amplitude, abs=printed)
    assert found[1] == pytest.approx(frequency, rel=1e-6)


def test_command_quantiser_does_not_hunt() -> None:
    """A mid-tread quantiser has at most the gain 4/pi (Astrom, Wittenmark, memory): every lantern's margin is larger."""
    angle = np.linspace(0.0, 2.0 * pi, 4_001)[:-1]
    gains = [
        np.mean(np.round(amplitude * np.sin(angle)) * np.sin(angle)) * 2.0 / amplitude
        for amplitude in np.linspace(0.45, 5.0, 1000)
    ]

    assert max(gains) == pytest.approx(4.0 / pi, abs=2e-3)
    for name in LANTERNS:
        assert find_margins(lantern_gains(name)).gain_margin_up > max(gains)
