"""The choice between structures, and between calm and pokes: figures side by side, measured with the emitted C at the controls."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import degrees, inf, nan
from pathlib import Path

from codegen.build import Build, read_build
from codegen.control import trace_controller
from codegen.control.front import FrontPoint, find_bend, find_front, has_front, judge_point, with_numbers
from codegen.control.price import POKE_SHARE, set_price
from codegen.control.structures import design_structure
from codegen.design import Design
from codegen.design.design import find_unknowns
from codegen.design.laws import STRUCTURES, FrictionObserverLaw, Structure
from codegen.emit import emit_controller
from codegen.errors import LoopwrightError
from codegen.flight.disturb import RECOVERY_SHARE, poked_flight, recovery_of
from codegen.flight.search import largest_poke, largest_tilt
from codegen.flight.stand import HOLD_S, StepFactory, is_up, stand
from codegen.flight.terms import FlightTerms, set_terms
from codegen.formats import choose_formats
from codegen.host.controller import HostController
from codegen.pipeline.progress import Progress
from codegen.plant import Plant, Scenario, StepFunction, fly, model_plant
from codegen.ranges import find_ranges
from codegen.rules.fixed import FixedGraph, ProductDetail, SumDetail
from codegen.targets import read_target

STAND_S = 180.0
SEARCH_STEPS = 8
BEND_POKES_HZ = 1e-2
"""Rate of pokes at which structures are priced beside each other: where the front of the lanterns bends."""


@dataclass(frozen=True)
class StructureFigures:
    """One structure on the user's machine; what is flown is the emitted C under the build's word rules.

    Attributes:
        structure: Which.
        design: Its numbers; None if the structure cannot be designed for this machine.
        reason: Why not, or "".
        stands_s: Flown time, at most ``STAND_S``; balance angle and gyro bias as large as half of what the build leaves open.
        stands: Whether it stood all the time.
        tilt_rms_deg, wheel_mean_rad_s, wheel_std_rad_s, torque_rms_percent: At rest, flown; nan if it fell before.
        tilt_share, poke_share: Largest recovered, over the bound; both signs, three seeds.
        recovery_s, peak_deg: After a poke of 30 % of the bound.
        peak_sensitivity, delay_margin_ms: Of the linear loop.
        cost_excess: Cost over that of the LQG optimum at ``BEND_POKES_HZ``; nan where the loop is not stable.
        multiplications, slow_multiplications: Per tick, and more in the outer one.
    """

    structure: Structure
    design: Design | None
    reason: str
    stands_s: float = nan
    stands: bool = False
    tilt_rms_deg: float = nan
    wheel_mean_rad_s: float = nan
    wheel_std_rad_s: float = nan
    torque_rms_percent: float = nan
    tilt_share: float = nan
    poke_share: float = nan
    recovery_s: float = nan
    peak_deg: float = nan
    peak_sensitivity: float = nan
    delay_margin_ms: float = nan
    cost_excess: float = nan
    multiplications: int = 0
    slow_multiplications: int = 0


def compare_structures(path: Path, progress: Progress) -> tuple[Build, tuple[StructureFigures, ...]]:
    """Every structure on offer, designed for the machine of a build file and flown.

    Raises:
        LoopwrightError: The build file is wrong.
    """
    build = read_build(path)
    plant = model_plant(build)
    rows = []
    for number, structure in enumerate(STRUCTURES):
        progress.stage(structure.title, number / len(STRUCTURES))
        rows.append(measure_structure(build, plant, structure))
    progress.stage("done", 1.0)
    return build, tuple(rows)


def measure_structure(build: Build, plant: Plant, structure: Structure) -> StructureFigures:
    """One structure's figures; a structure that cannot be designed for the machine says why."""
    try:
        design = design_structure(build, plant, structure.name)
        return measure_design(build, design, structure)
    except LoopwrightError as error:
        return StructureFigures(structure, None, error.what)


