"""The Riccati path (Kalman gain and floor, sampling, LQR loops in the margin finder) against published solutions.

Sources, named at each check:

* CAREX/DAREX: Benner, Laub, Mehrmann, *A Collection of Benchmark Examples for the Numerical Solution of
Algebraic
  Riccati Equations I/II*, Technical Reports SPC 95_22 and 95_23, TU Chemnitz, 1995 (data as in SciPy's own
  test suite).
* Tedrake, *Underactuated Robotics*, chapter on linear quadratic regulators (double integrator).
* Astrom, Wittenmark, *Computer-Controlled Systems*, deadbeat control of the double integrator (from memory).
* Kalata, *The Tracking Index*, IEEE Trans. Aerospace and Electronic Systems 20 (1984) (formula from memory).
* Hurak, *Optimal and Robust Control*, lecture notes, Czech Technical University: margins of LQR loops.
* The mirror property of minimum-energy stabilisation and the scalar random walk: common knowledge of the
trade.
"""

from __future__ import annotations

from math import degrees, pi, sqrt

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.linalg import solve_continuous_are

from codegen.design.limits import kalman_floor, steady_state_kalman
from codegen.design.margins import read_margins
from codegen.plant import linearise, sample
from tests.machines import lantern_calm, lantern_lively, published_robot

Matrix = NDArray[np.float64]
GOLDEN = (1.0 + sqrt(5.0)) / 2.0
ROOT2 = 1.0 + sqrt(2.0)


def matrix(*rows: tuple[float, ...]) -> Matrix:
    return np.array(rows, dtype=np.float64)


DAREX = {
    "1": (
        matrix((4.0, 3.0), (-4.5, -3.5)),
        matrix((1.0,), (-1.0,)),
        matrix((9.0, 6.0), (6.0, 4.0)),
        matrix((1.0,)),
        GOLDEN * matrix((9.0, 6.0), (6.0, 4.0)),
        matrix((3.0 * (GOLDEN - 1.0), 2.0 * (GOLDEN - 1.0))),
    ),
    "2": (
        matrix((0.9512, 0.0), (0.0, 0.9048)),
        matrix((4.877, 4.877), (-1.1895, 3.569)),
        matrix((0.005, 0.0), (0.0, 0.02)),
        matrix((1.0 / 3.0, 0.0), (0.0, 3.0)),
        matrix((0.010459, 0.003225), (0.003225, 0.050398)),
        matrix((0.071252, -0.070287), (0.013570, 0.045479)),
    ),
    "3": (
        matrix((2.0, -1.0), (1.0, 0.0)),
        matrix((1.0,), (0.0,)),
        matrix((0.0, 0.0), (0.0, 1.0)),
        matrix((0.0,)),
        np.eye(2),
        matrix((2.0, -1.0)),
    ),
    "5": (
        matrix((0.0, 1.0), (0.0, 0.0)),
        matrix((0.0,), (1.0,)),
        matrix((1.0, 2.0), (2.0, 4.0)),
        matrix((1.0,)),
        matrix((1.0, 2.0), (2.0, 2.0 + sqrt(5.0))),
        matrix((0.0, 2.0 - GOLDEN)),
    ),
}


@pytest.mark.parametrize("case", DAREX)
def test_darex(case: str) -> None:
    """DAREX 1, 2, 3 (singular R), 5, read as filters: the regulator of (A, B) is the filter of (A', B')."""
    a, b, q, r, solution, regulator = DAREX[case]
    errors, gain = steady_state_kalman(a.T, b.T, q, r)
    printed = 1e-6 if case == "2" else 1e-12

    assert_allclose(errors, solution, atol=printed)
    assert_allclose((a.T @ gain).T, regulator, atol=max(printed, 1e-9))


