"""The whole chain, stage after stage, and the only writer of outputs.

Takes a build file (or a graph), gives a ``Shipment`` and its files.  Files appear whole or not at all: they are written into a
folder of their own beside the wanted one and moved into place at the end.
"""

from __future__ import annotations

import platform
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from codegen.bounds import bound_closed_loop, bound_many_ticks, bound_one_tick
from codegen.build import Build, read_build
from codegen.ci import Finding, compare_evidence, findings_of, handwritten_findings
from codegen.ci.finding import Place, ended_finding, shown_path
from codegen.contract import write_contract
from codegen.control import ARMED_REGIME, surround, trace_controller
from codegen.design import Design, design_controller
from codegen.emit import Emission, emit_controller
from codegen.errors import LoopwrightError
from codegen.evidence import evidence_text, gather_evidence, read_evidence, sha256
from codegen.flight import fly_reference, judge_flight, record_flights, replay, set_terms
from codegen.flight.judge import Level
from codegen.formats import choose_formats
from codegen.graph import Graph
from codegen.graph.serial import graph_to_json
from codegen.handwritten import check_handwritten, read_contract
from codegen.host.controller import HostController
from codegen.host.shape import shape_of
from codegen.plant import Flight, Plant, Scenario, StepFunction, fly, model_plant
from codegen.proof import prove
from codegen.ranges import find_ranges
from codegen.report import draw_flight, write_report
from codegen.shipment import Checks, Realisation, Shipment
from codegen.shipped import GRAPH_SUFFIX, read_file, read_shipped
from codegen.targets import Target, read_target
from codegen.vectors import draw_vectors
from codegen.verify import ErrorCheck, check_bits, check_errors, check_faults, check_properties, emitted_subject
from codegen.verify.alive import ends_its_process
from codegen.verify.budget import Budget
from codegen.version import VERSION

Counts = NDArray[np.int64]
BIT_TICKS = 10_000_000
LIBRARIES = ("cffi", "numpy", "scipy", "python-flint", "jinja2", "matplotlib", "ziglang")
BUILD_COPY = "build.toml"
# Every text is proved under all widths that C leaves open, whatever its target: an edit may be built elsewhere.
DATA_MODELS = ("LP64", "ILP32", "I16")
PICTURE_POINTS = 4000
FLIPS, SENSOR_FAULTS = 20_000, 10_000
# Longer flights are drawn without the controller's own estimates, which need every tick's readings.
REPLAYED_TICKS = 300_000


@dataclass
class Progress:
    """Where the chain is: ``stage`` is called with a name and the share of the whole that is done.

    Attributes:
        stage: Called at every step.
        seconds: Time per stage so far.
    """

    stage: Callable[[str, float], None] = field(default=lambda name, done: None)
    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def during(self, name: str, done: float) -> Iterator[None]:
        """Time one stage."""
        self.stage(name, done)
        begun = time.perf_counter()
        yield
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - begun


@dataclass(frozen=True)
class Designed:
    """A build with its plant and its design."""

    build: Build
    plant: Plant
    design: Design

    def graph(self) -> Graph:
        """The controller as a graph."""
        return trace_controller(self.design, self.build.name, self.build.title)


def design_build(path: Path) -> Designed:
    """Read, model, design.

    Raises:
        LoopwrightError: The build file is wrong, or no controller stands.
    """
    build = read_build(path)
    plant = model_plant(build)
    return Designed(build, plant, design_controller(build, plant))


def realise(graph: Graph, target: Target, error_budget_counts: float, plant: Plant | None = None) -> Realisation:
    """Give a graph bits, bounds and C text.

    Raises:
        LoopwrightError: No range, no format or no name; with signal and remedy.
    """
    ranges = find_ranges(graph)
    fixed = choose_formats(ranges, target, error_budget_counts)
    one_tick, margins = bound_one_tick(fixed)
    shown = [output.signal for output in graph.outputs if output.ctype != "bool"]
    regime = ARMED_REGIME if plant is not None else {}
    memory = [delay.source for delay in fixed.graph.delays if not delay.is_bool and delay.name in ("tilt_last", "trim", "lean")]
    many, reason = bound_many_ticks(fixed, regime, tuple(dict.fromkeys([*memory, *shown])))
    loop = bound_closed_loop(fixed, regime, surround(plant), "command_wanted") if plant is not None else None
    emission = emit_controller(fixed, {name: bound.counts for name, bound in one_tick.items()})
    return Realisation(ranges, target, error_budget_counts, fixed, emission, one_tick, margins, many, reason, loop)


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


def _versions(compiler: str) -> dict[str, str]:
    found = {"loopwright": VERSION, "python": platform.python_version(), "host compiler": compiler}
    for library in LIBRARIES:
        try:
            found[library] = version(library)
        except PackageNotFoundError:
            continue
    return found


