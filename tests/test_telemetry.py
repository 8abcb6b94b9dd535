"""Robot logs: the trace record against C's own layout, reading, replay bit for bit, and the machine as it flew."""

from __future__ import annotations

import functools
import json
import math
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from codegen.build import read_build
from codegen.cli import main
from codegen.control import ARMED_REGIME
from codegen.control.examine import LinearLoop
from codegen.diagnosis import Twin
from codegen.errors import BenchError
from codegen.machines import DesignedLantern, design_lantern
from codegen.native.compile import compile_library
from codegen.pipeline import ship_graph
from codegen.plant import Plant, Scenario, StepFunction, fly
from codegen.target.firmware import firmware_files
from codegen.targets import read_target
from codegen.telemetry import Trace, column_names, find_as_flown, read_physical, read_trace, record_layout, replay_trace, trace_text
from codegen.telemetry.comparison import changes_since, compare_flown, comparison_document, read_comparison
from codegen.telemetry.order import find_cogging, find_line, find_unbalance
from codegen.telemetry.readings import Readings
from tests.trembling import own_emission

EXAMPLES = Path(__file__).parent / "examples"
OFFSET_RAD, BIAS_RAD_S = math.radians(1.5), math.radians(0.3)


@functools.cache
def machine(name: str = "calm") -> tuple[DesignedLantern, Twin]:
    """A lantern with its controller, compiled once."""
    designed = design_lantern(EXAMPLES / f"lantern_{name}.toml")
    return designed, Twin(designed, read_target(designed.build.target.mcu))


def logged(plant: Plant, name: str = "calm", *, seconds: float = 60.0, seed: int = 1) -> Trace:
    """The trace of a robot that finds its balance angle and is poked once."""
    _, twin = machine(name)
    scenario = Scenario(
        seconds,
        seed=seed,
        tilt_rad=-OFFSET_RAD,
        hold_s=0.3,
        arm_s=0.3,
        balance_offset_rad=OFFSET_RAD,
        gyro_bias_rad_s=BIAS_RAD_S,
        pokes=((20.0, 0.001),),
        record_counts=True,
    )
    counts = fly(plant, StepFunction(*twin.controller.flight_step()), scenario).counts
    assert counts is not None
    wide = counts.astype(np.int64)
    return Trace("robot.csv", twin.shape, wide[:, :6], wide[:, 6:], np.ones(3, dtype=np.bool_), None, None)


# The record


