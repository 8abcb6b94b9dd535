"""The build file: what is read, what is filled in, and where physical sense draws its lines."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.constants import g
from scipy.integrate import solve_ivp
from scipy.linalg import solve_continuous_are
from scipy.optimize import brentq

from codegen.build import Build, Quantity, parse_build, read_build
from codegen.build.conventions import explain_torque_constant
from codegen.build.sense import LARGEST_POLE_TIMES_DEAD_TIME
from codegen.errors import BuildError
from tests.bad_input.corpus import base_text
from tests.toml_texts import VALUES, damaged

EXAMPLES = Path(__file__).resolve().parent / "examples"
Vector = npt.NDArray[np.float64]
LANTERNS = ("lantern_calm", "lantern_heavy", "lantern_lively")


def changed(*changes: tuple[str, str]) -> str:
    """The sound base text with each old piece (it must occur once) replaced by the new one."""
    text = base_text()
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def fault(text: str) -> BuildError:
    """The error that `text` gets."""
    with pytest.raises(BuildError) as caught:
        parse_build(text, "a.toml")
    return caught.value


def gravity_torque(build: Build) -> float:
    """G in N m, with 9.81 m/s^2."""
    body, wheel = build.body, build.wheel
    return 9.81 * (
        body.mass_kg.value * body.com_height_m.value + wheel.mass_kg.value * wheel.axis_height_m.value
    )


def inertia(build: Build) -> float:
    """I in kg m2 about the pivot, wheel as a point mass."""
    wheel = build.wheel
    return build.body.inertia_kg_m2.value + wheel.mass_kg.value * wheel.axis_height_m.value**2


def quantities(part: object) -> list[Quantity]:
    """Every number of a build, at any depth."""
    if isinstance(part, Quantity):
        return [part]
    if is_dataclass(part):
        return [found for field in fields(part) for found in quantities(getattr(part, field.name))]
    return []


# --- reading ---


@pytest.mark.parametrize("name", LANTERNS)
def test_example_is_read(name: str) -> None:
    """The examples are sound, named as their file, and kept word for word."""
    path = EXAMPLES / f"{name}.toml"
    build = read_build(path)
    assert build.name == name
    assert build.path_name == path.name
    assert build.source_text.encode() == path.read_bytes()
    assert "is invented" in build.source_text


@dataclass(frozen=True)
class Figures:
    """What a drive of the scenario is described by: G, I, J, largest torque, top speed."""

    gravity_torque_n_m: float
    inertia_kg_m2: float
    wheel_kg_m2: float
    torque_n_m: float
    top_rad_s: float


@pytest.mark.parametrize(
    ("name", "figures"),
    [
        ("lantern_calm", Figures(0.2335, 2.37e-3, 1.02e-4, 0.054, 247)),
        ("lantern_heavy", Figures(0.4316, 4.77e-3, 5.25e-4, 0.105, 317)),
        ("lantern_lively", Figures(0.4784, 4.814e-3, 5.70e-4, 0.2008, 884)),
    ],
    ids=LANTERNS,
)
def test_example_has_the_figures_of_its_drive(name: str, figures: Figures) -> None:
    """The split masses and heights add up to the scenario's figures, to their printed digits."""
    build = read_build(EXAMPLES / f"{name}.toml")
    torque_constant = build.drive.torque_constant_n_m_per_a.value
    assert gravity_torque(build) == pytest.approx(figures.gravity_torque_n_m, abs=5.1e-5)
    assert inertia(build) == pytest.approx(figures.inertia_kg_m2, rel=2e-4)
    assert build.wheel.inertia_kg_m2.value == pytest.approx(figures.wheel_kg_m2, rel=1e-12)
    assert torque_constant * build.drive.current_limit_a.value == pytest.approx(figures.torque_n_m, rel=1e-9)
    assert build.drive.supply_v.value / torque_constant == pytest.approx(figures.top_rad_s, abs=0.6)


@pytest.mark.parametrize(
    ("name", "counts_per_turn", "window_s"),
    [("lantern_calm", 4096, 4e-3), ("lantern_heavy", 1024, 8e-3), ("lantern_lively", 48, 16e-3)],
)
def test_example_counts_its_encoder(name: str, counts_per_turn: int, window_s: float) -> None:
    """Counts per rad/s are those of an encoder read over a window."""
    build = read_build(EXAMPLES / f"{name}.toml")
    expected = counts_per_turn * window_s / (2 * math.pi)
    assert build.wheel_speed.counts_per_rad_s.value == pytest.approx(expected, rel=1e-6)


