"""The flight judge: the emitted C at the controls of the nonlinear machine, never a model of it.

Takes: a plant, the terms it is judged by, a factory of fresh controllers, the graph they came from. Gives: ``FlightVerdict``. Two
levels: "quick" for every run of the tool (some ten seconds), "full" for campaigns of minutes.
"""

from __future__ import annotations

from typing import Literal

from codegen.flight.checks import FlightVerdict
from codegen.flight.disturb import check_insistence, check_perturbed, check_recovery, check_run_down
from codegen.flight.reference import check_against_reference
from codegen.flight.search import check_capacity
from codegen.flight.stand import StepFactory, check_rest, check_standing
from codegen.flight.terms import FlightTerms
from codegen.flight.trips import check_arming, check_trips
from codegen.graph import Graph
from codegen.plant import Plant

Level = Literal["quick", "full"]

QUICK_LONGEST_H, QUICK_OTHERS_H = 2.0, 0.1
REST_S = {"quick": 60.0, "full": 180.0}
REFERENCE_S = {"quick": 40.0, "full": 120.0}


def judge_flight(
    plant: Plant, terms: FlightTerms, make_step: StepFactory, graph: Graph, level: Level = "quick"
) -> FlightVerdict:
    """Judge a controller by flying it.

    Args:
        plant: The nominal machine.
        terms: See ``set_terms``.
        make_step: Gives a fresh controller at each call.
        graph: What the controller was made from; its float64 reading is flown for comparison.
        level: "full" stands for ``terms.standing_hours`` from every balance angle; "quick" for at most two hours from one of them
            and six minutes from the others.

    Raises:
        LoopwrightError: The machine cannot be simulated.
    """
    if level == "full":
        hours = dict.fromkeys(terms.sweep_rad, terms.standing_hours)
    else:
        hours = dict.fromkeys(terms.sweep_rad, min(QUICK_OTHERS_H, terms.standing_hours))
        hours[terms.sweep_rad[-1]] = min(QUICK_LONGEST_H, terms.standing_hours)
    standing, flown = check_standing(plant, terms, make_step, hours)
    checks = [
        *standing,
        *check_rest(plant, terms, make_step, REST_S[level]),
        *check_capacity(plant, terms, make_step),
        *check_recovery(plant, terms, make_step),
        *check_run_down(plant, terms, make_step),
        *check_perturbed(plant, terms, make_step),
        *check_insistence(plant, terms, make_step),
        *check_trips(plant, terms, make_step),
        *check_arming(plant, terms, make_step),
        *check_against_reference(plant, terms, make_step, graph, REFERENCE_S[level]),
    ]
    return FlightVerdict(level, tuple(checks), flown)