@pytest.mark.parametrize("packed", [False, True])
def test_a_dump_of_the_firmwares_ring_reads_back_as_what_the_controller_did(packed: bool, tmp_path: Path) -> None:
    """The firmware's own trace code, compiled with and without padding, fills its ring; its bytes read back tick for tick."""
    designed, twin = machine()
    emission, target = own_emission(designed), read_target("cortex-m4")
    files = {Path(name).name: text for name, text in firmware_files(emission, twin.fixed, target, 64_000_000).items()}
    name = emission.name
    driver = f"""
#include <string.h>
#include "board_trace.h"
int64_t fill(const int64_t *inputs, int64_t ticks, unsigned char *dump, int64_t size);
int64_t fill(const int64_t *inputs, int64_t ticks, unsigned char *dump, int64_t size)
{{
    {name}_state state;
    {name}_init(&state);
    for (int64_t tick = 0; tick < ticks; tick++) {{
        {name}_inputs in;
        {name}_outputs out;
        memset(&in, 0, sizeof in);
        memset(&out, 0, sizeof out);
        const int64_t *row = inputs + 6 * tick;
        in.gyro_rate = (int16_t)row[0];
        in.accel_tangential = (int16_t)row[1];
        in.accel_radial = (int16_t)row[2];
        in.wheel_speed = (int16_t)row[3];
        in.arm = row[4] != 0;
        in.sensor_fresh = row[5] != 0;
        {name}_step(&state, &in, &out);
        board_trace(&in, &out);
    }}
    if (size < (int64_t)sizeof board_trace_entries) {{ return -1; }}
    memcpy(dump, board_trace_entries, sizeof board_trace_entries);
    return (int64_t)sizeof board_trace_entries * 65536 + board_trace_next;
}}
"""
    library = compile_library(
        {
            f"{name}.h": emission.header,
            f"{name}.c": emission.source,
            "board_trace.h": files["board_trace.h"],
            "board_trace.c": files["board_trace.c"],
            "driver.c": driver,
        },
        declarations="int64_t fill(const int64_t *inputs, int64_t ticks, unsigned char *dump, int64_t size);",
        flags=("-fpack-struct=1",) if packed else (),
        warnings_are_errors=False,
    )
    trace = logged(designed.plant, seconds=0.9)
    dump = np.zeros(1 << 20, dtype=np.uint8)
    inputs = np.ascontiguousarray(trace.inputs)
    pointers = [library.ffi.cast("int64_t *", inputs.ctypes.data), library.ffi.cast("unsigned char *", dump.ctypes.data)]
    answer = int(library.lib.fill(pointers[0], trace.ticks, pointers[1], len(dump)))
    library.close()
    size, oldest = divmod(answer, 65536)
    path = tmp_path / "ring.bin"
    path.write_bytes(dump[:size].tobytes())
    read = read_trace(path, twin.shape, aligned=not packed, oldest=oldest)
    assert read.ticks == size // record_layout(twin.shape, aligned=not packed).dtype.itemsize > 100
    assert read.inputs.tolist() == trace.inputs[-read.ticks :].tolist()
    assert read.outputs.tolist() == trace.outputs[-read.ticks :].tolist()


def test_text_reads_back_as_written(tmp_path: Path) -> None:
    """Counts and stamps survive the way through CSV."""
    designed, twin = machine()
    trace = logged(designed.plant, seconds=0.2)
    path = tmp_path / "robot.csv"
    stamps = np.linspace(5.0, 5.0 + 1e-3 * (trace.ticks - 1), trace.ticks)
    path.write_text(trace_text(twin.shape, np.hstack([trace.inputs, trace.outputs]), stamps), encoding="utf-8")
    read = read_trace(path, twin.shape)
    assert read.inputs.tolist() == trace.inputs.tolist()
    assert read.outputs.tolist() == trace.outputs.tolist()
    assert read.time_s is not None
    assert np.abs(read.time_s - stamps).max() < 1e-9
    assert read.place(0) == "robot.csv, tick 0, line 3"


def rows(count: int = 60) -> list[list[str]]:
    """A log of zeros: names, then rows."""
    _, twin = machine()
    return [list(column_names(twin.shape)), *([["0"] * 9] * count)]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda table: [row[1:] for row in table], "lacks gyro_rate"),
        (lambda table: [row[:6] for row in table], "lacks drive_command"),
        (lambda table: [["gyro_rates", *table[0][1:]], *table[1:]], "did you mean gyro_rate"),
        (lambda table: [*table[:5], ["0.5", *table[5][1:]], *table[6:]], "line 6.*no whole number|no whole number"),
        (lambda table: [*table[:5], ["40000", *table[5][1:]], *table[6:]], "does not fit into int16_t gyro_rate"),
        (lambda table: [*table[:5], ["", *table[5][1:]], *table[6:]], "is empty"),
        (lambda table: table[:10], "9 ticks only"),
        (lambda table: [["time_us", *table[0]], *([str(10_000 * n), *row] for n, row in enumerate(table[1:]))], "10 ms apart"),
        (lambda table: [["time_us", *table[0]], *([str(1000 * abs(30 - n)), *row] for n, row in enumerate(table[1:]))], "runs back"),
    ],
)
def test_a_log_that_cannot_be_replayed_is_refused_with_its_place(change: object, message: str, tmp_path: Path) -> None:
    """Missing columns, physical units, foreign words, holes, thinned or reversed time: one error each."""
    assert callable(change)
    _, twin = machine()
    path = tmp_path / "robot.csv"
    path.write_text("\n".join(",".join(row) for row in change(rows())) + "\n", encoding="utf-8")
    with pytest.raises(BenchError, match=message) as raised:
        read_trace(path, twin.shape)
    assert "robot.csv" in raised.value.where


