"""The bench's parts: swings against closed forms, intervals against known noise, experiments together, and the build file's text."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.special import ellipk

from codegen.bench import Estimate, Experiment, Measurement, adjust, guide_text, measure_log, put_parameters
from codegen.bench.adjust import Parameter, predicted_ratios
from codegen.bench.allan import allan_deviation
from codegen.bench.edit import number_text
from codegen.bench.estimate import combine, correlation_length, spread
from codegen.bench.grid import Grid
from codegen.bench.pendulum import fit_pendulum, guess_taped, integrate
from codegen.bench.rest import low_passed_share
from codegen.build import Build, Quantity, parse_build
from codegen.errors import BenchError
from codegen.plant import GRAVITY_M_S2
from tests.bench_runs import (
    Truth,
    drawn,
    lantern,
    log_of,
    nominal,
    rest_columns,
    scale_columns,
    spin_columns,
    square_columns,
    stamps,
    supply_columns,
    swing_columns,
)

# ---- the pendulum ----


@pytest.mark.parametrize(("degrees", "ratio"), [(5, 1.000476), (10, 1.001907), (20, 1.007669), (30, 1.017409), (45, 1.039973)])
def test_period_grows_with_the_amplitude(degrees: float, ratio: float) -> None:
    """T/T0 = (2/pi) K(sin^2(a/2)), any text on mechanics (values computed from it); the integrator and scipy's elliptic integral agree."""
    amplitude = math.radians(degrees)
    assert 2 / math.pi * ellipk(math.sin(amplitude / 2) ** 2) == pytest.approx(ratio, abs=6e-7)
    a, step = (2 * math.pi) ** 2, 1e-3
    tilt = integrate(np.array([[a], [0], [0], [amplitude], [0], [0.0]]), step, 1500, None).tilt_rad[:, 0]
    down = [k + tilt[k] / (tilt[k] - tilt[k + 1]) for k in range(1500) if tilt[k] > 0 >= tilt[k + 1]]
    assert (down[1] - down[0]) * step == pytest.approx(ratio, abs=2e-6)


@pytest.mark.parametrize(("seconds", "quantity"), [(6.0, "gyro"), (30.0, "gyro"), (30.0, "tilt")])
def test_fit_finds_what_made_the_motion(seconds: float, quantity: str) -> None:
    """Without noise the fit returns the parameters; with a poor first guess as well."""
    true = np.array([94.0, 0.05, 0.03, 0.5, -0.2, 0.02])
    step = 0.01
    count = round(seconds / step)
    motion = integrate(true[:, None], step / 4, 4 * count, None)
    tilt = motion.tilt_rad[:, 0]
    means = np.diff(tilt[::4]) / step if quantity == "gyro" else tilt[:-1].reshape(count, 4).mean(axis=1)
    if quantity == "tilt":
        means += tilt[4::4] / 8 - tilt[:-1:4] / 8  # trapezoids over the step
    grid = Grid(0.0, step, count, {quantity: means + true[5]})
    guess = guess_taped(grid, quantity)
    guess[0] *= 1.02
    fit = fit_pendulum(grid, quantity, guess)
    assert fit.parameters[0] == pytest.approx(true[0], rel=2e-5)
    assert fit.parameters[1:3] == pytest.approx(true[1:3], rel=0.02)
    assert fit.parameters[5] == pytest.approx(true[5], abs=2e-5)


# ---- intervals ----


def test_white_residuals_give_the_textbook_interval() -> None:
    """A straight line in white noise: both covariances agree, and the interval holds the slope in 95 % of trials."""
    rng = np.random.default_rng(1)
    x = np.column_stack([np.ones(2000), np.linspace(-1, 1, 2000)])
    held, ratios = 0, []
    for _ in range(400):
        noise = rng.normal(size=2000)
        found = np.linalg.lstsq(x, noise, rcond=None)[0]
        half, nominal_half = spread(x, noise - x @ found).half_width(np.array([0.0, 1.0]))
        held += abs(found[1]) <= half
        ratios.append(nominal_half / (1.96 * math.sqrt(3 / 2000)))
    assert 0.945 <= held / 400 <= 0.995
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.02)