def test_lively_lantern_carries_the_published_machine() -> None:
    """The mechanical numbers are the published ones.

    Source: Gajamohan, Merz, Thommen, D'Andrea, "The Cubli: A Cube that can Jump Up and Balance", IROS 2012,
    parameter table.
    """
    build = read_build(EXAMPLES / "lantern_lively.toml")
    body, wheel = build.body, build.wheel
    assert (body.mass_kg.value, body.com_height_m.value, body.inertia_kg_m2.value) == (0.419, 0.075, 3.34e-3)
    assert (wheel.mass_kg.value, wheel.axis_height_m.value, wheel.inertia_kg_m2.value) == (
        0.204,
        0.085,
        0.57e-3,
    )
    assert (body.pivot_damping_n_m_s.value, build.drive.viscous_n_m_s.value) == (1.02e-3, 0.05e-3)
    assert build.drive.torque_constant_n_m_per_a.value == 25.1e-3


def test_calm_lantern_is_the_described_one_with_friction() -> None:
    """The base of the corpus holds the machine without optional keys; the example adds only optional ones."""
    base = tomllib.loads(base_text())
    example = tomllib.loads((EXAMPLES / "lantern_calm.toml").read_text(encoding="utf-8"))
    for optional in ("stiction_n_m", "stribeck_rad_s", "cogging_n_m", "cogging_per_rev", "current_lag_us"):
        del example["drive"][optional]
    del example["body"]["pivot_coulomb_n_m"], example["loop"]["compute_us"]
    for sensor in ("gyro", "accelerometer"):
        assert example["sensors"][sensor].pop("low_pass_hz") == 188
    assert {**example, "name": "", "title": ""} == {**base, "name": "", "title": ""}


def test_absent_keys_get_their_defaults() -> None:
    """Defaults are those of the schema; stiction follows the Coulomb friction."""
    build = parse_build(base_text(), "a.toml")
    drive = build.drive
    assert drive.stiction_n_m == drive.coulomb_n_m == Quantity.exact(4e-4)
    assert drive.stribeck_rad_s == Quantity.exact(3.0)
    assert drive.cogging_n_m == drive.cogging_per_rev == drive.current_lag_us == Quantity.exact(0.0)
    assert build.body.pivot_coulomb_n_m == build.accelerometer.bias_mg == Quantity.exact(0.0)
    assert build.gyro.low_pass_hz is None
    assert build.accelerometer.low_pass_hz is None
    assert build.goals.sensor_timeout_ms == Quantity.exact(25.0)
    assert build.target.error_budget_counts == Quantity.exact(3.0)
    assert build.target.max_share is build.target.max_stack_bytes is build.target.max_flash_bytes is None


def test_every_number_may_carry_an_interval() -> None:
    """The contract: wherever a number stands, { value, low, high } may stand."""
    numbers = re.compile(r"^(\w+) = ([-+0-9._e]+)$", re.MULTILINE)
    keys = [match[1] for match in numbers.finditer(base_text()) if match[1] != "schema"]
    text = numbers.sub(
        lambda match: (
            match[0]
            if match[1] == "schema"
            else f"{match[1]} = {{ value = {match[2]}, low = {match[2]}, high = {match[2]} }}"
        ),
        base_text(),
    )
    assert len(keys) == 32
    plain, wide = parse_build(base_text(), "a.toml"), parse_build(text, "a.toml")
    assert quantities(plain) == quantities(wide)


def test_interval_is_kept() -> None:
    """Value, low and high arrive as written; a plain number is its own interval."""
    build = parse_build(changed(("= 5.0", "= { value = 5, low = 4.5, high = 5.5 }")), "a.toml")
    assert build.drive.resistance_ohm == Quantity(5.0, 4.5, 5.5)
    assert build.gyro.bias_dps == Quantity(0.0, -1.0, 1.0)
    assert build.loop.inner_hz == Quantity(1000.0, 1000.0, 1000.0)


def test_voltage_drive_is_accepted() -> None:
    """The schema knows both kinds of drive; a voltage drive need not reach its current limit."""
    text = changed(('"current"', '"voltage"'), ("current_limit_a = 1.2", "current_limit_a = 2.5"))
    assert parse_build(text, "a.toml").drive.command == "voltage"


def test_line_ends_of_either_kind_are_kept() -> None:
    """A file with carriage returns is read, and its text kept for the hash."""
    text = base_text().replace("\n", "\r\n")
    assert parse_build(text, "a.toml").source_text == text


