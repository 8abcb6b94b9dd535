"""The vent of an invented greenhouse: a hand-made PI controller with a filter and a rate limit, shipped without a plant.

    python tests/examples/greenhouse_vent.py build/vent
"""

import sys
from pathlib import Path

from codegen.graph import Graph, GraphBuilder
from codegen.graph.blocks import PidGains, low_pass, pid, rate_limit
from codegen.pipeline import ship_graph


def vent_controller() -> Graph:
    """Opens the vent as far as it is too warm; air temperature in, vent position out, once a second."""
    graph = GraphBuilder("vent", period_s=1.0, title="Greenhouse vent (invented)")
    with graph.section("sensors"):
        air = graph.input("air_temperature", "int16_t", 0.01, "degC", note="air under the roof")
        wish = graph.input("wanted_temperature", "int16_t", 0.01, "degC", note="what the plants like")
        mild = graph.clamp("air_plausible", air, -40.0, 80.0, note="what a sensor in a greenhouse can mean")
        aim = graph.clamp("wanted_plausible", wish, 0.0, 40.0, note="what anyone may ask for")
    with graph.section("estimate"):
        smooth = low_pass(graph, "air", mild, 30.0, "degC", note="without gusts")
    with graph.section("control"):
        excess = graph.weighted_sum("excess", [(1.0, smooth), (-1.0, aim)], "degC", note="too warm by")
        gains = PidGains(proportional=0.08, integral_per_s=0.0004, tracking_time_s=120.0)
        opening = pid(graph, "opening", excess, smooth, gains, limits=(0.0, 1.0), error_limit=120.0)
        gentle = rate_limit(graph, "gentle", opening, per_second=0.02, limits=(0.0, 1.0), note="the motor is slow")
    with graph.section("limits"):
        vent = graph.weighted_sum("position", [(1.0, gentle)], limits=(0.0, 1.0), resolution=0.001, note="share of fully open")
    graph.output("vent_position", vent, "int16_t", quantity="actuator_position")
    return graph.finish()


if __name__ == "__main__":
    shipment = ship_graph(vent_controller(), "atmega328p", Path(sys.argv[1]))
    raise SystemExit("\n".join(shipment.failures))