def test_correlated_residuals_widen_the_interval() -> None:
    """In noise that stays alike for 40 samples the plain interval holds the truth in a third of the trials, ours in 93 % and more."""
    rng = np.random.default_rng(2)
    n, trials, keep = 8000, 1000, math.exp(-1 / 40)
    x = np.column_stack([np.ones(n), np.sin(np.linspace(0, 6, n))])
    held = plain = 0
    for _ in range(trials):
        noise = lfilter([1], [1, -keep], rng.normal(size=n))
        found = np.linalg.lstsq(x, noise, rcond=None)[0]
        half, nominal_half = spread(x, noise - x @ found).half_width(np.array([0.0, 1.0]))
        held += abs(found[1]) <= half
        plain += abs(found[1]) <= nominal_half
    assert plain / trials < 0.5
    assert held / trials >= 0.93


def test_correlation_length_of_known_noise() -> None:
    """(1 + r)/(1 - r) for noise of first order with correlation r between neighbours; 1 for white."""
    rng = np.random.default_rng(3)
    shocks = rng.normal(size=100_000)
    assert correlation_length(shocks) == pytest.approx(1.0, abs=0.1)
    coloured = np.convolve(shocks, 0.8 ** np.arange(80))[:100_000]
    assert correlation_length(coloured) == pytest.approx(9.0, rel=0.15)


def estimate(value: float, half_width: float, floor: float = 0.0, source: str = "a.csv") -> Estimate:
    return Estimate("number", "", value, half_width, half_width, floor, source)


def test_agreeing_estimates_are_averaged_and_disagreeing_ones_widened() -> None:
    """Two of equal width: the mean, narrower by root two; ten widths apart: an interval that reaches for both, and a conflict."""
    mean, conflicts = combine([estimate(1.0, 0.1), estimate(1.02, 0.1, source="b.csv")], "look")
    assert (mean.value, mean.half_width) == pytest.approx((1.01, 0.1 / math.sqrt(2)))
    assert mean.source == "a.csv, b.csv"
    assert conflicts == []
    mean, conflicts = combine([estimate(1.0, 0.1), estimate(2.0, 0.1, source="b.csv")], "look")
    assert mean.half_width > 0.9
    assert [(c.first, c.second, c.serious, c.remedy) for c in conflicts] == [("a.csv", "b.csv", True, "look")]
    assert conflicts[0].sigmas == pytest.approx(1.96 / math.hypot(0.1, 0.1), rel=1e-3)


def test_common_floor_is_not_averaged_down() -> None:
    """What has the same cause in both does not become smaller by measuring twice."""
    mean, _ = combine([estimate(1.0, 0.01, 0.05), estimate(1.0, 0.01, 0.05)], "")
    assert mean.total >= 0.05


def test_low_passed_white_noise() -> None:
    """The closed form against a simulation of a filter ten times faster than the averages are long."""
    rng = np.random.default_rng(5)
    lag, step = 20, 1
    noise = rng.normal(size=400_000)
    keep = math.exp(-step / lag)
    passed = lfilter([1 - keep], [1, -keep], noise)
    for samples in (40, 100, 200):
        share = allan_deviation(passed, samples) / allan_deviation(noise, samples)
        assert share == pytest.approx(low_passed_share(samples * step, lag * step), rel=0.03)


# ---- experiments together ----


def bench(truth: Truth, *kinds: str, seed: int = 3, **changed: Experiment) -> list[Experiment]:
    """Experiments of these kinds, or the given ones in their place."""
    rng = np.random.default_rng(seed)
    makers = {
        "swing": lambda: log_of("swing.csv", swing_columns(truth, rng, seconds=15.0), wheel="taped"),
        "square": lambda: log_of("square.csv", square_columns(truth, seed)),
        "spin": lambda: log_of("spin.csv", spin_columns(truth, seed)),
        "rest": lambda: log_of("rest.csv", rest_columns(truth, seed, seconds=20.0)),
        "scale": lambda: log_of("scale.csv", scale_columns(truth, rng)),
        "supply": lambda: log_of("supply.csv", supply_columns(truth, rng)),
    }
    return [changed.get(kind) or measure_log(makers[kind](), truth.build) for kind in kinds]