@pytest.mark.parametrize("name", ["l", "l" * 31, "lantern_2", "int8", "str_x", "while_", "for2", "stdintx"])
def test_name_at_the_edge_is_accepted(name: str) -> None:
    """Names that merely look like taken ones are free."""
    assert parse_build(changed(('"lantern"', f'"{name}"')), "a.toml").name == name


# --- physical sense: thresholds against independent computation ---


def unstable_root(build: Build) -> float:
    """Growth rate of a fall in rad/s, from the eigenvalues of the linear pendulum."""
    stiffness = gravity_torque(build) / 9.81 * g / inertia(build)
    return float(max(np.linalg.eigvals(np.array([[0.0, 1.0], [stiffness, 0.0]])).real))


def test_dead_time_limit_solves_the_published_inequality() -> None:
    """Gain-crossover inequality, K. J. Astrom, European Journal of Control 6 (2000), from memory.

    Unstable pole p with dead time T, slope n = -1/2 at crossover: the phase of the minimum-phase part and the
    lag add up to pi - margin + n pi/2. Its published solution for 45 deg is 0.326.
    """

    def lag(x: float) -> float:
        return math.sqrt(2 * x - x * x) + 2 * math.atan(1 / math.sqrt(2 / x - 1))

    def solution(margin_deg: float) -> float:
        total = math.pi - math.radians(margin_deg) - math.pi / 4
        return float(brentq(lambda x: lag(x) - total, 1e-3, 1.0))

    assert solution(45) == pytest.approx(0.326, abs=5e-4)
    assert solution(60) == pytest.approx(LARGEST_POLE_TIMES_DEAD_TIME, abs=5e-5)


def test_poke_limit_is_that_of_a_simulated_full_effort() -> None:
    """Full torque until the top speed, then none: the linear body goes over the top above the limit only."""
    build = parse_build(base_text(), "a.toml")
    root, body_inertia = unstable_root(build), inertia(build)
    torque, top_rad_s = 0.045 * 1.2, 11.1 / 0.045
    effort_s = 1.02e-4 * top_rad_s / torque

    def end(poke: float) -> float:
        def motion(time: float, state: Vector) -> list[float]:
            push = torque if time < effort_s else 0.0
            return [state[1], root**2 * state[0] - push / body_inertia]

        first = solve_ivp(motion, (0, effort_s), [0.0, poke / body_inertia], rtol=1e-10, atol=1e-12)
        return float(first.y[0, -1] + first.y[1, -1] / root)  # grows from here on with this sign

    limit = float(brentq(end, 1e-4, 1e-1))
    parse_build(changed(("0.003", f"{0.999 * limit!r}")), "a.toml")
    assert "no controller survives" in fault(changed(("0.003", f"{1.001 * limit!r}"))).what


def test_calm_limit_is_that_of_a_kalman_filter() -> None:
    """The stationary Riccati solution for the unstable pendulum with a rate gyro and no other noise."""
    root = unstable_root(parse_build(base_text(), "a.toml"))
    noise = 0.005**2 / 2  # two-sided density of the gyro, (deg/s)^2/Hz
    dynamics = np.array([[0.0, 1.0], [root**2, 0.0]])
    covariance = solve_continuous_are(dynamics.T, np.array([[0.0], [1.0]]), np.zeros((2, 2)), [[noise]])
    floor = math.sqrt(covariance[0, 0])
    parse_build(changed(("= 0.02\n", f"= {1.001 * floor!r}\n")), "a.toml")
    assert "best of estimators" in fault(changed(("= 0.02\n", f"= {0.999 * floor!r}\n"))).what


def test_gyro_range_limit_is_that_of_a_simulated_fall() -> None:
    """The pendulum falls from the upright; at the cut-off tilt its rate is the least range allowed."""
    root = unstable_root(parse_build(base_text(), "a.toml"))

    def passes(time: float, state: Vector) -> float:
        return float(state[0] - math.radians(30))

    passes.terminal = True  # type: ignore[attr-defined]
    fall = solve_ivp(
        lambda time, state: [state[1], root**2 * math.sin(state[0])],
        (0, 10),
        [1e-6, 0.0],
        events=passes,
        rtol=1e-10,
        atol=1e-12,
    )
    counts_per_dps = 32767 / math.degrees(fall.y[1, -1])
    parse_build(changed(("65.536", f"{0.999 * counts_per_dps!r}")), "a.toml")
    assert "a fall passes the cut-off" in fault(changed(("65.536", f"{1.001 * counts_per_dps!r}"))).what


