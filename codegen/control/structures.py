"""The structure that a build asks for: its graph, and its design with figures read from that graph.

Takes a ``Design`` and gives a ``Graph``; takes a build and its plant and gives the ``Design`` of the structure asked for.
"""

from __future__ import annotations

from dataclasses import replace
from math import log

from codegen.build import Build
from codegen.control.balance import ARMED_REGIME, trace_momentum
from codegen.control.cascade import trace_cascade
from codegen.control.examine import LinearLoop
from codegen.control.feedforward import trace_feedforward
from codegen.control.friction_observer import trace_friction_observer
from codegen.control.lqg import trace_lqg
from codegen.control.on_off import trace_on_off
from codegen.control.tilt_pid import trace_tilt_pid
from codegen.design import Design, design_controller
from codegen.design.design import OUTER_PARTS, TRIM_SHARE, find_unknowns
from codegen.design.gains import friendly
from codegen.design.goals import Achieved, Verdict, judge_goals, judge_parts, meets_targets
from codegen.design.laws import (
    CascadeLaw,
    FeedforwardLaw,
    FrictionObserverLaw,
    LqgLaw,
    MomentumLaw,
    OnOffLaw,
    TiltPidLaw,
    place_law,
)
from codegen.design.margins import NO_MARGINS, Margins
from codegen.design.rest import RestNoise
from codegen.errors import DesignError
from codegen.graph import Graph
from codegen.plant import Plant


def trace_controller(design: Design, name: str, title: str) -> Graph:
    """Write the design's control law down as a graph.

    Args:
        design: Structure, gains, limits and times.
        name: Prefix of every C identifier.
        title: One line for the header.
    """
    match design.law:
        case OnOffLaw():
            return trace_on_off(design, design.law, name, title)
        case TiltPidLaw():
            return trace_tilt_pid(design, design.law, name, title)
        case CascadeLaw():
            return trace_cascade(design, design.law, name, title)
        case FrictionObserverLaw():
            return trace_friction_observer(design, design.law, name, title)
        case LqgLaw():
            return trace_lqg(design, design.law, name, title)
        case FeedforwardLaw():
            return trace_feedforward(design, design.law, name, title)
        case MomentumLaw():
            return trace_momentum(design, name, title)


def open_loop(design: Design) -> LinearLoop | None:
    """The design's law in the linear loop; None for a law that is linear nowhere."""
    if isinstance(design.law, OnOffLaw):
        return None
    return LinearLoop(trace_controller(design, "controller", ""), design.plant, ARMED_REGIME)


def margins_of(design: Design, latency_s: float | None = None) -> Margins:
    """Margins at the torque command, with another latency if one is given; the law stays what it is."""
    loop = open_loop(design)
    plant = design.plant if latency_s is None else replace(design.plant, latency_s=latency_s)
    return NO_MARGINS if loop is None else loop.margins(plant=plant)


def design_structure(build: Build, plant: Plant, structure: str | None = None) -> Design:
    """The design of the structure that the build asks for, or of another one.

    The momentum law's numbers come from :func:`codegen.design.design_controller`; the others start from them, and their margins and
    their wiggle at rest are read from their own graphs.

    Raises:
        DesignError: No gains of this structure can make the body stand.
    """
    base = design_controller(build, plant)
    structure = structure or build.design.structure
    if structure == "momentum":
        return base
    wished = build.design.observer_pole_rad_s
    pole = None if wished is None else wished.value
    if structure in ("on_off", "tilt_pid"):
        return _falling(build, replace(base, law=place_law(structure, base)))
    if structure == "lqg":
        return _judged(build, _with_real_poles(replace(base, law=place_law(structure, base, pole))))
    if structure == "cascade" and build.design.outer_pole_rad_s is None:
        return _slowed_cascade(build, base)
    return _judged(build, replace(base, law=place_law(structure, base, pole)))


def _falling(build: Build, design: Design) -> Design:
    """A structure that falls by nature: its parts are judged, its margins are shown but not."""
    loop = open_loop(design)
    margins = NO_MARGINS if loop is None else loop.margins()
    verdicts = judge_parts(design.limits, design, find_unknowns(build))
    return replace(design, margins=margins, corners=(), rest=RestNoise(0.0, 0.0, 0.0), verdicts=verdicts)


def _slowed_cascade(build: Build, base: Design) -> Design:
    """The fastest outer loop on the wheel's speed that meets the targets; the slowest if none does."""
    tried: list[Design] = []
    for parts in (*OUTER_PARTS, 2.0 * OUTER_PARTS[-1]):
        outer = friendly(base.plant.divergence_rad_s / parts)
        trim = base.trim_pole_rad_s
        if build.design.trim_pole_rad_s is None:
            trim = min(trim, friendly(TRIM_SHARE * base.plant.divergence_rad_s / OUTER_PARTS[0]))
        poles = replace(
            base,
            outer_pole_rad_s=outer,
            momentum_gain_rad_per_n_m_s=outer / base.plant.gravity_torque_n_m,
            trim_pole_rad_s=trim,
        )
        why = f"w_o = {outer:g} rad/s: fed back is the wheel's speed, which first answers the wrong way, so it must be slow enough"
        design = replace(poles, law=place_law("cascade", poles), reasons=_with_reason(base, "outer_pole_rad_s", why))
        loop = open_loop(design)
        if loop is None or not (margins := loop.margins()).stable:
            continue
        tried.append(design)
        if meets_targets(Achieved(design, margins, (), loop.closed().rest())):
            break
    if not tried:
        raise DesignError(
            "no loop on the wheel's speed makes the body stand", "design.structure", 'write structure = "momentum" in [design]'
        )
    return _judged(build, tried[-1])


def _with_real_poles(design: Design) -> Design:
    """The slow poles as they are in the closed loop, where the structure does not place them."""
    loop = open_loop(design)
    if loop is None:
        return design
    closed = loop.closed()
    slowest = friendly(-log(closed.radius()) / (closed.ticks * design.plant.period_s)) if closed.radius() < 1.0 else 0.0
    if slowest <= 0.0:
        raise DesignError("the robust filter does not make this body stand", "design.structure", 'write structure = "momentum" in [design]')
    found = f"{slowest:g} rad/s is the slowest pole of the closed loop, that of the unknowns being learned; this structure places none"
    reasons = _with_reason(design, "outer_pole_rad_s", found)
    return replace(design, outer_pole_rad_s=slowest, trim_pole_rad_s=slowest, reasons=reasons)


def _with_reason(design: Design, name: str, sentence: str) -> tuple[tuple[str, str], ...]:
    """The design's reasons with another sentence for one number."""
    return tuple((number, sentence if number == name else reason) for number, reason in design.reasons)


def _judged(build: Build, design: Design) -> Design:
    """The design with margins, wiggle at rest and verdicts read from its graph."""
    loop = open_loop(design)
    if loop is None:
        raise DesignError("this law is linear nowhere", "design.structure")
    margins = loop.margins()
    if not margins.stable:
        raise DesignError(
            f"the structure {design.law.structure} is not stable on this machine",
            "design.structure",
            'write structure = "momentum" in [design], or leave its free numbers to the design',
        )
    achieved = Achieved(design, margins, loop.around(), loop.closed().rest())
    verdicts: tuple[Verdict, ...] = judge_goals(build, design.limits, achieved, find_unknowns(build))
    return replace(design, margins=margins, corners=achieved.corners, rest=achieved.rest, verdicts=verdicts)