@pytest.mark.parametrize(
    ("records", "more", "oldest", "message"),
    [(0, 3, 0, "no whole number of records"), (60, 0, 60, "oldest of 60"), (20, 0, 0, "20 ticks only")],
)
def test_a_dump_that_is_none_is_refused(records: int, more: int, oldest: int, message: str, tmp_path: Path) -> None:
    """Cut dumps, an index beyond the ring, and too little to say anything."""
    _, twin = machine()
    path = tmp_path / "ring.bin"
    path.write_bytes(bytes(record_layout(twin.shape, aligned=True).dtype.itemsize * records + more))
    with pytest.raises(BenchError, match=message):
        read_trace(path, twin.shape, oldest=oldest)


# Replay


def test_the_emitted_c_replays_its_own_flight_bit_for_bit() -> None:
    """Every output of every tick is the same."""
    designed, twin = machine()
    replay = replay_trace(logged(designed.plant, seconds=5.0), twin.controller)
    assert replay.holds
    assert replay.ticks == 5000
    assert replay.memory["tilt_last"].shape == (5000,)


@pytest.mark.parametrize(("output", "tick"), [(0, 1234), (1, 77), (2, 4999)])
def test_the_first_difference_is_named(output: int, tick: int) -> None:
    """One command or flag changed in the log is found at its tick, and nothing before it."""
    designed, twin = machine()
    trace = logged(designed.plant, seconds=5.0)
    spoilt = trace.outputs.copy()
    spoilt[tick, output] ^= 1
    difference = replay_trace(replace(trace, outputs=spoilt), twin.controller).difference
    assert difference is not None
    assert (difference.tick, difference.ticks) == (tick, 1)
    assert difference.output == twin.shape.outputs[output].name
    assert difference.logged == int(spoilt[tick, output]) != difference.replayed


def test_a_log_from_the_middle_of_a_flight_is_told_apart() -> None:
    """Where the log begins with the controller armed, its memory is unknown and a difference is no reproach."""
    designed, twin = machine()
    trace = logged(designed.plant, seconds=5.0)
    late = replace(trace, inputs=trace.inputs[2000:], outputs=trace.outputs[2000:])
    assert replay_trace(late, twin.controller).starts_in_flight


# The machine as flown


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("calm", {"latency_s": 0.0106}),
        pytest.param("calm", {}, marks=pytest.mark.long),
        pytest.param("calm", {"torque_constant": 0.8 * 0.045}, marks=pytest.mark.long),
        pytest.param("heavy", {"wheel_coulomb_n_m": 4.5e-3, "wheel_stiction_n_m": 6.6e-3}, marks=pytest.mark.long),
        pytest.param("lively", {"latency_s": 0.0106}, marks=pytest.mark.long),
    ],
)
def test_the_machine_is_found_as_it_flew(name: str, change: dict[str, float]) -> None:
    """Balance angle, bias, latency, torque scale and friction of changed machines, from their logs of a minute."""
    designed, twin = machine(name)
    plant = replace(designed.plant, **change)  # type: ignore[arg-type]
    found = find_as_flown(logged(plant, name), designed.plant, twin.graph)
    assert found.balance_offset_rad.value == pytest.approx(OFFSET_RAD, abs=math.radians(0.01))
    assert found.gyro_bias_rad_s.value == pytest.approx(BIAS_RAD_S, abs=math.radians(0.02))
    assert found.loop.low_s - 0.5e-3 <= plant.latency_s <= found.loop.high_s + 0.5e-3
    assert found.loop.high_s - found.loop.low_s < 0.005
    assert found.drive.torque_scale.value == pytest.approx(plant.torque_constant / designed.plant.torque_constant, rel=0.25)
    if name != "lively":
        # Its counter of 8 rad/s a count shows little of the friction.
        assert found.drive.coulomb_n_m.value == pytest.approx(plant.wheel_coulomb_n_m, rel=0.2)
    if name == "calm":
        assert found.drive.torque_scale.value == pytest.approx(plant.torque_constant / designed.plant.torque_constant, rel=0.06)


