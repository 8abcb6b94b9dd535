"""Cart-pendulums of textbooks and courses: matrices, poles, sampled matrices and gains to the printed digits.

Sources:

* University of Michigan, *Control Tutorials for MATLAB and Simulink*, "Inverted Pendulum": pages "State-Space Methods" (poles) and
  "Digital Controller Design" (sampled matrices; read); the gains K = (-1.0000, -1.6567, 18.6854, 3.4594) and
  (-61.9933, -33.5040, 95.0597, 18.8300) from memory, (-70.7107, -37.8345, 105.5298, 20.9238) read in public transcriptions.
  There the pendulum's angle is positive when it leans towards -x.
* Ogata, *Modern Control Engineering*, pole placement of a cart-pendulum without and with an integrator; from memory.
* Astrom, Murray, *Feedback Systems*, balance system with its state feedback; from memory.
* Barto, Sutton, Anderson, *Neuronlike adaptive elements that can solve difficult learning control problems*, IEEE Trans. Systems, Man,
  and Cybernetics 13(5), 1983: the cart-pole's numbers; from memory, its pole by hand.
* applieddigitalcontrols.com, chapter 7, example 7.10: a servo-driven cart pendulum sampled at 40 ms; read.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import solve_continuous_are, solve_discrete_are

from codegen.plant import Encoders, RollingPlant, linearise_rolling, sample

Matrix = NDArray[np.float64]
OTHER_SIGN = np.diag([1.0, 1.0, -1.0, -1.0])
"""To a tilt that is positive when the body leans towards -x."""


def cart(
    cart_kg: float, pendulum_kg: float, length_m: float, own_inertia: float, friction: float = 0.0, pivot: float = 0.0, g: float = 9.8
) -> RollingPlant:
    """A cart pushed by a force: radius 1 m, so that the torque is the force."""
    return RollingPlant(
        mass_kg=cart_kg + pendulum_kg,
        moment_kg_m=pendulum_kg * length_m,
        inertia_kg_m2=own_inertia + pendulum_kg * length_m**2,
        body_mass_kg=pendulum_kg,
        radius_m=1.0,
        stator_on_body=False,
        pivot_damping_n_m_s=pivot,
        pivot_coulomb_n_m=0.0,
        rail_viscous_n_s_m=friction,
        rail_coulomb_n=0.0,
        half_track_m=math.inf,
        push_height_m=2.0 * length_m,
        balance_offset_rad=0.0,
        motors=1,
        torque_constant=1.0,
        resistance_ohm=1.0,
        supply_v=1000.0,
        current_limit_a=10.0,
        drive_viscous_n_m_s=0.0,
        drive_coulomb_n_m=0.0,
        current_lag_s=0.0,
        command_counts=1000,
        command_full_scale=10.0,
        voltage_drive=False,
        senses=Encoders(1e6, 2**31 - 1, 1e6, 2**31 - 1),
        period_s=0.01,
        latency_s=0.0,
        gravity_m_s2=g,
    )


@pytest.fixture(scope="module")
def course() -> tuple[Matrix, Matrix]:
    """The course's cart (M 0.5, m 0.2, b 0.1, l 0.3, I 0.006), in its own sign of the angle."""
    A, B = linearise_rolling(cart(0.5, 0.2, 0.3, 0.006, 0.1))
    return OTHER_SIGN @ A @ OTHER_SIGN, OTHER_SIGN @ B


def continuous_gain(A: Matrix, B: Matrix, Q: Matrix) -> Matrix:
    return B.T @ solve_continuous_are(A, B, Q, np.eye(1))


def test_course_poles(course: tuple[Matrix, Matrix]) -> None:
    poles = np.sort(np.linalg.eigvals(course[0]).real)
    assert np.round(poles, 4) == pytest.approx([-5.6041, -0.1428, 0.0, 5.5651], abs=1e-12)


def test_course_sampled_matrices(course: tuple[Matrix, Matrix]) -> None:
    """Zero-order hold at 100 Hz, every printed digit."""
    Ad, Bd = sample(*course, 0.01)
    printed = [[1, 0.01, 0.0001, 0], [0, 0.9982, 0.0267, 0.0001], [0, 0, 1.0016, 0.01], [0, -0.0045, 0.3119, 1.0016]]
    assert np.round(Ad, 4) == pytest.approx(np.array(printed), abs=1e-12)
    assert np.round(Bd[:, 0], 4) == pytest.approx([0.0001, 0.0182, 0.0002, 0.0454], abs=1e-12)


