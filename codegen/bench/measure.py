"""One log measured: its kind of experiment, then that experiment's fit.

Takes a ``Log`` and the build whose machine it is of, gives an ``Experiment``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from codegen.bench import rest, spin, square, swing
from codegen.bench.columns import words
from codegen.bench.experiment import Experiment
from codegen.bench.lever import measure_lever
from codegen.bench.log import Log
from codegen.bench.series import Series, order_series
from codegen.bench.supply import measure_supply
from codegen.build import Build
from codegen.errors import BenchError

_TIMED: Mapping[str, tuple[Callable[[Series, Build], Experiment], tuple[str, ...]]] = {
    "swing": (swing.measure_swing, swing.QUANTITIES),
    "square": (square.measure_square, square.QUANTITIES),
    "spin": (spin.measure_spin, spin.QUANTITIES),
    "rest": (rest.measure_rest, rest.QUANTITIES),
}
_LISTED: Mapping[str, Callable[[Log, Build], Experiment]] = {"scale": measure_lever, "supply": measure_supply}


def measure_log(log: Log, build: Build, kind: str | None = None) -> Experiment:
    """Measure one log.

    Args:
        log: As read.
        build: The machine's build file: scales of counts, and what it holds so far.
        kind: Kind of experiment; None: as declared in the log, else recognised from its columns.

    Raises:
        BenchError: The log is not what its kind of experiment asks.
    """
    declared = log.declared.get("kind")
    if kind is not None and declared is not None and kind != declared:
        raise BenchError(
            f"the log declares kind = {declared}, the command says {kind}",
            f"{log.file_name}, line {log.declared_lines['kind']}, kind",
            "correct one of them",
        )
    chosen = kind or declared
    note: tuple[str, ...] = ()
    if chosen is None:
        chosen, why = recognise_kind(log, build)
        note = (f"taken for a log of kind {chosen}: {why}",)
    if chosen in _LISTED:
        found = _LISTED[chosen](log, build)
        return replace(found, notes=(*note, *found.notes))
    measure, quantities = _TIMED[chosen]
    found = measure(order_series(log, build, quantities), build)
    return replace(found, notes=(*note, *log.notes, *found.notes))


def recognise_kind(log: Log, build: Build) -> tuple[str, str]:
    """Return (kind, reason) from the columns and, where they leave it open, from the readings.

    Raises:
        BenchError: They fit no kind.
    """
    has = set(log.columns)
    if {"lever", "scale"} <= has:
        return "scale", "it holds levers and readings of a scale"
    if "time" not in has:
        if {"voltage", "wheel"} <= has or "supply" in has:
            return "supply", "it holds voltages and no time"
        held = ", ".join(words(quantity) for quantity in sorted(has))
        raise BenchError(f"no kind of experiment holds just this: {held}", log.place(), "add the missing columns, or declare # kind = ...")
    moving = "gyro" in has or "tilt" in has
    if "wheel" in has and ("command" in has or "current" in has):
        if "gyro" in has and not _resting(log, build, "gyro"):
            return "square", "it holds wheel, current and a moving body"
        return "spin", "it holds wheel and current, and the body is still"
    if moving and ("accel_tangential" in has or "gyro" in has) and "gyro" in has and _resting(log, build, "gyro"):
        return "rest", "nothing moves"
    if moving:
        return "swing", "the body moves by itself"
    if "wheel" in has:
        return "spin", "it holds the wheel's speed only"
    if "accel_tangential" in has:
        return "rest", "it holds the accelerometer only"
    raise BenchError("the columns fit no kind of experiment", log.place(), "see loopwright measure --guide, or declare # kind = ...")


def _resting(log: Log, build: Build, quantity: str) -> bool:
    """Whether means over a fiftieth of the record are alike, against what samples scatter."""
    values = log.columns[quantity].values
    values = values[np.isfinite(values)]
    if len(values) < 100:
        return False
    neighbours = float(np.std(np.diff(values))) / np.sqrt(2)
    means = [float(np.mean(part)) for part in np.array_split(values, min(200, len(values) // 20))]
    noise = neighbours / np.sqrt(len(values) / len(means))
    # A swing moves slow means by far more than white noise does; a resting sensor's drift stays within a few times of it.
    return bool(np.std(means) < max(10 * noise, 0.5 * neighbours))