def make_shipment(
    graph: Graph,
    target: Target,
    error_budget_counts: float,
    progress: Progress,
    designed: Designed | None = None,
    *,
    level: Level = "quick",
    ticks: int = BIT_TICKS,
    seed: int = 1,
) -> Shipment:
    """From a graph to everything that is shipped, nothing written yet.

    Raises:
        LoopwrightError: See the stages.
    """
    with progress.during("choosing formats", 0.1):
        part = realise(graph, target, error_budget_counts, designed.plant if designed is not None else None)
    checks = check(part, part.emission, progress, designed, level=level, ticks=ticks, seed=seed)
    return Shipment(
        graph,
        part,
        checks,
        designed.build if designed is not None else None,
        designed.design if designed is not None else None,
        _versions(checks.bits.compiler),
        dict(progress.seconds),
    )


def shipped_files(shipment: Shipment) -> dict[str, str]:
    """Every file of a shipment, name to text."""
    part = shipment.realisation
    name = part.emission.name
    files = {
        f"{name}.h": part.emission.header,
        f"{name}.c": part.emission.source,
        f"{name}{GRAPH_SUFFIX}": graph_to_json(shipment.graph),
        f"{name}.contract.json": write_contract(part.fixed, part.emission),
        "vectors.csv": draw_vectors(part.fixed, shipment.checks.traces),
    }
    if shipment.build is not None:
        files[BUILD_COPY] = shipment.build.source_text
    document = gather_evidence(shipment, files)
    files["evidence.json"] = evidence_text(document)
    files["report.html"] = write_report(shipment)
    return files


def write_files(folder: Path, files: Mapping[str, str]) -> None:
    """Put files into ``folder``, whole or not at all.

    Raises:
        LoopwrightError: The folder cannot be written.
    """
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        staged = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    except OSError as error:
        raise LoopwrightError(f"cannot write here: {error.strerror}", str(folder), "name another folder") from None
    try:
        for name, text in files.items():
            place = staged / name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_text(text, encoding="utf-8", newline="\n")
        if not folder.exists():
            staged.chmod(0o755)
            staged.replace(folder)
            return
        for name in files:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (staged / name).replace(folder / name)
    except OSError as error:
        raise LoopwrightError(f"cannot write here: {error.strerror}", str(folder), "name another folder") from None
    finally:
        shutil.rmtree(staged, ignore_errors=True)


def ship(
    path: Path, folder: Path, targets: tuple[str, ...] = (), progress: Progress | None = None, *, level: Level = "quick"
) -> list[Shipment]:
    """The main job: from a build file to C, evidence and report.

    The first target's files lie in ``folder``, those of further targets in a folder each inside it.

    Raises:
        LoopwrightError: Something is wrong with the build file, the machine, the graph or the folder; nothing is written then.
    """
    progress = progress or Progress()
    with progress.during("designing", 0.0):
        designed = design_build(path)
    chosen = tuple(dict.fromkeys(targets)) or (designed.build.target.mcu,)
    described = [read_target(name) for name in chosen]
    shipments: list[Shipment] = []
    files: dict[str, str] = {}
    for place, target in enumerate(described):
        budget = designed.build.target.error_budget_counts.value
        shipment = make_shipment(designed.graph(), target, budget, progress, designed, level=level)
        with progress.during("writing report", 0.95):
            prefix = "" if place == 0 else f"{target.name}/"
            files |= {f"{prefix}{name}": text for name, text in shipped_files(shipment).items()}
        shipments.append(shipment)
    write_files(folder, files)
    progress.stage("done", 1.0)
    return shipments


def ship_graph(
    graph: Graph,
    target: str,
    folder: Path,
    *,
    error_budget_counts: float = 3.0,
    progress: Progress | None = None,
    ticks: int = BIT_TICKS,
) -> Shipment:
    """Ship a controller that was designed elsewhere: a graph without build file and plant.

    Raises:
        LoopwrightError: See ``realise``; nothing is written then.
    """
    shipment = make_shipment(graph, read_target(target), error_budget_counts, progress or Progress(), ticks=ticks)
    write_files(folder, shipped_files(shipment))
    return shipment


@dataclass(frozen=True)
class Verification:
    """What ``verify`` found.

    Attributes:
        name: Name of the controller.
        shipment: The checks, None for C written by hand.
        findings: Every property with its verdict, and with file and line where it is broken.
        failures: What does not hold, in words.
        worse: Figures that got worse against the baseline.
        left_out: What the time did not reach.
        seconds: Time it took.
    """

    name: str
    shipment: Shipment | None
    findings: tuple[Finding, ...]
    failures: tuple[str, ...]
    worse: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    seconds: float = 0.0


