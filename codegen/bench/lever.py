"""The kitchen scale: the body lies horizontally, pivot edge on a support, the other end carried by the scale at a known distance.

Mass times height of the centre of mass = reading times lever, whatever gravity is at the place. Takes a log without time: one row per
reading.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import stats

from codegen.bench.columns import counted, factor_to_si
from codegen.bench.estimate import NORMAL_95
from codegen.bench.experiment import Curve, Experiment, estimate_ratio
from codegen.bench.log import Log
from codegen.build import Build
from codegen.errors import BenchError

DEFAULT_LEVER_MM = 0.5
DEFAULT_RESOLUTION_G = 1.0
# Of the reading: kitchen scales are that true (common practice, no source); the log need not show it.
SCALE_GAIN_SHARE = 0.002
# Share of the lever's uncertainty that all readings have in common: the zero of the ruler at the edge.
COMMON_SHARE = 0.5
DISAGREEMENT_SIGMAS = 4.0
LEAST_STEPS = 20


def measure_lever(log: Log, build: Build) -> Experiment:
    """Return mass times height from the readings of a scale.

    Raises:
        BenchError: A column is missing, a reading is impossible, or the readings contradict each other.
    """
    for quantity, example in (("lever", "lever_mm"), ("scale", "scale_g")):
        if quantity not in log.columns:
            raise BenchError(f"a scale reading needs the {quantity}", log.place(), f"add a column {example}")
    lever = log.columns["lever"].values * factor_to_si(log.columns["lever"].meaning, build)
    mass = log.columns["scale"].values * factor_to_si(log.columns["scale"].meaning, build)
    good = np.isfinite(lever) & np.isfinite(mass)
    for quantity, values in (("lever", lever), ("scale", mass)):
        wrong = np.flatnonzero(good & (values <= 0))
        if len(wrong):
            raise BenchError("the reading is not positive", log.place(int(wrong[0]), quantity), "leave this row out, or correct it")
    lever, mass, rows = lever[good], mass[good], np.flatnonzero(good)
    if not len(lever):
        raise BenchError("no row holds both lever and reading", log.place(), "give one row per reading")
    lever_m = 1e-3 * log.number("lever_uncertainty_mm", DEFAULT_LEVER_MM)
    step_kg = 1e-3 * log.number("scale_resolution_g", DEFAULT_RESOLUTION_G)
    _check_size(log, lever, mass, step_kg, rows)
    products = lever * mass
    # A reading is known to half a step; a lever to its uncertainty at 95 %.
    sigmas = products * np.hypot(step_kg / math.sqrt(12) / mass, lever_m / NORMAL_95 / lever)
    weights = sigmas**-2
    value = float(weights @ products / weights.sum())
    off = (products - value) / sigmas
    worst = int(np.argmax(np.abs(off)))
    if abs(off[worst]) > DISAGREEMENT_SIGMAS:
        raise BenchError(
            f"reading {worst + 1} gives {products[worst]:.5g} kg m, the others {value:.5g}: {abs(off[worst]):.1f} sigma apart",
            log.place(int(rows[worst]), "scale"),
            "read it again; lever is the distance from the pivot edge to where the scale carries, and the body must lie level",
        )
    own = 1.0 / math.sqrt(float(weights.sum()))
    count = len(products)
    scatter = math.sqrt(float(weights @ (products - value) ** 2 / weights.sum()) / max(1, count - 1)) if count > 2 else 0.0
    common = value * math.hypot(SCALE_GAIN_SHARE, COMMON_SHARE * lever_m / float(np.mean(lever)))
    random_part = max(NORMAL_95 * own, float(stats.t.ppf(0.975, max(1, count - 1))) * scatter if count > 2 else 0.0)
    half_width = math.hypot(random_part, common)
    estimate = estimate_ratio("mass_height", value, (half_width, half_width), 0.0, log.file_name)
    headline = f"kitchen scale, {counted(count, 'reading')}: mass times height {value:.5g} kg m, to {100 * estimate.total / value:.2g} %"
    notes = [*log.notes]
    for key, number, unit in (("scale_resolution_g", DEFAULT_RESOLUTION_G, "g"), ("lever_uncertainty_mm", DEFAULT_LEVER_MM, "mm")):
        if key not in log.declared:
            notes.append(f"{key} is not declared: taken as {number:g} {unit}")
    grams = 1e3 * mass
    fit = 1e3 * value / lever
    order = np.argsort(lever)
    curve = Curve("scale, g", 1e3 * lever[order], grams[order], fit[order], (grams - fit)[order], "residual\ng", markers=True)
    return Experiment("scale", log.file_name, headline, {"mass_height": estimate}, (curve,), "lever, mm", notes=tuple(notes))


def _check_size(
    log: Log, lever: np.typing.NDArray[np.float64], mass: np.typing.NDArray[np.float64], step_kg: float, rows: np.typing.NDArray[np.int64]
) -> None:
    if mass.min() < LEAST_STEPS * step_kg:
        raise BenchError(
            f"the scale shows {1e3 * mass.min():.3g} g, {mass.min() / step_kg:.3g} of its steps only",
            log.place(int(rows[int(np.argmin(mass))]), "scale"),
            "use a finer scale, carry the body closer to its edge, or check the column's unit",
        )
    if lever.max() > 3.0 or mass.max() > 50.0:
        row = int(rows[int(np.argmax(lever))]) if lever.max() > 3.0 else int(rows[int(np.argmax(mass))])
        quantity = "lever" if lever.max() > 3.0 else "scale"
        size = f"a lever of {lever.max():.4g} m" if quantity == "lever" else f"a reading of {mass.max():.4g} kg"
        unit = log.columns[quantity].meaning.unit
        raise BenchError(f"{size} is beyond a small machine", log.place(row, quantity), f"check the column's unit: it says {unit}")
