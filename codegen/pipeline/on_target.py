"""One controller on its emulated microcontroller: what it costs there, whether it computes as here, and its firmware in flight.

A missing compiler or emulator is told in the result and is no failure; all else that goes wrong is one.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from codegen.build import AnyBuild
from codegen.emit import Emission
from codegen.errors import BoundError, CheckFailed, CompileError, LoopwrightError, TargetError
from codegen.host.controller import HostController
from codegen.machines import Machine
from codegen.plant import Flight, Scenario, StepFunction, fly_any
from codegen.rules.fixed import FixedGraph
from codegen.shipment import Clock, FirmwareFlight, TargetResult, TargetStage
from codegen.target.audit import AuditReport, Budgets, audit
from codegen.target.build import build_emission, find_cross_compiler
from codegen.target.emulate_simavr import simavr_version
from codegen.target.emulate_unicorn import unicorn_version
from codegen.target.firmware import OPTIMISE, build_firmware, firmware_files
from codegen.target.image import TargetImage
from codegen.target.lines import PathLine, cycles_by_line, path_lines
from codegen.target.loop import TargetFlight, fly_on_target
from codegen.target.run import compare_with_host, draw_corpus
from codegen.targets import Target

Counts = NDArray[np.int64]
T = TypeVar("T")
TRIES, REPLAY_TICKS = 600, 20_000
# Of the flight with the firmware in the loop: its length, at most so many ticks, and the share of the goal that the poke has.
FLIGHT_S, FLIGHT_TICKS, POKE_SHARE = 4.0, 8000, 0.5


def choose_clock(target: Target, build: AnyBuild | None, asked: Mapping[str, float]) -> Clock:
    """Clock of a target: the one asked for, else the build file's.

    Args:
        target: Whose clock.
        build: The build file, None for a controller handed in as a graph.
        asked: Hz by name of target.

    Raises:
        TargetError: The chip cannot run that fast.
    """
    highest = target.chip.highest_clock_hz
    named = build is not None and build.target.mcu == target.name
    hz = asked.get(target.name, build.target.clock_hz.value if build is not None and named else None)
    if hz is not None:
        if highest is not None and hz > highest:
            what = f"a clock of {hz:g} Hz is more than {highest} Hz, the most that {target.name} allows"
            raise TargetError(what, "", "name a slower clock")
        return Clock(hz)
    if build is None:
        return Clock(None, f"no clock is known: name it with --clock {target.name} HZ")
    hz = build.target.clock_hz.value
    held = f", held to the most that {target.name} allows" if highest is not None and hz > highest else ""
    hz = min(hz, highest) if highest is not None else hz
    return Clock(hz, f"clock of the build file, which names it for {build.target.mcu}{held}; yours: --clock {target.name} HZ")


def read_budgets(build: AnyBuild | None) -> Budgets:
    """What the build file lets the controller take."""
    if build is None:
        return Budgets()
    wanted = build.target
    return Budgets(
        None if wanted.max_share is None else wanted.max_share.value,
        None if wanted.max_stack_bytes is None else int(wanted.max_stack_bytes.value),
        None if wanted.max_flash_bytes is None else int(wanted.max_flash_bytes.value),
    )


def margins_at(designed: Machine, latency_s: float) -> dict[str, float]:
    """The design's margins with another latency, by name; infinite where there is no limit."""
    margins = designed.margins_at(latency_s)
    return {
        "phase margin, deg": float(np.degrees(margins.phase_margin_rad)),
        "delay margin, ms": 1e3 * margins.delay_margin_s,
        "gain margin up": margins.gain_margin_up,
        "gain margin down": margins.gain_margin_down,
        "disk margin": margins.disk_margin,
        "peak sensitivity": margins.peak_sensitivity,
    }


def measure_costs(
    image: TargetImage, clock: Clock, designed: Machine | None, *, tries: int, seed: int, variant: str = ""
) -> AuditReport:
    """Audit an image against the budgets of the build file, with the margins that the computing time leaves.

    Raises:
        LoopwrightError: See `codegen.target.audit.audit`.
    """
    if designed is None:
        return audit(image, clock.hz, variant=variant, tries=tries, seed=seed)
    build = designed.build
    latency_s = 1e-6 * build.loop.latency_us.value
    return audit(
        image,
        clock.hz,
        read_budgets(build),
        variant=variant,
        tries=tries,
        seed=seed,
        sensor_latency_s=latency_s - 1e-6 * build.loop.compute_us.value,
        designed_latency_s=latency_s,
        margins_at=lambda latency: margins_at(designed, latency),
    )


def emulator_version(target: Target) -> str:
    """Name and version of the emulator.

    Raises:
        CompileError: It is missing.
    """
    return simavr_version() if target.chip.emulator == "simavr" else unicorn_version()


