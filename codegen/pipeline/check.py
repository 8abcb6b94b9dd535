"""Every check of one emission: proof, properties, bits, errors, run-time faults, the emulated target, flights, planted defects."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from codegen.contract import write_contract
from codegen.defects import run_campaign
from codegen.emit import Emission
from codegen.flight.judge import Level
from codegen.flight.record import Recording
from codegen.host.controller import HostController
from codegen.machines import Machine
from codegen.pipeline.on_target import check_on_target
from codegen.pipeline.progress import Progress
from codegen.plant import AnyPlant, RollingPlant, Scenario, StepFunction, fly_any
from codegen.proof import prove
from codegen.shipment import Checks, Clock, Realisation
from codegen.verify import ErrorCheck, check_bits, check_errors, check_faults, check_properties, emitted_subject
from codegen.verify.budget import Budget

Counts = NDArray[np.int64]
BIT_TICKS = 10_000_000
# Every text is proved under all widths that C leaves open, whatever its target: an edit may be built elsewhere.
DATA_MODELS = ("LP64", "ILP32", "I16")
FLIPS, SENSOR_FAULTS = 20_000, 10_000
PLACES_PER_KIND = 8


def trace_scenarios(plant: AnyPlant) -> tuple[Scenario, Scenario]:
    """Two flights: learning an unknown balance angle, and pokes of 0.2 rad/s, where it may spin with a spun-up wheel."""
    if isinstance(plant, RollingPlant):
        learning, spin = 0.01, 0.0
        poke = 0.2 * plant.effective_inertia_kg_m2 / (1.0 - plant.moment_kg_m / (plant.mass_kg * plant.push_height_m))
    else:
        learning, spin, poke = 0.03, 0.3 * plant.top_speed_rad_s, 0.2 * plant.body_inertia_kg_m2
    first = Scenario(12.0, hold_s=0.3, arm_s=0.3, balance_offset_rad=learning, gyro_bias_rad_s=0.01, record_counts=True)
    pokes = ((6.0, poke), (9.0, -poke))
    return first, Scenario(12.0, seed=2, hold_s=0.3, arm_s=0.3, wheel_rad_s=spin, pokes=pokes, record_counts=True)


def fly_traces(plant: AnyPlant, emission: Emission, part: Realisation) -> list[Counts]:
    """Readings of the flights of ``trace_scenarios``."""
    traces = []
    with HostController(emission, part.fixed) as host:
        columns = len(host.inputs)
        for scenario in trace_scenarios(plant):
            flight = fly_any(plant, StepFunction(*host.flight_step()), scenario)
            if flight.counts is not None:
                traces.append(flight.counts[:, :columns].astype(np.int64))
    return traces


def check(
    part: Realisation,
    emission: Emission,
    progress: Progress,
    designed: Machine | None,
    clock: Clock,
    *,
    level: Level = "quick",
    ticks: int = BIT_TICKS,
    seed: int = 1,
    seconds: float | None = None,
    defects: bool = False,
) -> Checks:
    """Check an emission (or an edited one in its place) against its realisation, and fly it where there is a plant.

    With ``seconds`` no further part is begun once they are used up; what that left out stands in the result.  With ``defects`` the
    checks themselves are tried: defects are planted into the text of the realisation, whatever ``emission`` is.
    """
    budget = Budget(seconds)
    with progress.during("proving", 0.18):
        proof = prove(emission.source, emission.header, write_contract(part.fixed, part.emission), DATA_MODELS)
    traces: list[Counts] = []
    if designed is not None:
        with progress.during("recording flights", 0.2):
            traces = fly_traces(designed.plant, emission, part)
    with progress.during("trying properties", 0.22), emitted_subject(emission, part.fixed, part.one_tick, tuple(traces)) as subject:
        suite = check_properties(subject, seed=seed, seconds=budget.share(0.3))
        faults = check_faults(subject, flips=FLIPS, sensor_faults=SENSOR_FAULTS, seed=seed, seconds=budget.share(0.3))
    left_out = [*suite.left_out, *([faults.left_out] if faults.left_out else [])]
    with progress.during("comparing bits", 0.25):
        affordable = budget.affordable(ticks, lambda some: check_bits(emission, part.fixed, some, seed=seed, traces=traces).ticks)
        bits = check_bits(
            emission,
            part.fixed,
            affordable,
            seed=seed,
            traces=traces,
            progress=lambda share: progress.stage("comparing bits", 0.25 + 0.35 * share),
        )
    if affordable < ticks:
        left_out.append(f"{ticks - bits.ticks:,} of {ticks:,} ticks of the comparison of bits")
    if budget.used_up:
        left_out.append("the search for errors")
        errors = ErrorCheck((), 0, 0, "", seed, 0.0)
    else:
        with progress.during("searching errors", 0.6):
            errors = check_errors(part.fixed, part.one_tick, part.margins, seed=seed, traces=traces)
    target = None
    if budget.used_up:
        left_out.append("the emulated target")
    else:
        with progress.during("running on the target", 0.62):
            target = check_on_target(emission, part.fixed, part.target, clock, designed, traces, seed)
    flight = None
    recordings: tuple[Recording, ...] = ()
    if designed is not None and budget.used_up:
        left_out.append("flights")
    elif designed is not None:
        with progress.during("flying", 0.7), HostController(emission, part.fixed) as host:
            flight = designed.judge(lambda: StepFunction(*host.flight_step()), part.fixed.graph, level)
            recordings = designed.record(host)
    report = None
    if defects and budget.used_up:
        left_out.append("planted defects")
    elif defects:
        with progress.during("planting defects", 0.8):
            report = run_campaign(
                part.emission,
                part.fixed,
                traces=traces,
                seed=seed,
                per_kind=PLACES_PER_KIND,
                progress=lambda share: progress.stage("planting defects", 0.8 + 0.14 * share),
            )
    return Checks(bits, errors, flight, recordings, tuple(traces), suite, faults, tuple(left_out), proof, target, report)