@pytest.fixture(scope="module")
def truth() -> Truth:
    return drawn(np.random.default_rng(17))


@pytest.fixture(scope="module")
def experiments(truth: Truth) -> dict[str, Experiment]:
    kinds = ("swing", "square", "spin", "rest", "scale", "supply")
    return dict(zip(kinds, bench(truth, *kinds), strict=True))


@pytest.fixture(scope="module")
def whole(truth: Truth, experiments: dict[str, Experiment]) -> Measurement:
    return adjust(list(experiments.values()), truth.build)


def test_whole_bench_agrees_with_itself_and_with_the_truth(truth: Truth, whole: Measurement) -> None:
    """No contradictions; the five numbers that a controller needs, within the acceptance limits."""
    plant = truth.plant
    assert whole.consistent
    for name, true, limit in (
        ("divergence_rad_s", plant.divergence_rad_s, 1e-3),
        ("gravity_torque_n_m", plant.gravity_torque_n_m, 6e-3),
        ("body_inertia_kg_m2", plant.body_inertia_kg_m2, 15e-3),
        ("wheel_inertia_kg_m2", plant.wheel_inertia_kg_m2, 15e-3),
        ("torque_constant_n_m_per_a", plant.torque_constant, 15e-3),
    ):
        found = whole.derived[name]
        assert found.value == pytest.approx(true, rel=limit)
        assert found.low <= true <= found.high


def test_new_build_file_holds_the_machine(truth: Truth, whole: Measurement) -> None:
    """Gravity torque and inertia computed from the new file's masses and heights are the measured ones."""
    build = parse_build(put_parameters(truth.build.source_text, whole.parameters), "lantern.toml")
    ratios = predicted_ratios(build)
    assert ratios["mass_height"].value * GRAVITY_M_S2 == pytest.approx(whole.derived["gravity_torque_n_m"].value, rel=1e-4)
    assert ratios["locked"].value == pytest.approx(whole.ratios["locked"].value, rel=2e-4)
    assert ratios["wheel"].value == pytest.approx(whole.ratios["wheel"].value, rel=2e-4)
    for parameter in whole.parameters:
        assert parameter.low <= parameter.value <= parameter.high


@pytest.mark.parametrize(
    ("kinds", "keys"),
    [
        (("rest",), {"noise_dps_per_sqrt_hz", "bias_dps", "noise_ug_per_sqrt_hz"}),
        (("scale",), {"com_height_m"}),
        (("swing",), {"inertia_kg_m2", "pivot_damping_n_m_s", "pivot_coulomb_n_m"}),
        (("supply",), {"torque_constant_n_m_per_a", "resistance_ohm"}),
        (("spin",), {"torque_constant_n_m_per_a", "viscous_n_m_s", "coulomb_n_m"}),
        (("swing", "scale"), {"com_height_m", "inertia_kg_m2", "pivot_damping_n_m_s", "pivot_coulomb_n_m"}),
    ],
)
def test_any_subset_writes_what_it_knows(truth: Truth, experiments: dict[str, Experiment], kinds: tuple[str, ...], keys: set[str]) -> None:
    """Only what was measured is written, and the file is sound after it."""
    measurement = adjust([experiments[kind] for kind in kinds], truth.build)
    assert {parameter.key for parameter in measurement.parameters} - {"stiction_n_m"} == keys
    parse_build(put_parameters(truth.build.source_text, measurement.parameters), "lantern.toml")
    assert bool(measurement.notes) == (kinds in {("swing",), ("spin",), ("swing", "scale")})


def test_scale_and_no_load_speed_contradict_each_other(truth: Truth, experiments: dict[str, Experiment]) -> None:
    """A scale reading that is 12 % off shows against the no-load speed, with its size in standard deviations."""
    scale = experiments["scale"]
    wrong = replace(scale, ratios={"mass_height": replace(scale.ratios["mass_height"], value=1.12 * scale.ratios["mass_height"].value)})
    measurement = adjust([*(experiments[kind] for kind in ("swing", "square", "spin", "supply")), wrong], truth.build)
    conflict = next(conflict for conflict in measurement.conflicts if conflict.serious)
    assert not measurement.consistent
    assert conflict.what == "torque constant"
    assert conflict.sigmas > 5
    assert "1.12 times" in conflict.remedy
    assert "scale.csv" in conflict.first


