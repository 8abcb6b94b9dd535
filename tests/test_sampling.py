"""Shapes, order of past inputs, and refusals of the sampled model (published values: see outside/)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from codegen.errors import LoopwrightError
from codegen.plant import sample

Vector = NDArray[np.float64]

A = np.array([[0.0, 1.0, 0.0], [98.2, -1.15, 0.003], [-98.2, 1.15, -0.03]])
B = np.array([[0.0, 0.1], [-148.8, 0.0], [1812.7, -3.0]])


@pytest.mark.parametrize(("delay_ticks", "past"), [(0.0, 0), (0.3, 1), (1.0, 1), (1.3, 2), (3.0, 3), (3.999, 4)])
def test_state_grows_by_the_past_inputs_in_flight(delay_ticks: float, past: int) -> None:
    """The state holds one past input of each kind per begun tick of delay."""
    Ad, Bd = sample(A, B, 0.01, delay_ticks * 0.01)
    assert Ad.shape == (3 + 2 * past, 3 + 2 * past)
    assert Bd.shape == (3 + 2 * past, 2)


@given(delay_ticks=st.floats(0.0, 3.0), seed=st.integers(0, 1000))
def test_sampled_steps_follow_the_delayed_continuous_system(delay_ticks: float, seed: int) -> None:
    """Ten steps with random held inputs agree with scipy integrating the delayed system piece by piece."""
    period = 0.01
    inputs = np.random.default_rng(seed).uniform(-1.0, 1.0, (10, 2))
    Ad, Bd = sample(A, B, period, delay_ticks * period)
    state = np.zeros(len(Ad))
    for command in inputs:
        state = Ad @ state + Bd @ command

    def held(tick: int) -> Vector:
        return inputs[tick] if tick >= 0 else np.zeros(2)

    def rates(_: float, x: Vector, drive: Vector) -> Vector:
        return np.asarray(A @ x + drive, dtype=np.float64)

    exact = np.zeros(3)
    whole = math.floor(delay_ticks)
    for tick in range(10):
        for duration, command in (
            ((delay_ticks - whole) * period, held(tick - whole - 1)),
            ((1 - delay_ticks + whole) * period, held(tick - whole)),
        ):
            if duration > 0:
                exact = solve_ivp(rates, (0, duration), exact, args=(B @ command,), rtol=1e-10, atol=1e-12).y[:, -1]
    assert state[:3] == pytest.approx(exact, rel=1e-7, abs=1e-7)


def test_whole_ticks_written_in_decimals_stay_whole() -> None:
    """A delay of 0.3 s at 0.1 s is three ticks though 0.3 / 0.1 is not 3 in binary."""
    assert sample(A, B, 0.1, 0.3)[0].shape == (9, 9)
    assert sample(A, B, 0.1, 0.1 + 0.2)[0].shape == (9, 9)


@pytest.mark.parametrize(
    ("state", "period", "delay", "message"),
    [
        (A[:2], 0.01, 0.0, "shape"),
        (A, 0.0, 0.0, "period"),
        (A, math.nan, 0.0, "period"),
        (A, 0.01, -0.01, "delay"),
        (A, 0.01, math.inf, "delay"),
    ],
)
def test_impossible_request_is_refused(state: np.ndarray, period: float, delay: float, message: str) -> None:
    """The error says which argument is wrong."""
    with pytest.raises(LoopwrightError, match=message):
        sample(state, B, period, delay)