@pytest.mark.parametrize(
    ("weights", "printed"),
    [
        ((1.0, 0.0, 1.0, 0.0), (-1.0, -1.6567, 18.6854, 3.4594)),
        ((5000.0, 0.0, 100.0, 0.0), (-70.7107, -37.8345, 105.5298, 20.9238)),
    ],
)
def test_course_continuous_gains(course: tuple[Matrix, Matrix], weights: tuple[float, ...], printed: tuple[float, ...]) -> None:
    gain = continuous_gain(*course, np.diag(weights))
    assert np.round(gain[0], 4) == pytest.approx(printed, abs=1e-12)


def test_course_poles_under_the_second_gain(course: tuple[Matrix, Matrix]) -> None:
    A, B = course
    poles = np.linalg.eigvals(A - B @ continuous_gain(A, B, np.diag([5000.0, 0.0, 100.0, 0.0])))
    assert np.round(sorted(poles, key=lambda pole: (pole.real, pole.imag)), 3) == pytest.approx(
        [-8.491 - 7.928j, -8.491 + 7.928j, -4.759 - 0.831j, -4.759 + 0.831j], abs=1e-12
    )


def test_course_discrete_gain(course: tuple[Matrix, Matrix]) -> None:
    """The gain for the sampled cart is an eighth smaller than the continuous one: sampling is not to be forgotten."""
    Ad, Bd = sample(*course, 0.01)
    Q = np.diag([5000.0, 0.0, 100.0, 0.0])
    X = solve_discrete_are(Ad, Bd, Q, np.eye(1))
    gain = np.linalg.solve(np.eye(1) + Bd.T @ X @ Bd, Bd.T @ X @ Ad)[0]
    assert np.round(gain, 4) == pytest.approx([-61.9933, -33.5040, 95.0597, 18.8300], abs=1e-12)


def ackermann(A: Matrix, B: Matrix, poles: list[complex]) -> Matrix:
    """State feedback K with u = -K z that puts the poles; repeated ones too (Ackermann's formula, any text on state space)."""
    size = len(A)
    reach = np.hstack([np.linalg.matrix_power(A, power) @ B for power in range(size)])
    wanted = np.sum([c * np.linalg.matrix_power(A, size - k) for k, c in enumerate(np.real(np.poly(poles)))], axis=0)
    gain: Matrix = np.linalg.solve(reach.T, np.eye(size)[-1]) @ wanted
    return gain


@pytest.fixture(scope="module")
def textbook() -> tuple[Matrix, Matrix]:
    """The textbook's cart (M 2, m 0.1, l 0.5, all of the mass at the end), states (tilt, rate, place, speed)."""
    A, B = linearise_rolling(cart(2.0, 0.1, 0.5, 0.0, g=9.81))
    order = [2, 3, 0, 1]
    return A[np.ix_(order, order)], B[order]


def test_textbook_matrices(textbook: tuple[Matrix, Matrix]) -> None:
    A, B = textbook
    assert A[1, 0] == pytest.approx(20.601, abs=5e-4)
    assert A[3, 0] == pytest.approx(-0.4905, abs=5e-5)
    assert B[:, 0] == pytest.approx([0.0, -1.0, 0.0, 0.5], abs=1e-9)


def test_textbook_gain(textbook: tuple[Matrix, Matrix]) -> None:
    poles = [-2 + 2j * math.sqrt(3), -2 - 2j * math.sqrt(3), -10, -10]
    assert ackermann(*textbook, poles) == pytest.approx([-298.15, -60.697, -163.099, -73.394], rel=1e-5)


def test_textbook_gain_with_an_integrator(textbook: tuple[Matrix, Matrix]) -> None:
    """u = -K z + k_I xi, xi' = wanted place - place; poles -1 +- j sqrt(3) and three at -5."""
    A, B = textbook
    wide = np.zeros((5, 5))
    wide[:4, :4], wide[4, 2] = A, -1.0
    gain = ackermann(wide, np.vstack([B, [[0.0]]]), [-1 + 1j * math.sqrt(3), -1 - 1j * math.sqrt(3), -5, -5, -5])
    assert gain[:4] == pytest.approx([-157.6336, -35.3733, -56.0652, -36.7466], abs=5e-5)
    assert -gain[4] == pytest.approx(-50.9684, abs=5e-5)


