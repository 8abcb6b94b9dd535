"""The whole page from a shipment.

Takes a ``Shipment``, gives one HTML text that needs nothing else: no scripts, no fonts, no pictures from elsewhere.  The same shipment
gives the same bytes; times stand in one small table only.
"""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from codegen.report.assurance import describe_assurance
from codegen.report.defects import describe_defects
from codegen.report.flights import describe_flights
from codegen.report.headline import write_headline
from codegen.report.kinds import describe_any_law, describe_any_machine
from codegen.report.numbers import describe_numbers
from codegen.report.parts import Column, row, table
from codegen.report.target import describe_target
from codegen.report.wording import CAUTION_TEXT, OWNERSHIP_TEXT, figure
from codegen.shipment import Shipment

_TEMPLATE = "report.html.jinja"


def write_report(shipment: Shipment) -> str:
    """The report as one HTML page."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    build, design, checks = shipment.build, shipment.design, shipment.checks
    versions = [row(name, version) for name, version in sorted(shipment.versions.items())]
    seconds = [row(stage, figure(taken)) for stage, taken in shipment.seconds.items()]
    return environment.get_template(_TEMPLATE).render(
        headline=write_headline(shipment),
        cautions=CAUTION_TEXT,
        ownership=OWNERSHIP_TEXT,
        machine=describe_any_machine(build, design) if build is not None and design is not None else None,
        law=describe_any_law(design) if design is not None else None,
        flights=describe_flights(checks.flight, checks.recordings, design) if checks.flight is not None or checks.recordings else None,
        numbers=describe_numbers(shipment.realisation, checks.errors),
        target=describe_target(shipment),
        assurance=describe_assurance(shipment),
        defects=describe_defects(checks.defects),
        versions=table("versions", "What took part.", (Column("tool"), Column("version")), versions),
        seconds=table("seconds", "How long it took.", (Column("stage"), Column("seconds", "number")), seconds),
    )
