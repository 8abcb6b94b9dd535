"""The report: everything one run found out, as one self-contained HTML page for the builder of the machine."""

from codegen.report.flight_picture import draw_flight
from codegen.report.page import write_report

__all__ = ["draw_flight", "write_report"]
