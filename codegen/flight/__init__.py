"""The flight judge: emitted controllers at the controls of the simulated nonlinear machine."""

from codegen.flight.checks import HEADINGS, FlightCheck, FlightVerdict
from codegen.flight.judge import Level, judge_flight
from codegen.flight.record import Recording, record_flight, record_flights, replay
from codegen.flight.reference import fly_reference
from codegen.flight.stand import StepFactory
from codegen.flight.terms import FlightTerms, set_terms

__all__ = [
    "HEADINGS",
    "FlightCheck",
    "FlightTerms",
    "FlightVerdict",
    "Level",
    "Recording",
    "StepFactory",
    "fly_reference",
    "judge_flight",
    "record_flight",
    "record_flights",
    "replay",
    "set_terms",
]
