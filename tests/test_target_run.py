"""Controllers on emulated cores: bit for bit what the host computes, faults seen, refusals clear, and the firmware in the loop."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from codegen.errors import CheckFailed, CompileError
from codegen.graph import Graph
from codegen.host.controller import CompiledController, HostController
from codegen.plant import Scenario, StepFunction, fly
from codegen.target import emulate_simavr, emulate_unicorn
from codegen.target.build import CompilerKind, Optimise, build_emission, build_image
from codegen.target.firmware import build_firmware, firmware_files, project_folder
from codegen.target.image import TargetImage
from codegen.target.loop import TargetFlight, fly_on_target
from codegen.target.run import CORPUS_TICKS, TargetCheck, compare_with_host, draw_corpus, run_on_target, start_core
from codegen.target.trace import Core
from codegen.targets import read_target
from tests.defect_graphs import heater, lamp, realise, turntable, vent
from tests.target_tools import (
    BUILDS,
    COUNTING,
    IDLE,
    SMALL,
    TARGETS,
    Counts,
    lantern_image,
    made,
    need_compiler,
    need_emulator,
    small_image,
    small_sources,
)

FIRMWARE_TARGETS = ("atmega328p", "cortex-m0plus", "rv32imc")
CLOCK_HZ = 16_000_000


def check_lantern(name: str, target: str, ticks: int, kind: CompilerKind | None = None, optimise: Optimise = "-O2") -> TargetCheck:
    """A lantern over the corpus, on the target and here."""
    need_emulator(target)
    image, part = lantern_image(name, target, kind, optimise), made(name, target)
    with HostController(part.emission, part.fixed) as host:
        return compare_with_host(image, host, draw_corpus(part.fixed, part.traces, ticks))


def assert_exact(check: TargetCheck, ticks: int) -> None:
    """No value differs, and the corpus was neither short nor idle."""
    assert check.first is None
    assert check.mismatches == 0
    assert check.ticks >= ticks
    assert check.armed_ticks > check.ticks // 10


@pytest.mark.parametrize("target", TARGETS)
def test_lantern_is_bit_exact(target: str) -> None:
    check = check_lantern("calm", target, 10_000)

    assert_exact(check, 10_000)
    assert 16 <= check.stack_bytes <= 256
    if target == "atmega328p":
        assert check.ordinary_cycles is not None
        assert check.outer_cycles is not None
        assert 500 < check.ordinary_cycles < check.outer_cycles < 16_000
    else:
        assert check.ordinary_cycles is None


@pytest.mark.extended
@pytest.mark.parametrize("name", ["calm", "heavy", "lively"])
@pytest.mark.parametrize("optimise", ["-O2", "-Os"])
@pytest.mark.parametrize(("target", "kind"), BUILDS)
def test_every_lantern_is_bit_exact_over_the_whole_corpus(target: str, kind: CompilerKind, optimise: Optimise, name: str) -> None:
    assert_exact(check_lantern(name, target, CORPUS_TICKS, kind, optimise), CORPUS_TICKS)


@pytest.mark.parametrize("graph", [turntable, heater, lamp, vent])
@pytest.mark.parametrize("target", TARGETS)
def test_other_controllers_are_bit_exact(target: str, graph: Callable[[], Graph]) -> None:
    """Wrapping counters, products, tables (which an AVR keeps in data memory), live gains, 64-bit sums."""
    need_compiler(target)
    need_emulator(target)
    emission, fixed = realise(graph(), target)
    image = build_emission(emission, fixed, read_target(target))
    with HostController(emission, fixed) as host:
        check = compare_with_host(image, host, draw_corpus(fixed, (), 4000))

    assert check.first is None
    assert check.mismatches == 0


@pytest.mark.parametrize("target", FIRMWARE_TARGETS)
def test_a_planted_fault_is_found(target: str) -> None:
    """One constant changed by one on the target's side only."""
    need_compiler(target)
    need_emulator(target)
    part = made("calm", target)
    old = "state->slow_count >= 39u"
    assert part.emission.source.count(old) == 1
    spoilt = replace(part.emission, source=part.emission.source.replace(old, "state->slow_count >= 38u"))
    image = build_emission(spoilt, part.fixed, read_target(target))
    with HostController(part.emission, part.fixed) as host:
        check = compare_with_host(image, host, draw_corpus(part.fixed, part.traces, 2000))

    assert check.mismatches > 0
    assert check.first is not None
    assert check.first.tick in range(40)
    assert check.first.host != check.first.target


