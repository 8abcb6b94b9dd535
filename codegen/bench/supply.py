"""Supply and no-load speed: voltage at the motor against the speed it reaches, and current if an ammeter is at hand.

V = R i + K_e omega. Takes a log without time, one row per setting; rows with the wheel held give the resistance.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from codegen.bench.columns import factor_to_si
from codegen.bench.estimate import NORMAL_95, Estimate
from codegen.bench.experiment import Curve, Experiment, estimate_ratio
from codegen.bench.log import Log
from codegen.build import Build
from codegen.errors import BenchError

DEFAULT_VOLTMETER_PERCENT = 0.5
# A contact, a warm winding and the ammeter's shunt (common practice, no source).
RESISTANCE_SHARE = 0.03
STILL_SHARE = 0.02

RealArray = NDArray[np.float64]


def measure_supply(log: Log, build: Build) -> Experiment:
    """Return back-EMF constant, resistance and supply voltage, whichever the rows hold.

    Raises:
        BenchError: Nothing usable, or voltages that do not belong to the speeds.
    """
    values = {
        name: log.columns[name].values * factor_to_si(log.columns[name].meaning, build)
        for name in ("voltage", "wheel", "current", "supply")
        if name in log.columns
    }
    ratios: dict[str, Estimate] = {}
    curves: list[Curve] = []
    words: list[str] = []
    notes = [*log.notes]
    gain = log.number("voltmeter_percent", DEFAULT_VOLTMETER_PERCENT) / 100.0
    if "voltmeter_percent" not in log.declared:
        notes.append(f"voltmeter_percent is not declared: taken as {DEFAULT_VOLTMETER_PERCENT:g} %")
    if "voltage" in values and "wheel" in values:
        curves.append(_motor(log, values, gain, ratios, notes))
        words += [f"{ratios[key].name} {ratios[key].value:.4g} {ratios[key].unit}" for key in ("back_emf", "resistance") if key in ratios]
    if "supply" in values:
        volts = values["supply"][np.isfinite(values["supply"])]
        if not len(volts) or volts.min() <= 0:
            raise BenchError("the supply voltage is missing or not positive", log.place(0, "supply"), "log what the voltmeter shows")
        mean = float(np.mean(volts))
        half = float(max(volts.max() - mean, mean - volts.min()))
        ratios["supply"] = estimate_ratio("supply", mean, (half, half), gain, log.file_name)
        words.append(f"supply {mean:.4g} V")
    if not ratios:
        raise BenchError(
            "nothing to measure: voltage_v with wheel_rad_s, or supply_v, is needed", log.place(), "add the columns; see --guide"
        )
    if not curves:
        count = len(values["supply"])
        mean_curve = np.full(count, ratios["supply"].value)
        curves.append(
            Curve("supply, V", np.arange(1.0, count + 1), values["supply"], mean_curve, values["supply"] - mean_curve, "residual\nV", True)
        )
        return Experiment("supply", log.file_name, "; ".join(words), ratios, tuple(curves), "reading", notes=tuple(notes))
    return Experiment("supply", log.file_name, "; ".join(words), ratios, tuple(curves), "wheel, rad/s", notes=tuple(notes))


def _motor(log: Log, values: dict[str, RealArray], gain: float, ratios: dict[str, Estimate], notes: list[str]) -> Curve:
    voltage, speed = values["voltage"], values["wheel"]
    current = values.get("current")
    good = np.isfinite(voltage) & np.isfinite(speed) & (np.isfinite(current) if current is not None else True)
    if np.sum(good) < 3:
        raise BenchError(f"only {int(np.sum(good))} rows are complete", log.place(), "give three settings of the voltage or more")
    voltage, speed = voltage[good], speed[good]
    wrong = np.flatnonzero((np.sign(voltage) != np.sign(speed)) & (np.abs(speed) > STILL_SHARE * np.abs(speed).max()))
    if len(wrong):
        row = int(np.flatnonzero(good)[wrong[0]])
        raise BenchError(
            "a positive voltage turns the wheel the negative way",
            log.place(row, "wheel"),
            "a positive command must turn the wheel the positive way: exchange two wires, or declare # reverse = "
            + log.columns["wheel"].name,
        )
    # Without an ammeter the no-load current, the same at every speed, is an offset with the sign of the speed.
    second = np.sign(speed) if current is None else current[good]
    design = np.column_stack([speed, second])
    scale = np.linalg.norm(design, axis=0)
    if np.any(scale == 0) or np.linalg.cond(design / scale) > 300:
        raise BenchError(
            "speeds and currents of the rows are too much alike", log.place(), "take settings from a third of the voltage to all of it"
        )
    solution = np.linalg.lstsq(design / scale, voltage, rcond=None)[0] / scale
    residual = voltage - design @ solution
    freedom = max(1, len(voltage) - 2)
    variance = max(float(residual @ residual) / freedom, (1e-4 * float(np.abs(voltage).max())) ** 2)
    covariance = variance * np.linalg.inv(design.T @ design)
    quantile = float(stats.t.ppf(0.975, freedom))
    if solution[0] <= 0 or np.std(residual) > 0.1 * np.std(voltage):
        raise BenchError(
            "the voltages do not belong to the speeds",
            log.place(0, "voltage"),
            f"check the units: the columns are {log.columns['voltage'].name} and {log.columns['wheel'].name}",
        )
    widths = (quantile * float(np.sqrt(covariance[0, 0])), NORMAL_95 * float(np.sqrt(covariance[0, 0])))
    ratios["back_emf"] = estimate_ratio("back_emf", float(solution[0]), widths, gain, log.file_name)
    if current is not None:
        widths = (quantile * float(np.sqrt(covariance[1, 1])), NORMAL_95 * float(np.sqrt(covariance[1, 1])))
        ratios["resistance"] = estimate_ratio(
            "resistance", float(solution[1]), widths, float(np.hypot(RESISTANCE_SHARE, gain)), log.file_name
        )
    else:
        notes.append("no column of current: the resistance is not measured")
    order = np.argsort(speed)
    # What the resistance takes is off, so that the rest lies on one straight line.
    shown = (voltage - solution[1] * second)[order]
    label = "voltage less R i, V" if current is not None else "voltage less friction's, V"
    return Curve(label, speed[order], shown, solution[0] * speed[order], residual[order], "residual\nV", markers=True)
