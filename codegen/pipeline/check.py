"""Every check of one emission: proof, properties, bits, errors, run-time faults, flights."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from codegen.contract import write_contract
from codegen.emit import Emission
from codegen.flight import judge_flight, record_flights, set_terms
from codegen.flight.judge import Level
from codegen.host.controller import HostController
from codegen.pipeline.progress import Progress
from codegen.pipeline.realise import Designed
from codegen.plant import Plant, Scenario, StepFunction, fly
from codegen.proof import prove
from codegen.shipment import Checks, Realisation
from codegen.verify import ErrorCheck, check_bits, check_errors, check_faults, check_properties, emitted_subject
from codegen.verify.budget import Budget

Counts = NDArray[np.int64]
BIT_TICKS = 10_000_000
# Every text is proved under all widths that C leaves open, whatever its target: an edit may be built elsewhere.
DATA_MODELS = ("LP64", "ILP32", "I16")
FLIPS, SENSOR_FAULTS = 20_000, 10_000


def fly_traces(plant: Plant, emission: Emission, part: Realisation) -> list[Counts]:
    """Readings of two flights: learning an unknown balance angle, and pokes with a spun-up wheel."""
    traces = []
    with HostController(emission, part.fixed) as host:
        columns = len(host.inputs)
        for scenario in (
            Scenario(12.0, hold_s=0.3, arm_s=0.3, balance_offset_rad=0.03, gyro_bias_rad_s=0.01, record_counts=True),
            Scenario(
                12.0,
                seed=2,
                hold_s=0.3,
                arm_s=0.3,
                wheel_rad_s=0.3 * plant.top_speed_rad_s,
                pokes=((6.0, 0.2 * plant.body_inertia_kg_m2), (9.0, -0.2 * plant.body_inertia_kg_m2)),
                record_counts=True,
            ),
        ):
            flight = fly(plant, StepFunction(*host.flight_step()), scenario)
            if flight.counts is not None:
                traces.append(flight.counts[:, :columns].astype(np.int64))
    return traces


def check(
    part: Realisation,
    emission: Emission,
    progress: Progress,
    designed: Designed | None,
    *,
    level: Level = "quick",
    ticks: int = BIT_TICKS,
    seed: int = 1,
    seconds: float | None = None,
) -> Checks:
    """Check an emission (or an edited one in its place) against its realisation, and fly it where there is a plant.

    With ``seconds`` no further part is begun once they are used up; what that left out stands in the result.
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
    if designed is None or budget.used_up:
        left_out += ["flights"] if designed is not None else []
        return Checks(bits, errors, None, (), tuple(traces), suite, faults, tuple(left_out), proof)
    with progress.during("flying", 0.65), HostController(emission, part.fixed) as host:
        terms = set_terms(designed.build, designed.design)
        verdict = judge_flight(
            designed.plant, terms, lambda: StepFunction(*host.flight_step()), part.fixed.graph, level
        )
        recordings = record_flights(designed.plant, terms, host)
    return Checks(bits, errors, verdict, recordings, tuple(traces), suite, faults, tuple(left_out), proof)