def measure_design(build: Build, design: Design, structure: Structure) -> StructureFigures:
    """The figures of a design, flown.

    Raises:
        LoopwrightError: Its graph has no realisation under the build's word rules.
    """
    plant, terms = design.plant, set_terms(build, design)
    excess = judge_point(design, set_price(plant, BEND_POKES_HZ)).excess if structure.stands else nan
    fixed = _words(build, design)
    fast, slow = count_multiplications(fixed)
    with HostController(emit_controller(fixed), fixed) as host:

        def make_step() -> StepFunction:
            return StepFunction(*host.flight_step())

        figures = StructureFigures(
            structure,
            design,
            "",
            peak_sensitivity=design.margins.peak_sensitivity,
            delay_margin_ms=1e3 * design.margins.delay_margin_s,
            cost_excess=excess,
            multiplications=fast,
            slow_multiplications=slow,
        )
        return _flown(plant, terms, make_step, figures)


def _words(build: Build, design: Design) -> FixedGraph:
    """The design's graph under the build's word rules; its error bounds are not asked for here."""
    graph = trace_controller(design, build.name, build.title)
    return choose_formats(find_ranges(graph), read_target(build.target.mcu), build.target.error_budget_counts.value)


def _flown(plant: Plant, terms: FlightTerms, make_step: StepFactory, figures: StructureFigures) -> StructureFigures:
    hours = (terms.settling_s + STAND_S) / 3600.0
    flight = stand(plant, terms, make_step, hours, terms.offset_rad)
    up = is_up(flight)
    if up:
        figures = replace(
            figures,
            stands=True,
            stands_s=STAND_S,
            tilt_rms_deg=degrees(flight.tilt_rms_rad),
            wheel_mean_rad_s=flight.wheel_mean_rad_s,
            wheel_std_rad_s=flight.wheel_std_rad_s,
            torque_rms_percent=100.0 * flight.torque_rms_n_m / plant.torque_limit_n_m,
        )
    else:
        fell = flight.fell_at_s if flight.fell_at_s is not None else flight.scenario.seconds
        figures = replace(figures, stands_s=fell - HOLD_S)
    # A tilt can only be asked of a controller that arms there.
    tilts = [largest_tilt(plant, terms, make_step, sign, SEARCH_STEPS) for sign in (1.0, -1.0)]
    pokes = [largest_poke(plant, terms, make_step, sign, SEARCH_STEPS) for sign in (1.0, -1.0)] if up else [nan]
    figures = replace(
        figures,
        tilt_share=min(tilts) / min(terms.recoverable_tilt_rad, terms.arm_tilt_rad),
        poke_share=min(pokes) / terms.poke_n_m_s,
    )
    if not up:
        return figures
    recovery = recovery_of(poked_flight(plant, terms, make_step, RECOVERY_SHARE * terms.poke_n_m_s))
    return replace(figures, recovery_s=recovery.time_s, peak_deg=degrees(recovery.peak_rad))


def count_multiplications(fixed: FixedGraph) -> tuple[int, int]:
    """Multiplications of an ordinary tick, and those that an outer tick adds; weights that are powers of two are shifts."""
    counts = {False: 0, True: 0}
    for name, detail in fixed.details.items():
        if isinstance(detail, SumDetail):
            counts[fixed.graph.nodes[name].slow] += sum(1 for weight in detail.weights if abs(weight) & (abs(weight) - 1))
        elif isinstance(detail, ProductDetail):
            counts[fixed.graph.nodes[name].slow] += 1
    return counts[False], counts[True]


@dataclass(frozen=True)
class FlownPoint:
    """A point of the front and what the emitted C makes of it on the nonlinear machine; nan if it fell."""

    point: FrontPoint
    tilt_rms_deg: float
    torque_rms_percent: float
    poke_peak_deg: float