def test_two_swings_that_differ_contradict_each_other(truth: Truth, experiments: dict[str, Experiment]) -> None:
    """The second with a cable that pulls: 1 % in the square of the speed is far outside both intervals; the mean holds both."""
    swing = experiments["swing"]
    other = replace(
        swing,
        file_name="again.csv",
        ratios={"locked": replace(swing.ratios["locked"], value=1.01 * swing.ratios["locked"].value, source="again.csv")},
    )
    measurement = adjust([swing, other], truth.build)
    assert not measurement.consistent
    assert "taped" in measurement.conflicts[0].remedy
    assert measurement.ratios["locked"].half_width > 0.004 * swing.ratios["locked"].value


def test_measured_current_that_differs_from_the_command_is_said(truth: Truth) -> None:
    """An ammeter that reads 8 % less than what was commanded."""
    columns = spin_columns(truth, 3)
    amps = columns["command_counts"] * truth.build.drive.current_limit_a.value / truth.build.drive.command_counts.value
    both = measure_log(log_of("spin.csv", {**columns, "current_a": 0.92 * amps}), truth.build)
    assert any("0.92 times the commanded one" in note for note in both.notes)
    alone = measure_log(log_of("spin.csv", columns), truth.build)
    assert both.ratios["torque"].value == alone.ratios["torque"].value


def test_voltage_drive_needs_its_current_logged(truth: Truth) -> None:
    """Volts do not say the torque: a spin-up is refused, a hanging run still gives the inertias and says what it leaves out."""
    voltage = replace(truth.build, drive=replace(truth.build.drive, command="voltage"))
    with pytest.raises(BenchError, match="commanded in volts") as caught:
        measure_log(log_of("spin.csv", spin_columns(truth, 3)), voltage)
    assert "current_a" in caught.value.remedy
    run = measure_log(log_of("square.csv", square_columns(truth, 3)), voltage)
    assert set(run.ratios) == {"locked", "wheel"}
    assert any("torque per ampere is not taken" in note for note in run.notes)


# ---- was the wheel locked? ----


def swing_log(truth: Truth, *, taped: bool, seed: int = 8, **declared: str) -> Experiment:
    columns = swing_columns(truth, np.random.default_rng(seed), seconds=15.0, taped=taped)
    return measure_log(log_of("swing.csv", columns, **declared), truth.build)


@pytest.mark.parametrize("taped", [True, False])
def test_hanging_run_tells_whether_the_wheel_was_taped(truth: Truth, experiments: dict[str, Experiment], taped: bool) -> None:
    """An undeclared swing is decided by the run; inertia comes out the same either way."""
    measurement = adjust([swing_log(truth, taped=taped), experiments["square"], experiments["scale"]], truth.build)
    assert measurement.derived["body_inertia_kg_m2"].value == pytest.approx(truth.plant.body_inertia_kg_m2, rel=5e-3)
    assert any(f"the wheel was {'taped' if taped else 'free'}, as square.csv shows" in note for note in measurement.notes)


def test_wrong_declaration_is_caught_by_the_hanging_run(truth: Truth, experiments: dict[str, Experiment]) -> None:
    """Declared taped, swung free."""
    with pytest.raises(BenchError, match=r"declared taped, but against square\.csv this is the swing of a free wheel"):
        adjust([swing_log(truth, taped=False, wheel="taped"), experiments["square"]], truth.build)


def test_undeclared_swing_alone_is_refused(truth: Truth) -> None:
    """Nothing decides, so the tool asks."""
    with pytest.raises(BenchError, match="nothing says whether the wheel was locked or free") as caught:
        adjust([swing_log(truth, taped=True)], truth.build)
    assert "# wheel = taped" in caught.value.remedy


def test_free_and_taped_swings_give_the_wheel(truth: Truth, experiments: dict[str, Experiment]) -> None:
    """Their difference is J/G."""
    free = swing_log(truth, taped=False, wheel="free")
    measurement = adjust([experiments["swing"], free, experiments["scale"]], truth.build)
    assert measurement.derived["wheel_inertia_kg_m2"].value == pytest.approx(truth.plant.wheel_inertia_kg_m2, rel=0.01)