def test_arming_tilt_limit_is_twice_what_the_torque_holds() -> None:
    """At rest G sin(tilt) balances the torque; half of the arming tilt must be within that."""
    held = math.degrees(brentq(lambda tilt: 0.2334802 * g / 9.81 * math.sin(tilt) - 0.054, 0, 1))
    offset = ("value = 0.0, low = -3.0, high = 3.0", "value = 0.0, low = -1.0, high = 1.0")
    stop = ("stop_tilt_deg = 30", "stop_tilt_deg = 40")
    parse_build(changed(offset, stop, ("arm_tilt_deg = 15", f"arm_tilt_deg = {1.99 * held}")), "a.toml")
    error = fault(changed(offset, stop, ("arm_tilt_deg = 15", f"arm_tilt_deg = {2.01 * held}")))
    assert f"up to {held:.3g} deg at rest" in error.what


@pytest.mark.parametrize(
    ("changes", "remedy", "mended"),
    [
        ((("outer_hz = 25", "outer_hz = 24"),), r"for example (\S+)", "outer_hz = 24"),
        ((("outer_hz = 25", "outer_hz = 4"),), r"run it at (\S+) Hz", "outer_hz = 4"),
        ((("= 0.003", "= 0.03"),), r"at most about ([0-9.]+)", "poke_n_m_s = 0.03"),
        ((("= 0.02\n", "= 0.0001\n"),), r"at least about ([0-9.]+)", "calm_tilt_rms_deg = 0.0001"),
        (
            (("resistance_ohm = 5.0", "resistance_ohm = 9.8"),),
            r"lower it to ([0-9.]+) A",
            "current_limit_a = 1.2",
        ),
        ((("65.536", "200.5"),), r"at most ([0-9.]+) counts", "counts_per_dps = 200.5"),
        ((("16384", "32000"),), r"at most ([0-9.]+) counts", "counts_per_g = 32000"),
        ((("2.607594", "0.02"),), r"at least ([0-9.]+) counts", "counts_per_rad_s = 0.02"),
        (
            (("stop_tilt_deg = 30", "stop_tilt_deg = 30\nsensor_timeout_ms = 1"),),
            r"least (\S+) ms",
            "timeout_ms = 1",
        ),
    ],
    ids=["divisor", "outer", "poke", "calm", "current", "gyro", "accelerometer", "wheel", "timeout"],
)
def test_following_the_remedy_mends_the_file(
    changes: tuple[tuple[str, str], ...], remedy: str, mended: str
) -> None:
    """The number that the message proposes is accepted in place of the refused one."""
    text = changed(*changes)
    found = re.search(remedy, fault(text).remedy)
    assert found is not None
    key, _, _ = mended.rpartition(" = ")
    parse_build(text.replace(mended, f"{key} = {found[1].rstrip('.')}"), "a.toml")


def test_proposed_loop_rate_is_the_smallest_that_does() -> None:
    """One hertz less than the proposed inner rate is still too slow."""
    slow = (("stop_tilt_deg = 30", "stop_tilt_deg = 30\nsensor_timeout_ms = 100"), ("= 1300", "= 12000"))

    def at(rate: int) -> str:
        return changed(
            ("inner_hz = 1000", f"inner_hz = {rate}"), ("outer_hz = 25", f"outer_hz = {rate}"), *slow
        )

    found = re.search(r"at (\d+) Hz or faster", fault(at(30)).remedy)
    assert found is not None
    parse_build(at(int(found[1])), "a.toml")
    assert "dead time" in fault(at(int(found[1]) - 1)).what


def test_intervals_give_the_benefit_of_doubt() -> None:
    """Two figures that may agree within their intervals are no contradiction."""
    parse_build(
        changed(
            ("inertia_kg_m2 = 1.8386e-3", "inertia_kg_m2 = { value = 1.0e-3, low = 0.9e-3, high = 1.2e-3 }"),
            ("supply_v = 11.1", "supply_v = 11.1\nvelocity_constant_rpm_per_v = 186"),
            ("per_a = 0.045", "per_a = { value = 0.045, low = 0.042, high = 0.05 }"),
        ),
        "a.toml",
    )


# --- outside checks ---