@dataclass(frozen=True)
class Front:
    """The front of a structure on the user's machine.

    Attributes:
        build: The build file.
        structure: Which structure.
        points: By rising rate of pokes.
        bend: Index of the point beyond which effort buys next to nothing.
        present: The design as it is without the front.
        goal_tilt_deg: What the build's goals ask for.
    """

    build: Build
    structure: Structure
    points: tuple[FlownPoint, ...]
    bend: int
    present: FlownPoint
    goal_tilt_deg: float

    @property
    def goal_poke_share(self) -> float:
        """The poke that the goals ask for, over the recoverable one."""
        return self.build.goals.poke_n_m_s.value / self.present.point.design.limits.poke_n_m_s

    @property
    def goal_poke_peak_deg(self) -> float:
        """Its peak at the bend, carried over from the poke of a tenth of the bound; only a linear loop would keep to it."""
        return self.points[self.bend].point.poke_peak_deg * self.goal_poke_share / POKE_SHARE

    def design_lines(self) -> tuple[str, ...]:
        """The build file's [design] table for the bend."""
        design = self.points[self.bend].point.design
        numbers = {
            "inner_pole_rad_s": design.inner_pole_rad_s,
            "outer_pole_rad_s": design.outer_pole_rad_s,
            "trim_pole_rad_s": design.trim_pole_rad_s,
            "filter_time_s": design.filter_time_s,
        }
        if isinstance(design.law, FrictionObserverLaw):
            numbers["observer_pole_rad_s"] = design.law.observer_pole_rad_s
        return ("[design]", f'structure = "{self.structure.name}"', *(f"{key} = {value:g}" for key, value in numbers.items()))


def choose_front(path: Path, progress: Progress) -> Front:
    """The front of the structure that a build file asks for, every point flown with the emitted C.

    Raises:
        LoopwrightError: The build file is wrong, or its structure has no free numbers.
    """
    build = read_build(path)
    plant = model_plant(build)
    progress.stage("designing", 0.0)
    design = design_structure(build, plant)
    found = find_front(
        design, find_unknowns(build), progress=lambda share: progress.stage("searching the front", 0.05 + 0.65 * share)
    )
    flown = []
    for number, point in enumerate(found):
        progress.stage("flying the front", 0.7 + 0.25 * number / len(found))
        flown.append(fly_point(build, point))
    progress.stage("flying the present design", 0.97)
    now = fly_point(build, judge_point(with_numbers(design, {}) if has_front(design) else design, set_price(plant, BEND_POKES_HZ)))
    structure = next(structure for structure in STRUCTURES if structure.name == design.law.structure)
    progress.stage("done", 1.0)
    return Front(build, structure, tuple(flown), find_bend(found), now, build.goals.calm_tilt_rms_deg.value)


def fly_point(build: Build, point: FrontPoint) -> FlownPoint:
    """Rest and the peak after a poke of a tenth of the bound, with the emitted C."""
    design, plant = point.design, point.design.plant
    terms = set_terms(build, design)
    fixed = _words(build, design)
    poke = set_price(plant, point.pokes_hz).poke_rad_s * plant.body_inertia_kg_m2
    with HostController(emit_controller(fixed), fixed) as host:

        def make_step() -> StepFunction:
            return StepFunction(*host.flight_step())

        rest = stand(plant, terms, make_step, (terms.settling_s + 60.0) / 3600.0, terms.offset_rad)
        poke_s = HOLD_S + terms.settling_s
        scenario = Scenario(
            poke_s + 2.0,
            hold_s=HOLD_S,
            arm_s=HOLD_S,
            pokes=((poke_s, poke),),
            balance_offset_rad=0.0,
            gyro_bias_rad_s=0.0,
            record_every=1,
        )
        poked = fly(plant, make_step(), scenario)
    if not (is_up(rest) and is_up(poked)):
        return FlownPoint(point, nan, nan, nan)
    before = poked.time_s <= poke_s
    mean = float(poked.tilt_rad[before][-1000:].mean())
    peak = float(abs(poked.tilt_rad[~before] - mean).max(initial=-inf))
    torque = 100.0 * rest.torque_rms_n_m / plant.torque_limit_n_m
    return FlownPoint(point, degrees(rest.tilt_rms_rad), torque, degrees(peak))