def with_wheel(truth: Truth, share: float, **declared: str) -> Experiment:
    """A swing with a column of wheel speed that turns back by this share of the body's rate."""
    columns = swing_columns(truth, np.random.default_rng(9), seconds=12.0)
    rate = columns["gyro_counts"] / truth.build.gyro.counts_per_dps.value
    return measure_log(log_of("swing.csv", {**columns, "wheel_dps": -share * rate}, **declared), truth.build)


def test_wheel_speed_tells_locked_from_free(truth: Truth) -> None:
    """A wheel that stays still in space turns back as fast as the body turns; one that is taped does not turn."""
    assert "locked" in with_wheel(truth, 0.0).ratios
    assert "free" in with_wheel(truth, 1.0).ratios
    with pytest.raises(BenchError, match="neither taped nor free"):
        with_wheel(truth, 0.5)
    with pytest.raises(BenchError, match="declared taped, but its speed says free"):
        with_wheel(truth, 1.0, wheel="taped")


def test_wheel_that_slips_first_and_sticks_later_is_refused(truth: Truth) -> None:
    """Half of the swing with a free wheel, half with a locked one."""
    rng = np.random.default_rng(10)
    first = swing_columns(truth, rng, seconds=8.0, taped=False)["gyro_counts"]
    second = swing_columns(truth, rng, seconds=12.0, taped=True, start_deg=12.0)["gyro_counts"]
    rising = np.flatnonzero((first[:-1] < 0) & (first[1:] >= 0) & (np.arange(len(first) - 1) > 6000))[0]
    joining = np.flatnonzero((second[:-1] < 0) & (second[1:] >= 0))[3]
    joined = np.concatenate([first[:rising], second[joining : joining + 7000]])
    log = log_of("swing.csv", {"time_s": stamps(len(joined), 1e-3), "gyro_counts": joined}, wheel="taped")
    with pytest.raises(BenchError, match=r"changed by .* from the first to the second half"):
        measure_log(log, truth.build)


# ---- against the build file ----


def test_slips_of_the_build_file_are_named(truth: Truth, experiments: dict[str, Experiment]) -> None:
    """A torque constant in mN m and a wheel inertia ten times too large are told with their factor."""
    build = truth.build
    wrong = replace(build, wheel=replace(build.wheel, inertia_kg_m2=Quantity.exact(10 * truth.plant.wheel_inertia_kg_m2)))
    found = {conflict.what: conflict for conflict in adjust([experiments["square"], experiments["scale"]], wrong).conflicts}
    assert "a slip of ten" in found["J/G, wheel"].remedy
    assert not found["J/G, wheel"].serious


def test_scale_below_the_wheel_alone_is_refused(truth: Truth, experiments: dict[str, Experiment]) -> None:
    """The wheel's own moment exceeds the whole body's: masses or reading are wrong."""
    scale = experiments["scale"]
    light = replace(scale, ratios={"mass_height": replace(scale.ratios["mass_height"], value=1e-3)})
    with pytest.raises(BenchError, match="less than the wheel alone"):
        adjust([light], truth.build)


def test_interval_of_a_positive_number_stays_positive(truth: Truth, experiments: dict[str, Experiment]) -> None:
    """A resistance known to 200 % cannot be negative, so that the file is read again."""
    supply = experiments["supply"]
    vague = replace(supply, ratios={"resistance": replace(supply.ratios["resistance"], half_width=2 * truth.plant.resistance_ohm)})
    measurement = adjust([vague], truth.build)
    assert 0 < measurement.parameters[0].low < 0.1 * truth.plant.resistance_ohm
    assert parse_build(put_parameters(truth.build.source_text, measurement.parameters), "lantern.toml")


def test_negative_inertia_is_refused(truth: Truth, experiments: dict[str, Experiment]) -> None:
    """A swing so fast that nothing would be left for the body."""
    swing = experiments["swing"]
    fast = replace(swing, ratios={"locked": replace(swing.ratios["locked"], value=1e-4)})
    with pytest.raises(BenchError, match=r"body\.inertia_kg_m2 comes out as -") as caught:
        adjust([fast], truth.build)
    assert "weigh and measure" in caught.value.remedy