@pytest.mark.parametrize(
    ("a", "b", "q", "solution", "poles"),
    [
        (  # CAREX 1
            matrix((0.0, 1.0), (0.0, 0.0)),
            matrix((0.0,), (1.0,)),
            matrix((1.0, 0.0), (0.0, 2.0)),
            matrix((2.0, 1.0), (1.0, 2.0)),
            (-1.0, -1.0),
        ),
        (  # CAREX 2
            matrix((4.0, 3.0), (-4.5, -3.5)),
            matrix((1.0,), (-1.0,)),
            matrix((9.0, 6.0), (6.0, 4.0)),
            ROOT2 * matrix((9.0, 6.0), (6.0, 4.0)),
            (-sqrt(2.0), -0.5),
        ),
        (  # Tedrake: double integrator, Q = I, R = 1: K = (1, sqrt 3)
            matrix((0.0, 1.0), (0.0, 0.0)),
            matrix((0.0,), (1.0,)),
            np.eye(2),
            matrix((sqrt(3.0), 1.0), (1.0, sqrt(3.0))),
            (-0.8660254 + 0.5j, -0.8660254 - 0.5j),
        ),
    ],
)
def test_carex_fast_sampled(a: Matrix, b: Matrix, q: Matrix, solution: Matrix, poles: tuple[complex, complex]) -> None:
    """Sampled at 20 kHz, the discrete path (``sample`` and the filter) gives the continuous solution to 0.1 %.

    With period h the cost per tick is Q h and R h, and the discrete solution tends to the continuous one.
    """
    period = 5e-5
    transition, effect = sample(a, b, period)
    errors, gain = steady_state_kalman(transition.T, effect.T, q * period, np.array([[period]]))
    regulator = (transition.T @ gain).T
    closed = np.log(np.linalg.eigvals(transition - effect @ regulator).astype(np.complex128)) / period

    assert_allclose(errors, solution, rtol=1e-3, atol=1e-3)
    assert_allclose(regulator, b.T @ solution, rtol=1e-3, atol=1e-3)
    # A double pole splits by the square root of the error, so the poles are compared through sum and product.
    assert np.sum(closed) == pytest.approx(np.sum(poles), rel=1e-3)
    assert np.prod(closed) == pytest.approx(np.prod(poles), rel=1e-3)


def test_minimum_energy_filter_mirrors_the_falling_pole() -> None:
    """Mirror property: without process noise both poles of the floor's filter lie at -lambda, for every machine.

    The same as the minimum-energy regulator K = (2 a/b, 2 sqrt(a)/b) of th'' = a th - b u, which has both
    poles at -sqrt(a).
    """
    a, b = 78.4, 1.08
    motion, effect = matrix((0.0, 1.0), (a, 0.0)), matrix((0.0,), (-b,))
    period = 1e-4
    transition, pushed = sample(motion, effect, period)
    _, gain = steady_state_kalman(transition.T, pushed.T, np.zeros((2, 2)), np.array([[period]]))
    regulator = (transition.T @ gain).T

    assert_allclose(regulator, [[-2.0 * a / b, -2.0 * sqrt(a) / b]], rtol=2e-3)
    assert_allclose(regulator, [[-145.185, -16.397]], rtol=2e-3)


@pytest.mark.parametrize("make", [lantern_calm, lantern_lively, published_robot])
def test_kalman_floor_is_the_riccati_solution(make: object) -> None:
    """n_g/sqrt(lambda) against SciPy's continuous Riccati solver on tilt'' = lambda^2 tilt with the rate measured."""
    assert callable(make)
    plant = make()
    if plant.gyro.noise_rad_s_sqrt_hz == 0.0:
        assert kalman_floor(plant) == 0.0
        return
    motion = matrix((0.0, 1.0), (plant.divergence_rad_s**2, 0.0))
    density = np.array([[plant.gyro.noise_rad_s_sqrt_hz**2 / 2.0]])
    errors = solve_continuous_are(motion.T, matrix((0.0,), (1.0,)), np.zeros((2, 2)), density)

    assert kalman_floor(plant) == pytest.approx(sqrt(errors[0, 0]), rel=1e-6)