def worst_lines(image: TargetImage, costs: AuditReport, emission: Emission) -> tuple[PathLine, ...]:
    """The longest path in the order of execution, as lines of the C text."""
    sources = {f"{emission.name}.h": emission.header, f"{emission.name}.c": emission.source}
    return path_lines(costs.bound.worst, image.elf, sources)


def check_on_target(
    emission: Emission,
    fixed: FixedGraph,
    target: Target,
    clock: Clock,
    designed: Machine | None,
    traces: Sequence[Counts],
    seed: int,
) -> TargetResult:
    """Compile for the target, bound and measure, replay the host's corpus, and fly the firmware.

    Args:
        emission: The controller.
        fixed: Its integers.
        target: Its microcontroller.
        clock: Of the core.
        designed: Machine and goals, None for a controller handed in as a graph.
        traces: Recorded readings of flights.
        seed: Of search and corpus.
    """
    begun = time.perf_counter()
    missing: list[str] = []
    faults: list[tuple[TargetStage, str]] = []
    result = TargetResult(target.name, clock, seed)
    try:
        find_cross_compiler(target)
    except CompileError as error:
        return replace(result, missing=(f"not compiled for {target.name}: {error.what}; {error.remedy}",))
    tries = TRIES
    try:
        emulator_version(target)
    except CompileError as error:
        missing.append(f"nothing was executed on an emulated {target.name}: {error.what}; {error.remedy}")
        tries = 0

    def attempt(part: TargetStage, what: str, action: Callable[[], T]) -> T | None:
        try:
            return action()
        except (BoundError, CheckFailed, CompileError) as error:
            faults.append((part, _sentence(what, error)))
            return None

    image = attempt("cost", "the C does not build", lambda: build_emission(emission, fixed, target, optimise=OPTIMISE))
    if image is None:
        return replace(result, faults=tuple(faults), missing=tuple(missing), seconds=time.perf_counter() - begun)
    costs = attempt("cost", "no bound of cycles and stack", lambda: measure_costs(image, clock, designed, tries=tries, seed=seed))
    lines = cycles_by_line(worst_lines(image, costs, emission)) if costs is not None else ()
    hz, firmware = clock.hz, None
    if hz is None:
        missing.append("no firmware: its timer needs a clock")
    else:
        firmware = attempt(
            "firmware",
            "the firmware does not build",
            lambda: build_firmware(firmware_files(emission, fixed, target, round(hz)), emission, fixed, target),
        )
        if designed is None:
            missing.append("the firmware was built, but not flown: there is no machine")
    replay = flight = None
    if tries:
        with HostController(emission, fixed) as host:
            corpus = draw_corpus(fixed, traces, REPLAY_TICKS, seed)
            replay = attempt("replay", "the corpus cannot be replayed", lambda: compare_with_host(image, host, corpus))
            if firmware is not None and designed is not None:
                flight = attempt("firmware", "the firmware does not fly", lambda: _fly_firmware(firmware, designed, host))
    return replace(
        result,
        tries=tries,
        costs=costs,
        lines=lines,
        replay=replay,
        flight=flight,
        missing=tuple(missing),
        faults=tuple(faults),
        seconds=time.perf_counter() - begun,
    )


def _sentence(what: str, error: LoopwrightError) -> str:
    place = f"{error.where}: " if error.where else ""
    return f"{what}: {place}{error.what}"


def _fly_firmware(image: TargetImage, designed: Machine, host: HostController) -> FirmwareFlight:
    """The firmware at the controls, beside the host's C in the same flight."""
    plant = designed.plant
    seconds = min(FLIGHT_S, FLIGHT_TICKS * plant.period_s)
    hold_s = 0.1 * seconds
    scenario = Scenario(
        seconds,
        hold_s=hold_s,
        arm_s=hold_s,
        balance_offset_rad=0.02,
        gyro_bias_rad_s=0.01,
        pokes=((0.5 * seconds, POKE_SHARE * designed.build.goals.poke_n_m_s.value),),
        record_counts=True,
    )
    flown = fly_on_target(image, plant, scenario)
    wanted = fly_any(plant, StepFunction(*host.flight_step()), scenario)
    return FirmwareFlight(
        seconds,
        flown.flight.ticks,
        flown.flight.stands and flown.flight.armed and not flown.flight.tripped,
        _differing(flown, wanted),
        flown.lost_ticks,
        flown.busy_cycles,
        len(scenario.pokes),
    )


def _differing(flown: TargetFlight, wanted: Flight) -> int:
    """Values that differ between both flights; all of them where one ended early."""
    here, there, ring = wanted.counts, flown.flight.counts, flown.trace
    if here is None or there is None:
        raise CheckFailed("a flight without readings cannot be compared")
    if here.shape != there.shape:
        return int(max(here.size, there.size))
    kept = here[-len(ring) :]
    return int((here != there).sum()) + int((ring[-len(kept) :] != kept).sum())