def readings(ticks: int, lanes: int = 1) -> Counts:
    """Random readings of the small hand-written controller."""
    rng = np.random.default_rng(3)
    return np.stack([rng.integers(port.low, port.high, (ticks, lanes), endpoint=True) for port in SMALL.inputs], axis=1)


@pytest.mark.parametrize(("target", "kind"), BUILDS)
def test_every_member_goes_to_its_place(target: str, kind: CompilerKind) -> None:
    """Mixed widths and gaps; the expected values are computed here, from the C text's meaning."""
    need_emulator(target)
    inputs = readings(50, 2)
    memory = np.array([[65530, 7], [-(2**40), 2**40]])
    trace = run_on_target(small_image(target, COUNTING, kind=kind), inputs, memory)

    sums = memory[1] + np.cumsum(inputs[:, 0] * inputs[:, 1], axis=0)
    counts = (memory[0] + np.arange(1, 51)[:, None]) % 2**16
    np.testing.assert_array_equal(trace.memory, np.stack([counts, sums], axis=1))
    np.testing.assert_array_equal(trace.outputs, np.stack([sums < 0, sums], axis=1))


@pytest.mark.parametrize("target", TARGETS)
def test_start_up_gives_statics_their_values(target: str) -> None:
    """Data memory is full of dirt when the core starts; C99 6.7.8 says what statics hold then."""
    need_emulator(target)
    step = (
        "    static int32_t seven = 777;\n    static int32_t zero;\n    (void)inputs;\n    zero += 2;\n"
        "    state->sum = seven++ + zero;\n    outputs->flag = zero > 2;\n    outputs->long_word = zero;"
    )
    trace = run_on_target(small_image(target, step), readings(3))
    assert trace.memory[:, 1, 0].tolist() == [779, 782, 785]
    assert trace.outputs[:, :, 0].tolist() == [[0, 2], [1, 4], [1, 6]]


@pytest.mark.parametrize("target", TARGETS)
def test_hand_written_controllers_agree_with_the_host(target: str) -> None:
    need_emulator(target)
    image = small_image(target, COUNTING)
    with CompiledController(SMALL, small_sources(COUNTING)) as host:
        check = compare_with_host(image, host, [("white", readings(500, 3), None)])
    assert (check.mismatches, check.ticks) == (0, 1500)


def test_an_empty_step_takes_its_return() -> None:
    """Outside check: RET takes 4 cycles with a 16-bit program counter, and its address is 2 bytes of stack.

    Microchip, AVR Instruction Set Manual, DS40002198, RET (AVRe).
    """
    need_emulator("atmega328p")
    trace = run_on_target(small_image("atmega328p", IDLE), readings(3))
    assert trace.cycles is not None
    assert trace.cycles[:, 0].tolist() == [4, 4, 4]
    assert trace.stack_bytes == 2
    assert trace.worst(outer=True) is None


@pytest.mark.parametrize("target", ["cortex-m0plus", "rv32imc"])
def test_an_empty_step_uses_no_stack(target: str) -> None:
    """The driving loop's own frame is not the controller's."""
    need_emulator(target)
    assert run_on_target(small_image(target, IDLE), readings(3)).stack_bytes == 0


def test_a_frame_of_known_size_is_seen_on_the_stack() -> None:
    """A local array that the compiler cannot do without."""
    need_emulator("cortex-m0plus")
    step = (
        "    volatile uint8_t local[200];\n    for (int i = 0; i < 200; i++) { local[i] = (uint8_t)inputs->narrow; }\n"
        "    state->sum = local[7];\n    outputs->flag = false;"
    )
    used = run_on_target(small_image("cortex-m0plus", step), readings(3)).stack_bytes
    assert 200 <= used <= 240


def start_lantern(target: str) -> tuple[Core, Counts]:
    """A core with the calm lantern, initialised, and a flight's readings."""
    need_emulator(target)
    core = start_core(lantern_image("calm", target))
    core.start()
    return core, made("calm", target).traces[0]