@pytest.mark.long
def test_margins_as_flown_are_those_of_the_machine_that_flew() -> None:
    """With nine more milliseconds of latency, delay margin and peak are those of the true machine within a tenth."""
    designed, twin = machine()
    plant = replace(designed.plant, latency_s=0.0106)
    found = find_as_flown(logged(plant), designed.plant, twin.graph)
    true = LinearLoop(twin.graph, designed.plant, ARMED_REGIME).margins(plant=plant)
    assert found.margins.peak_sensitivity == pytest.approx(true.peak_sensitivity, rel=0.1)
    assert found.margins.delay_margin_s == pytest.approx(true.delay_margin_s, rel=0.15)


def test_a_log_without_flight_is_too_short() -> None:
    """A robot that was never armed has flown nothing."""
    designed, twin = machine()
    trace = logged(designed.plant, seconds=5.0)
    with pytest.raises(BenchError, match=r"robot\.csv.*balances for"):
        find_as_flown(trace, designed.plant, twin.graph)


# Lines


def turning(speed_rad_s: float, torque: float, order: float, seconds: float = 40.0) -> Readings:
    """A made-up signal: noise, and a line of known size at an order of a wheel whose speed wanders by ten per cent."""
    source, period = np.random.default_rng(4), 1e-3
    ticks = round(seconds / period)
    wheel = speed_rad_s * (1.0 + 0.1 * np.sin(2.0 * np.pi * 0.05 * np.arange(ticks) * period))
    angle = np.cumsum(wheel) * period
    rate = source.normal(0.0, 1e-3, ticks) + torque * np.sin(order * angle + 0.7)
    zero = np.zeros(ticks)
    return Readings(rate, zero, wheel, zero, np.ones(ticks, dtype=np.bool_), period)


@pytest.mark.parametrize(("speed", "order", "size"), [(6.0, 84.0, 5e-4), (12.0, 12.0, 3e-3), (5.0, 1.0, 1e-3), (-6.0, 42.0, 5e-4)])
def test_a_line_has_the_amplitude_that_was_put_in(speed: float, order: float, size: float) -> None:
    """A sine that turns with a wandering wheel is found with its amplitude and its order, although its frequency wanders."""
    readings = turning(speed, size, order)
    line = find_line(readings.rate_rad_s, readings.wheel_rad_s, readings.period_s, order, 1e-3)
    assert line is not None
    assert line.amplitude == pytest.approx(size, rel=0.05)
    assert line.frequency_hz == pytest.approx(order * abs(speed) / (2.0 * np.pi), rel=0.02)
    found = find_unbalance(readings, machine()[0].plant) if order == 1.0 else find_cogging(readings, machine()[0].plant)
    assert found is not None
    assert found.order == order


def test_noise_alone_has_no_line() -> None:
    """Without a line none is found, and a wheel that stands cannot have one."""
    plant = machine()[0].plant
    quiet = turning(6.0, 0.0, 84.0)
    assert find_cogging(quiet, plant) is None
    assert find_unbalance(quiet, plant) is None
    still = replace(quiet, wheel_rad_s=np.zeros(quiet.ticks))
    assert find_cogging(still, plant) is None
    assert find_unbalance(still, plant) is None


# Comparison


