"""Arming and trips: when a controller may run, and what stops it until it is disarmed.

Takes a ``GraphBuilder``, the signals that decide and the thresholds, gives the signal ``armed``; the trip is the signal ``tripped``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Protocol

from codegen.graph import GraphBuilder, Signal
from codegen.graph.blocks import latch, unchanged_for

# Below this share of gravity along the body's axis the accelerometer says nothing about being upright.
UPRIGHT_LEAST_G = 0.5


class Thresholds(Protocol):
    """Where a design lets its controller run."""

    @property
    def arm_tilt_rad(self) -> float:
        """Arms only within this tilt."""

    @property
    def stop_tilt_rad(self) -> float:
        """Trips beyond this tilt."""

    @property
    def overspeed_rad_s(self) -> float:
        """Trips beyond this speed of the wheel or drive."""

    @property
    def sensor_timeout_ticks(self) -> int:
        """Trips after so many ticks without a changing reading."""


def lean_too_far(graph: GraphBuilder, tilt: Signal, arm_tilt: float) -> tuple[Signal, Signal]:
    """Whether the tilt is beyond ``arm_tilt`` (in its unit) forward, and backward."""
    forward = graph.compare("leans_forward", [(1.0, tilt)], ">", arm_tilt, note="leans forward beyond the arming tilt")
    backward = graph.compare("leans_backward", [(-1.0, tilt)], ">", arm_tilt, note="leans backward beyond the arming tilt")
    return forward, backward


def excess(graph: GraphBuilder, thresholds: Thresholds, tilt: Signal, wheel: Signal) -> list[Signal]:
    """Faults of the motion: too far over, too fast."""
    stop, fast = thresholds.stop_tilt_rad, thresholds.overspeed_rad_s
    return [
        graph.compare("tilt_too_far_forward", [(1.0, tilt)], ">", stop, note="beyond the cut-off tilt"),
        graph.compare("tilt_too_far_backward", [(-1.0, tilt)], ">", stop, note="beyond the cut-off tilt"),
        graph.compare("wheel_too_fast_forward", [(1.0, wheel)], ">", fast, note="wheel over-speed"),
        graph.compare("wheel_too_fast_backward", [(-1.0, wheel)], ">", fast, note="wheel over-speed"),
    ]


def arm_body(
    graph: GraphBuilder,
    thresholds: Thresholds,
    arm: Signal,
    fresh: Signal,
    rate: Signal,
    tangential: Signal,
    radial: Signal,
    wheel: Signal,
    tilt: Signal,
    armed_last: Signal,
) -> Signal:
    """Arms when told to and upright; trips on tilt, wheel speed, a frozen or stale sensor; stays tripped until disarmed."""
    # The estimate follows g sin(tilt)/g while the body is held, and its filter keeps the accelerometer's noise out of the decision.
    forward, backward = lean_too_far(graph, tilt, math.sin(thresholds.arm_tilt_rad))
    standing = graph.compare("stands_up", [(1.0, radial)], ">=", UPRIGHT_LEAST_G, note="gravity points down the body")
    upright = graph.all_of("upright", standing, f"not {forward}", f"not {backward}", note="within the arming tilt")
    ticks = thresholds.sensor_timeout_ticks
    causes = [
        *excess(graph, thresholds, tilt, wheel),
        unchanged_for(graph, "gyro_frozen", rate, ticks, note="gyro reading does not change"),
        unchanged_for(graph, "accel_frozen", tangential, ticks, note="accelerometer reading does not change"),
    ]
    return decide(graph, arm, fresh, upright, causes, armed_last)


def decide(
    graph: GraphBuilder, arm: Signal, fresh: Signal, upright: Signal, causes: Sequence[Signal], armed_last: Signal
) -> Signal:
    """Runs while told to, once it was upright and without a fault; a fault while running cuts off until disarmed."""
    fault = graph.any_of("fault", *causes, f"not {fresh}", note="a reason not to balance")
    trip = graph.all_of("trip", armed_last, fault, note="a fault while balancing")
    disarmed = graph.all_of("disarmed", f"not {arm}", note="not asked to balance")
    tripped = latch(graph, "tripped", trip, disarmed, note="cut off; stays so until disarmed")
    ready = graph.all_of("ready", upright, f"not {fault}", note="may start to balance")
    may = graph.any_of("may_balance", armed_last, ready, note="balancing already, or ready to")
    return graph.all_of("armed", arm, may, f"not {tripped}", note="balancing")