def verify(
    folder: Path,
    source: Path | None,
    progress: Progress,
    *,
    ticks: int = BIT_TICKS,
    seed: int = 1,
    seconds: float | None = None,
    baseline: Path | None = None,
) -> Verification:
    """Check the C in ``folder`` (or ``source`` in its place) against the graph that lies beside it.

    Where ``folder`` is a contract file (TOML), the hand-written C that it names is judged.

    Raises:
        LoopwrightError: The folder is no shipment, or a file in it cannot be read.
    """
    begun = time.perf_counter()
    if folder.is_file() or folder.suffix == ".toml":
        return _verify_handwritten(folder, source, seed, seconds, baseline)
    read = read_shipped(folder, source)
    graph, evidence, emission = read.graph, read.evidence, read.emission
    committed = read_evidence(read_file(baseline), str(baseline)) if baseline is not None else None
    target, error_budget = read_target(evidence.target), evidence.error_budget_counts
    designed = design_build(folder / BUILD_COPY) if (folder / BUILD_COPY).is_file() else None
    with progress.during("choosing formats", 0.1):
        part = realise(graph, target, error_budget, designed.plant if designed is not None else None)
    place = Place(shown_path(source or folder / f"{graph.name}.c"), emission.source, part.emission.source)
    if emission.source != part.emission.source and ends_its_process(emission, part.fixed, seed):
        ended = ended_finding(place)
        failure = f"{ended.name}: {ended.message}"
        return Verification(graph.name, None, (ended,), (failure,), (), ("everything else",), time.perf_counter() - begun)
    rest = None if seconds is None else max(0.0, seconds - (time.perf_counter() - begun))
    checks = check(part, emission, progress, designed, ticks=ticks, seed=seed, seconds=rest)
    shipment = Shipment(graph, part, checks, None, None, _versions(checks.bits.compiler), dict(progress.seconds))
    failures = list(shipment.failures)
    if source is None:
        for name in (f"{graph.name}.h", f"{graph.name}.c"):
            if evidence.files.get(name) != sha256(read_file(folder / name)):
                failures.append(f"{name} is not the file that the evidence speaks of")
    findings = findings_of(checks, shape_of(graph.name, part.fixed), f"{graph.name}.c", place)
    worse = compare_evidence(committed, gather_evidence(shipment, {})) if committed is not None else []
    took = time.perf_counter() - begun
    return Verification(graph.name, shipment, tuple(findings), tuple(failures), tuple(worse), checks.left_out, took)


def _verify_handwritten(
    path: Path, source: Path | None, seed: int, seconds: float | None, baseline: Path | None
) -> Verification:
    """The gate for hand-written C."""
    contract = read_contract(path)
    if baseline is not None:
        raise LoopwrightError("C written by hand has no evidence to compare", str(baseline), "leave --baseline out")
    sources = contract.sources(source)
    result = check_handwritten(contract, sources, seed=seed, seconds=seconds)
    shipped = read_file(contract.folder / contract.source) if source is not None else ""
    place = Place(shown_path(source or contract.folder / contract.source), sources[contract.source], shipped)
    findings = tuple(handwritten_findings(result, place))
    return Verification(contract.shape.name, None, findings, result.failures, (), result.left_out, result.seconds)


def simulate_build(
    path: Path, scenario: Scenario, progress: Progress, *, emitted: bool, target: str | None = None, draw: bool = False
) -> tuple[Flight, Plant, str | None]:
    """Fly the controller of a build file; returns the flight, its plant and, if asked for, a picture (SVG text).

    Raises:
        LoopwrightError: Something is wrong with the build file or the target.
    """
    with progress.during("designing", 0.1):
        designed = design_build(path)
        build = designed.build
    ticks = scenario.seconds / designed.plant.period_s
    every = max(1, round(ticks / PICTURE_POINTS))
    estimates = emitted and draw and ticks <= REPLAYED_TICKS
    scenario = replace(scenario, record_every=every if draw else 0, record_counts=estimates)
    graph = designed.graph()
    memory: Mapping[str, NDArray[np.float64]] = {}
    with progress.during("flying", 0.3):
        if emitted:
            described = read_target(target or build.target.mcu)
            part = realise(graph, described, build.target.error_budget_counts.value, designed.plant)
            with HostController(part.emission, part.fixed) as host:
                flight = fly(designed.plant, StepFunction(*host.flight_step()), scenario)
                if estimates:
                    memory = {name: row[::every][: len(flight.time_s)] for name, row in replay(host, flight).items()}
        else:
            flight = fly_reference(designed.plant, graph, scenario)
    return flight, designed.plant, draw_flight(flight, build.title, memory) if draw else None