def test_traced_instructions_add_up_to_the_counted_cycles() -> None:
    core, flight = start_lantern("atmega328p")
    counted = core.run(flight[:80]).cycles
    core.start()
    traced = [core.trace(reading) for reading in flight[:80]]
    core.close()

    assert counted is not None
    assert [int(trace.cycles.sum()) for trace in traced if trace.cycles is not None] == counted.tolist()


@pytest.mark.parametrize("target", TARGETS)
def test_a_trace_does_what_a_run_does(target: str) -> None:
    core, flight = start_lantern(target)
    core.run(flight[:45])
    wanted = core.memory()
    core.start()
    traces = [core.trace(reading) for reading in flight[:45]]
    got = core.memory()
    core.close()

    np.testing.assert_array_equal(got, wanted)
    step = core.image.symbols[core.image.shape.step]
    for trace in traces:
        assert trace.places[0] == step.address
        inside = (trace.places >= step.address) & (trace.places < step.address + step.size)
        assert inside.mean() > 0.3


@pytest.mark.parametrize("target", FIRMWARE_TARGETS)
def test_a_step_that_does_not_return_is_reported(target: str, monkeypatch: pytest.MonkeyPatch) -> None:
    need_emulator(target)
    monkeypatch.setattr(emulate_unicorn, "_MICROSECONDS", 200_000)
    image = small_image(target, f'{IDLE}\n    while (inputs->wide == 5) {{ __asm__ volatile("" ::: "memory"); }}')
    inputs = readings(3)
    inputs[1, 0] = 5
    with pytest.raises(CheckFailed, match=r"does not come to an end"):
        run_on_target(image, inputs)


@pytest.mark.parametrize("target", ["cortex-m0plus", "cortex-m4", "rv32imc"])
def test_a_wild_access_is_reported(target: str) -> None:
    need_emulator(target)
    image = small_image(target, f"{IDLE}\n    *(volatile uint32_t *)0x90000000u = 1u;")
    with pytest.raises(CheckFailed, match="the emulated core faults"):
        run_on_target(image, readings(1))


def test_a_missing_emulator_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "unicorn", None)
    with pytest.raises(CompileError, match="no Python package unicorn") as caught:
        start_core(small_image("cortex-m0plus", IDLE))
    assert caught.value.remedy == "`pip install unicorn`"
    assert caught.value.exit_status == 2


def test_a_missing_simulator_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    image = small_image("atmega328p", IDLE)
    monkeypatch.setattr(emulate_simavr, "_LIBRARY", "no_such_library")
    monkeypatch.setattr(emulate_simavr, "_bridge", emulate_simavr._bridge.__wrapped__)
    with pytest.raises(CompileError, match="the AVR simulator is missing") as caught:
        start_core(image)
    assert "libsimavr-dev" in caught.value.remedy


@pytest.mark.parametrize(("target", "model"), [("atmega328p", "atmega999"), ("cortex-m3", "CORTEX_M99")])
def test_a_core_that_the_emulator_does_not_know_is_refused(target: str, model: str) -> None:
    need_compiler(target)
    need_emulator(target)
    known = read_target(target)
    image = build_image(small_sources(IDLE), SMALL, replace(known, chip=replace(known.chip, model=model)))
    with pytest.raises(CompileError, match="know") as caught:
        start_core(image)
    assert "chip.model" in caught.value.remedy


def firmware(name: str, target: str, kind: CompilerKind | None = None, change: tuple[str, str] = ("", "")) -> TargetImage:
    """The lantern's firmware, one text replaced."""
    need_compiler(target, kind)
    need_emulator(target)
    part, described = made(name, target), read_target(target)
    files = firmware_files(part.emission, part.fixed, described, CLOCK_HZ)
    board = f"{project_folder(described)}/board.c"
    assert change[0] in files[board]
    files[board] = files[board].replace(*change) if change[0] else files[board]
    return build_firmware(files, part.emission, part.fixed, described, compiler=kind)