def test_scalar_random_walk() -> None:
    """Steady filter of a random walk with q = r = 1: prior variance (1 + sqrt 5)/2, gain 0.618034."""
    one = np.array([[1.0]])
    errors, gain = steady_state_kalman(one, one, one, one)

    assert errors[0, 0] == pytest.approx(GOLDEN, abs=1e-12)
    assert gain[0, 0] == pytest.approx(0.618034, abs=1e-6)


@pytest.mark.parametrize(("index", "alpha", "beta"), [(1.0, 0.75, 0.5), (0.1, 0.36, 0.08), (10.0, 0.978714, 1.458980)])
def test_alpha_beta_filter(index: float, alpha: float, beta: float) -> None:
    """Kalata: steady gains of the alpha-beta filter from its tracking index, piecewise-constant acceleration noise."""
    period = 0.5
    transition, push = sample(matrix((0.0, 1.0), (0.0, 0.0)), matrix((0.0,), (1.0,)), period)
    acceleration = index / period**2
    process = acceleration**2 * push @ push.T
    _, gain = steady_state_kalman(transition, matrix((1.0, 0.0)), process, np.array([[1.0]]))
    root = (4.0 + index - sqrt(8.0 * index + index**2)) / 4.0

    assert gain[0, 0] == pytest.approx(alpha, abs=1e-6)
    assert period * gain[1, 0] == pytest.approx(beta, abs=1e-6)
    assert gain[0, 0] == pytest.approx(1.0 - root**2, abs=1e-9)


@pytest.mark.parametrize(("poles", "gains"), [((0.0, 0.0), (100.0, 15.0)), ((0.8, 0.6), (8.0, 5.6))])
def test_deadbeat_double_integrator(poles: tuple[float, float], gains: tuple[float, float]) -> None:
    """Astrom, Wittenmark: L = ((1-p1-p2+p1p2)/h^2, (3-p1-p2-p1p2)/(2h)) puts the sampled poles where it says; h = 0.1."""
    period = 0.1
    transition, push = sample(matrix((0.0, 1.0), (0.0, 0.0)), matrix((0.0,), (1.0,)), period)
    total, both = sum(poles), poles[0] * poles[1]
    law = np.array([[(1.0 - total + both) / period**2, (3.0 - total - both) / (2.0 * period)]])
    closed = transition - push @ law

    assert_allclose(law[0], gains)
    assert np.trace(closed) == pytest.approx(total, abs=1e-12)
    assert np.linalg.det(closed) == pytest.approx(both, abs=1e-12)


@pytest.mark.parametrize("weight", [1e-3, 1.0, 1e3])
def test_margins_of_regulators(weight: float) -> None:
    """Hurak: an LQR loop keeps |1 + L| >= 1, gain margins of 1/2 and infinity, and 60 degrees; published robot."""
    motion, push = linearise(published_robot())
    cost = np.diag([weight, 1.0, 1e-4])
    solution = solve_continuous_are(motion, push, cost, np.array([[1.0]]))
    regulator = push.T @ solution

    def loop(frequencies: Matrix) -> NDArray[np.complex128]:
        resolvent = 1j * frequencies[:, None, None] * np.eye(3) - motion
        shown = np.linalg.solve(resolvent, np.broadcast_to(push, (len(frequencies), 3, 1)))
        values: NDArray[np.complex128] = (regulator @ shown)[:, 0, 0]
        return values

    margins = read_margins(loop, np.geomspace(1e-6, 1e6, 4000))

    assert margins.peak_sensitivity <= 1.0 + 1e-6
    assert margins.gain_margin_up == float("inf")
    assert margins.gain_margin_down <= 0.5
    assert degrees(margins.phase_margin_rad) >= 60.0 - 1e-6
    assert margins.phase_margin_rad < pi