# ---- text of the build file ----


def parameter(table: str, key: str, value: float, low: float, high: float) -> Parameter:
    return Parameter(table, key, "", value, low, high, None, "a.csv", 1.0)


def test_text_keeps_everything_else() -> None:
    """Comments, order, blank lines and layout of all other lines stay, byte for byte; an absent key joins its table."""
    build: Build = lantern("calm")
    text = build.source_text.replace("pivot_coulomb_n_m = 1.0e-4\n", "")
    new = put_parameters(
        text,
        [
            parameter("wheel", "inertia_kg_m2", 1.03e-4, 1.01e-4, 1.05e-4),
            parameter("sensors.gyro", "bias_dps", -0.25, -0.35, -0.15),
            parameter("body", "pivot_coulomb_n_m", 9e-5, 8e-5, 1e-4),
        ],
    )
    old_lines, new_lines = text.splitlines(), new.splitlines()
    changed = [line for line in new_lines if line not in old_lines]
    assert len(changed) == 3
    assert [line for line in old_lines if line not in new_lines] == [
        "inertia_kg_m2 = 1.02e-4           # about its axle, rotor included",
        "bias_dps = { value = 0.0, low = -1.0, high = 1.0 }",
    ]
    assert any(
        line.startswith("inertia_kg_m2 = { value = 1.03e-4") and line.endswith("# about its axle, rotor included") for line in changed
    )
    values = tomllib.loads(new)
    assert values["sensors"]["gyro"]["bias_dps"] == {"value": -0.25, "low": -0.35, "high": -0.15}
    assert list(values["body"])[-1] == "pivot_coulomb_n_m"


def test_windows_line_ends_stay() -> None:
    """A file written on another system is not turned over."""
    text = lantern("calm").source_text.replace("\n", "\r\n")
    new = put_parameters(text, [parameter("wheel", "inertia_kg_m2", 1.03e-4, 1.01e-4, 1.05e-4)])
    assert new.count("\r\n") == text.count("\r\n")
    assert new.count("\n") == new.count("\r\n")


@pytest.mark.parametrize(
    ("value", "step", "text"),
    [
        (0.0, 1.0, "0.0"),
        (12.0, 0.01, "12.0"),
        (0.0641234, 1e-6, "0.064123"),
        (1.02345678e-4, 1e-8, "1.0235e-4"),
        (-0.25, 0.001, "-0.25"),
        (123456.0, 1000.0, "123500.0"),
        (2.5e7, 1e4, "2.5e7"),
    ],
)
def test_numbers_have_as_many_digits_as_they_are_worth(value: float, step: float, text: str) -> None:
    """And are read back by any TOML parser."""
    assert number_text(value, step) == text
    assert tomllib.loads(f"x = {text}")["x"] == float(text)


def test_interval_is_rounded_outward() -> None:
    """The written interval holds the computed one."""
    rng = np.random.default_rng(6)
    for _ in range(200):
        value = 10.0 ** rng.uniform(-7, 4) * rng.choice([-1, 1])
        half = abs(value) * 10.0 ** rng.uniform(-4, 0)
        written = tomllib.loads(put_parameters("[t]\nx = 1\n", [parameter("t", "x", value, value - half, value + half)]))["t"]["x"]
        assert written["low"] <= value - half
        assert written["high"] >= value + half
        assert written["low"] <= written["value"] <= written["high"]
        assert written["high"] - written["low"] <= 2 * half * 1.1 + 2e-3 * abs(value)


# ---- the guide ----


def test_guide_names_experiments_and_cautions() -> None:
    """Each kind, in order; guard, eye protection, current limit, tether, battery, local codes; numbers of the machine."""
    text = guide_text(nominal("calm").build)
    places = [
        text.index(f"{number}. {kind}:") for number, kind in enumerate(("rest", "scale", "swing", "square", "spin", "supply"), start=1)
    ]
    assert places == sorted(places)
    for word in ("Guard", "eye protection", "Limit the current", "tether", "Disconnect the battery", "Local codes", "0.65 s", "0.42 A"):
        assert word in text
    assert guide_text() != text
    assert all(len(line) <= 130 for line in text.splitlines())
