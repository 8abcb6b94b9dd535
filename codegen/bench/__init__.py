"""The bench: logs of simple experiments with tape, string and a kitchen scale, turned into parameters with honest intervals.

Takes CSV logs and the build file of the machine, gives a ``Measurement``. Knows no control design, and writes no files.
"""

from codegen.bench.adjust import Measurement, Parameter, adjust, predicted_ratios
from codegen.bench.edit import put_parameters
from codegen.bench.estimate import Conflict, Estimate
from codegen.bench.experiment import RATIOS, Curve, Experiment
from codegen.bench.guide import guide_text
from codegen.bench.log import KINDS, Log, parse_log, read_log
from codegen.bench.measure import measure_log

__all__ = [
    "KINDS",
    "RATIOS",
    "Conflict",
    "Curve",
    "Estimate",
    "Experiment",
    "Log",
    "Measurement",
    "Parameter",
    "adjust",
    "guide_text",
    "measure_log",
    "parse_log",
    "predicted_ratios",
    "put_parameters",
    "read_log",
]