@pytest.fixture(scope="module")
def balance_system() -> RollingPlant:
    """M 10, m 80, J 100 about the centre of mass, l 1, c 0.1, gamma 0.01, g 9.8."""
    return cart(10.0, 80.0, 1.0, 100.0, 0.1, 0.01)


def test_balance_system_falls_as_printed(balance_system: RollingPlant) -> None:
    """M_t J_t - m^2 l^2 = 9800 and frictionless poles 0, 0, +-2.68."""
    assert balance_system.determinant == pytest.approx(9800.0, rel=1e-12)
    A, _ = linearise_rolling(cart(10.0, 80.0, 1.0, 100.0))
    assert np.round(np.sort(np.linalg.eigvals(A).real), 2) == pytest.approx([-2.68, 0.0, 0.0, 2.68], abs=1e-6)


def test_balance_system_stands_under_its_printed_feedback(balance_system: RollingPlant) -> None:
    """K = (-15.6, 1730, -50.1, 443) on (place, tilt, speed, rate), tilt towards -x; a check of stability and signs only."""
    order, turn = [0, 2, 1, 3], np.diag([1.0, -1.0, 1.0, -1.0])
    A, B = linearise_rolling(balance_system)
    A, B = turn @ A[np.ix_(order, order)] @ turn, turn @ B[order]
    poles = np.linalg.eigvals(A - B @ np.array([[-15.6, 1730.0, -50.1, 443.0]]))
    assert np.round(sorted(poles, key=lambda pole: (pole.real, pole.imag)), 3) == pytest.approx(
        [-0.998 - 1.997j, -0.998 + 1.997j, -0.351 - 0.357j, -0.351 + 0.357j], abs=1e-12
    )


def test_cart_pole_of_the_learning_literature_falls_at_3_97() -> None:
    """Cart 1 kg, pole 0.1 kg, half length 0.5 m: sqrt(g/(l(4/3 - m/(m + M))))."""
    plant = cart(1.0, 0.1, 0.5, 0.1 * 0.5**2 / 3.0)
    assert plant.divergence_rad_s == pytest.approx(math.sqrt(9.8 / (0.5 * (4.0 / 3.0 - 0.1 / 1.1))), rel=1e-12)
    assert round(plant.divergence_rad_s, 2) == 3.97


def test_servo_driven_cart_sampled_at_40_ms() -> None:
    """Printed entries of the transition matrix; A is printed rounded, so a part in a thousand, or half a printed digit."""
    A = np.array([[0.0, 1.0, 0.0, 0.0], [32.7, 0.0, 1333.0, 94.3], [0.0, 0.0, 0.0, 1.0], [0.0, 0.0, -400.0, -28.3]])
    Ad, _ = sample(A, np.array([[0.0], [-1333.0], [0.0], [400.0]]), 0.04)
    assert Ad[0] == pytest.approx([1.0262, 0.0403, 0.7240, 0.0619], rel=1e-3, abs=5e-5)
    assert Ad[1] == pytest.approx([1.3181, 1.0262, 29.0507, 2.7782], rel=1.1e-3, abs=5e-5)
    assert Ad[2, 2] == pytest.approx(0.7839, rel=1e-3)


def test_only_the_place_measured_is_hopeless() -> None:
    """z = sqrt(g/l), p = z sqrt(1 + m/M): any controller on the place alone has a peak of (p + z)/(p - z).

    Formula: Hurak, *Optimal and Robust Control*, "Limitations of SISO loops" (peak for one unstable pole and one unstable zero);
    the example's idea from Goodwin, Graebe, Salgado, *Control System Design*, ch. 9 (from memory).
    """
    for ratio, peak in ((0.1, 41.98), (1.0, 5.83)):
        plant = cart(1.0, ratio, 0.5, 1e-9)
        zero, pole = math.sqrt(9.8 / 0.5), plant.divergence_rad_s
        assert pole == pytest.approx(zero * math.sqrt(1.0 + ratio), rel=1e-6)
        assert round((pole + zero) / (pole - zero), 2) == peak
