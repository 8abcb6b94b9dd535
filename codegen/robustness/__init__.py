"""Robustness in volume: thousands of machines that the build file allows, each flown with the one emitted controller."""

from codegen.robustness.distribute import cluster_executor, fly_order
from codegen.robustness.draw import DrawnMachine, draw_machine
from codegen.robustness.fleet import FleetOrder, MachineOutcome, order_scenario
from codegen.robustness.influence import Influence, find_influences
from codegen.robustness.spreads import KNOWLEDGE, Knowledge, Uncertain, list_uncertain
from codegen.robustness.verdict import FleetVerdict, Share, judge_fleet

__all__ = [
    "DrawnMachine",
    "FleetOrder",
    "FleetVerdict",
    "Influence",
    "KNOWLEDGE",
    "Knowledge",
    "MachineOutcome",
    "Share",
    "Uncertain",
    "cluster_executor",
    "draw_machine",
    "find_influences",
    "fly_order",
    "judge_fleet",
    "list_uncertain",
    "order_scenario",
]