def standing(seconds: float, poke_n_m_s: float) -> Scenario:
    """Let go with an unknown balance angle, poked twice."""
    return Scenario(
        seconds,
        hold_s=0.3,
        arm_s=0.3,
        balance_offset_rad=0.02,
        gyro_bias_rad_s=0.01,
        pokes=((0.4 * seconds, poke_n_m_s), (0.7 * seconds, -poke_n_m_s)),
        record_every=1,
        record_counts=True,
    )


def assert_flies_as_the_host(name: str, target: str, scenario: Scenario, kind: CompilerKind | None = None) -> TargetFlight:
    """The flight with the core in the loop is the host's, bit for bit, and it stands."""
    image, part = firmware(name, target, kind), made(name, target)
    got = fly_on_target(image, part.designed.plant, scenario)
    with HostController(part.emission, part.fixed) as host:
        wanted = fly(part.designed.plant, StepFunction(*host.flight_step()), scenario)
    assert got.flight.stands
    assert got.flight.armed
    assert got.flight.ticks == wanted.ticks == round(scenario.seconds * 1000)
    assert got.flight.counts is not None
    assert wanted.counts is not None
    np.testing.assert_array_equal(got.flight.counts, wanted.counts)
    np.testing.assert_array_equal(got.flight.tilt_rad, wanted.tilt_rad)
    np.testing.assert_array_equal(got.flight.wheel_rad_s, wanted.wheel_rad_s)
    np.testing.assert_array_equal(got.trace, wanted.counts[-len(got.trace) :])
    assert got.lost_ticks == 0
    return got


@pytest.mark.parametrize("target", TARGETS)
def test_the_processor_in_the_loop_stands(target: str) -> None:
    poke = made("calm", target).designed.build.goals.poke_n_m_s.value
    got = assert_flies_as_the_host("calm", target, standing(2.0, poke))
    if target == "atmega328p":
        assert got.busy_cycles is not None
        assert 1000 < got.busy_cycles < 16_000
    else:
        assert got.busy_cycles is None


@pytest.mark.extended
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("name", ["calm", "heavy", "lively"])
@pytest.mark.parametrize(("target", "kind"), [build for build in BUILDS if build[0] in FIRMWARE_TARGETS])
def test_the_processor_in_the_loop_stands_for_a_minute(target: str, kind: CompilerKind, name: str) -> None:
    """60 simulated seconds, two pokes of the size that the build file asks to survive."""
    poke = made(name, target).designed.build.goals.poke_n_m_s.value
    assert_flies_as_the_host(name, target, standing(60.0, poke), kind)


@pytest.mark.parametrize("target", FIRMWARE_TARGETS)
def test_the_ring_keeps_what_led_to_a_trip(target: str) -> None:
    """Stale readings trip the controller; half the ring is from before, half from after, however long the run goes on."""
    scenario = replace(standing(1.6, 0.0), faults=(("stale", 1.0, 1.6),), fall_tilt_rad=10.0)
    got = fly_on_target(firmware("calm", target), made("calm", target).designed.plant, scenario)
    tripped = got.trace[:, -1]
    half = len(tripped) // 2
    np.testing.assert_array_equal(tripped, [0] * half + [1] * half)
    assert got.flight.counts is not None
    first = int(np.argmax(got.flight.counts[:, -1]))
    np.testing.assert_array_equal(got.trace, got.flight.counts[first - half : first + half])


@pytest.mark.parametrize("target", FIRMWARE_TARGETS)
def test_a_firmware_that_hangs_is_reported(target: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(emulate_unicorn, "_MICROSECONDS", 200_000)
    image = firmware("calm", target, change=("    board_command = *command;", "    (void)command;\n    for (;;) {\n    }"))
    with pytest.raises(CheckFailed, match=r"does not come to an end"):
        fly_on_target(image, made("calm", target).designed.plant, standing(0.1, 0.0))


def test_a_firmware_that_is_too_slow_loses_ticks() -> None:
    """A drive layer that takes 40,000 cycles, on a tick of 16,000."""
    change = ("    board_command = *command;", "    board_command = *command;\n    for (volatile uint16_t i = 0u; i < 4000u; i++) {\n    }")
    got = fly_on_target(firmware("calm", "atmega328p", change=change), made("calm", "atmega328p").designed.plant, standing(0.1, 0.0))
    assert got.lost_ticks > 20
