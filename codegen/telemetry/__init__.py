"""A robot's own log: read, replayed through the emitted C, and turned into the machine as it flew."""

from codegen.telemetry.asflown import AsFlown, find_as_flown
from codegen.telemetry.drive import DriveEstimate, Figure
from codegen.telemetry.loop import LoopEstimate
from codegen.telemetry.readings import Readings, read_physical
from codegen.telemetry.record import RecordLayout, column_names, record_layout
from codegen.telemetry.replay import Difference, Replay, replay_trace
from codegen.telemetry.trace import Trace, read_trace
from codegen.telemetry.write import trace_text

__all__ = [
    "AsFlown",
    "Difference",
    "DriveEstimate",
    "Figure",
    "LoopEstimate",
    "Readings",
    "RecordLayout",
    "Replay",
    "Trace",
    "column_names",
    "find_as_flown",
    "read_physical",
    "read_trace",
    "record_layout",
    "replay_trace",
    "trace_text",
]