# One-axis cube face; resistance, supply, counts and noise are not published there and chosen here.
AALBORG = (
    ("mass_kg = 0.27", "mass_kg = 0.548"),
    ("com_height_m = 0.064", "com_height_m = 0.08498"),
    ("inertia_kg_m2 = 1.8386e-3", "inertia_kg_m2 = 4.8e-3"),
    ("pivot_damping_n_m_s = 1.0e-4", "pivot_damping_n_m_s = 7.7e-3"),
    ("mass_kg = 0.08\n", "mass_kg = 0.222\n"),
    ("axis_height_m = 0.0815", "axis_height_m = 0.093"),
    ("inertia_kg_m2 = 1.02e-4", "inertia_kg_m2 = 0.601e-3"),
    ("per_a = 0.045", "per_a = 0.0335"),
    ("supply_v = 11.1", "supply_v = 24"),
    ("current_limit_a = 1.2", "current_limit_a = 4"),
    ("viscous_n_m_s = 3.0e-6", "viscous_n_m_s = 17.03e-6"),
    ("inner_hz = 1000", "inner_hz = 100"),
    ("latency_us = 1300", "latency_us = 8000"),
    ("arm_tilt_deg = 15", "arm_tilt_deg = 9.74"),
)


def test_published_machine_makes_sense() -> None:
    """A machine that stood is accepted, 10 ms tick and 8 ms code time included.

    Source: Kitz, Brehin, Sander, Vestergaard, Villarmarzo Arrunada, "Cubli: Dynamic Control of a Reaction
    Wheel Inverted Pendulum", Aalborg University 2016, tables of chapter 6; it recovered from 0.17 rad.
    """
    build = parse_build(changed(*AALBORG), "a.toml")
    assert unstable_root(build) == pytest.approx(9.91, abs=0.01)


def test_published_slip_of_units_is_refused() -> None:
    """The same report prints the torque constant as "33.5 N m/A" where mN m/A is meant."""
    error = fault(changed(*AALBORG).replace("per_a = 0.0335", "per_a = 33.5"))
    assert "torque_constant_n_m_per_a" in error.where
    assert "outside the allowed range" in error.what


def test_torque_constant_of_line_to_line_data_is_recognised() -> None:
    """K_t = 8.27/K_v for sinusoidal current and line-to-line K_v.

    Source: "motor constants" article of source-robotics.com.
    """
    explanation = explain_torque_constant(Quantity.exact(8.27 / 100), Quantity.exact(100.0))
    assert explanation is not None
    assert "factor of 1.155 is the usual mix-up of line-to-line back-EMF" in explanation[0]


def test_torque_constant_of_the_definition_agrees() -> None:
    """K_t = 9.5493/K_v is the definition in SI units (60/2 pi); 4 % off still agrees, 6 % does not."""
    for factor, agrees in ((1.0, True), (1.04, True), (1 / 1.04, True), (1.06, False), (1 / 1.06, False)):
        explanation = explain_torque_constant(Quantity.exact(9.5493 / 100 * factor), Quantity.exact(100.0))
        assert (explanation is None) == agrees


# --- any text whatever ---


def assert_whole(build: Build) -> None:
    """What was accepted is finite and ordered, and its name is fit for C."""
    found = quantities(build)
    assert len(found) > 40
    assert all(math.isfinite(part.low) and part.low <= part.value <= part.high < math.inf for part in found)
    assert re.fullmatch(r"[a-z][a-z0-9_]{0,30}", build.name)


@settings(max_examples=400, deadline=None)
@given(content=damaged((EXAMPLES / "lantern_heavy.toml").read_bytes()))
def test_damaged_file_is_read_or_refused(content: bytes, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Random damage to a sound file never raises anything but a BuildError that names the file."""
    path = tmp_path_factory.getbasetemp() / "damaged.toml"
    path.write_bytes(content)
    try:
        build = read_build(path)
    except BuildError as error:
        assert error.where.startswith("damaged.toml")
        assert error.what
        assert error.remedy
    else:
        assert_whole(build)


def _any_assignment() -> st.SearchStrategy[tuple[int, str]]:
    lines = base_text().split("\n")
    numbers = [number for number, line in enumerate(lines) if " = " in line]
    floats: Callable[[float], str] = repr
    values = st.one_of(VALUES, st.floats().map(floats), st.integers().map(str))
    return st.tuples(st.sampled_from(numbers), values)


@settings(max_examples=400, deadline=None)
@given(assignment=_any_assignment())
def test_any_value_anywhere_is_read_or_refused(assignment: tuple[int, str]) -> None:
    """Any TOML value in place of any other: read, or one BuildError with a line and a remedy."""
    number, value = assignment
    lines = base_text().split("\n")
    lines[number] = lines[number].split(" = ")[0] + " = " + value
    try:
        build = parse_build("\n".join(lines), "a.toml")
    except BuildError as error:
        assert error.where.startswith("a.toml, line ")
        assert error.remedy
    else:
        assert_whole(build)