def test_what_changed_is_told_from_what_did_not() -> None:
    """A second flight with twice the friction differs in friction; its balance angle does not; JSON carries the first one over."""
    designed, twin = machine()
    loop = LinearLoop(twin.graph, designed.plant, ARMED_REGIME)
    sticky = replace(designed.plant, wheel_coulomb_n_m=8e-4, wheel_stiction_n_m=1.2e-3)
    flights = [logged(designed.plant), logged(sticky, seed=2)]
    before, now = (compare_flown(designed.build, loop, find_as_flown(trace, designed.plant, twin.graph)) for trace in flights)
    carried = read_comparison(json.loads(json.dumps(comparison_document(before))), "before.json")
    changed = {change.name: change.is_real for change in changes_since(carried, now)}
    agrees = {one.name: one.agrees for one in now}
    assert changed["friction of the turning wheel"]
    assert not changed["balance angle"]
    assert not changed["latency"]
    assert not agrees["friction of the turning wheel"]
    assert agrees["balance angle"]
    assert all(one.agrees for one in before if one.judged)


SCHEMA = {"schema": "loopwright-comparison/1"}


@pytest.mark.parametrize("document", [[], {}, SCHEMA, {**SCHEMA, "quantities": [{}]}])
def test_a_file_that_is_no_comparison_is_refused(document: object) -> None:
    """One error, with the file's name."""
    with pytest.raises(BenchError, match=r"before\.json"):
        read_comparison(document, "before.json")  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What ship writes, as far as a comparison needs it."""
    folder = tmp_path_factory.mktemp("shipped") / "lantern"
    ship_graph(machine()[0].graph(), "cortex-m4", folder, ticks=1000)
    shutil.copy(EXAMPLES / "lantern_calm.toml", folder / "build.toml")
    return folder


def test_compare_holds_for_the_robot_that_runs_the_shipped_c(shipped: Path, tmp_path: Path) -> None:
    """Status 0, every output equal, and all stated quantities agree; a spoilt command is status 1 and named."""
    designed, twin = machine()
    trace, log = logged(designed.plant, seconds=30.0), tmp_path / "robot.csv"
    log.write_text(trace_text(twin.shape, np.hstack([trace.inputs, trace.outputs])), encoding="utf-8")
    run = CliRunner().invoke(main, ["compare", str(shipped), str(log), "--json"])
    assert run.exit_code == 0, run.output
    found = json.loads(run.stdout)
    assert found["difference"] is None
    assert found["replayed_ticks"] == 30_000
    assert all(row["agrees"] in (True, None) for row in found["quantities"])
    spoilt = trace.outputs.copy()
    spoilt[20_000, 0] += 1
    log.write_text(trace_text(twin.shape, np.hstack([trace.inputs, spoilt])), encoding="utf-8")
    run = CliRunner().invoke(main, ["compare", str(shipped), str(log), "--since", str(log)])
    assert run.exit_code == 1
    assert "tick 20000, line 20003" in " ".join(run.output.split())


def test_compare_without_a_log_or_shipment_is_bad_input(shipped: Path, tmp_path: Path) -> None:
    """Status 2 and one error."""
    for arguments in ([str(shipped), str(tmp_path / "nowhere.csv")], [str(tmp_path), str(tmp_path / "nowhere.csv")]):
        run = CliRunner().invoke(main, ["compare", *arguments])
        assert run.exit_code == 2
        assert "Traceback" not in run.output


def test_readings_have_the_units_of_the_build_file() -> None:
    """Mean wheel speed and gyro bias of a flight come out in rad/s."""
    designed, _ = machine()
    readings = read_physical(logged(designed.plant, seconds=20.0), designed.plant)
    build = read_build(EXAMPLES / "lantern_calm.toml")
    late = readings.part(15_000, 20_000)
    assert float(np.mean(late.rate_rad_s)) == pytest.approx(BIAS_RAD_S, abs=math.radians(0.02))
    assert float(np.mean(late.angle_rad)) == pytest.approx(OFFSET_RAD, abs=math.radians(0.05))
    assert 3.0 < float(np.mean(late.wheel_rad_s)) < 7.0
    assert np.abs(readings.torque_n_m).max() <= build.drive.torque_constant_n_m_per_a.value * build.drive.current_limit_a.value + 1e-12
