"""Was the wheel locked or free in a swing? A locked wheel adds its inertia J to the body's: some 4 to 11 % of it.

Takes the experiments, gives them with every undecided swing decided by the others, or refuses.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from codegen.bench.estimate import NORMAL_95, Estimate
from codegen.bench.experiment import RATIOS, Experiment
from codegen.errors import BenchError

# To decide, one reading must fit and the other must miss by far.
FITS_SIGMAS, MISSES_SIGMAS = 4.0, 8.0
# The hanging run's share of effects that its residuals do not show.
HANGING_SHARE = 2e-3


def decide_wheel(experiments: Sequence[Experiment], predicted: Mapping[str, Estimate], notes: list[str]) -> list[Experiment]:
    """Return the experiments with every swing's wheel decided.

    A hanging run knows (I + J)/G and J/G. A swing that declares nothing is compared with both; one that declares a taped or free wheel
    is compared too, and a contradiction is refused.

    Raises:
        BenchError: Nothing decides, or the declaration is contradicted.
    """
    runs = [experiment for experiment in experiments if "wheel" in experiment.ratios]
    decided = []
    for experiment in experiments:
        if experiment.kind != "swing":
            decided.append(experiment)
            continue
        key = next(key for key in ("locked", "free", "undecided") if key in experiment.ratios)
        if runs:
            seen = _by_run(experiment.ratios[key], runs[0])
            decided.append(_settle(experiment, key, seen, runs[0].file_name, notes))
        elif key == "undecided":
            raise _undecidable(experiment, predicted)
        else:
            decided.append(experiment)
    return decided


def _by_run(swing: Estimate, run: Experiment) -> str | None:
    """Locked or free, whichever fits the hanging run while the other does not; None if neither can be told."""
    locked, wheel = run.ratios["locked"], run.ratios["wheel"]
    sigma = math.hypot(locked.total, HANGING_SHARE * locked.value, swing.total) / NORMAL_95
    sigma_free = math.hypot(sigma, wheel.total / NORMAL_95)
    off = {"locked": abs(swing.value - locked.value) / sigma, "free": abs(swing.value - (locked.value - wheel.value)) / sigma_free}
    best, other = sorted(off, key=lambda key: off[key])
    return best if off[best] < FITS_SIGMAS and off[other] > MISSES_SIGMAS else None


def _settle(experiment: Experiment, key: str, seen: str | None, run: str, notes: list[str]) -> Experiment:
    words = {"locked": "taped", "free": "free"}
    if key == "undecided":
        if seen is None:
            raise _undecided(experiment, f"{run} cannot tell either")
        notes.append(f"{experiment.file_name}: the wheel was {words[seen]}, as {run} shows")
        ratios = {**experiment.ratios}
        estimate = ratios.pop("undecided")
        ratios[seen] = replace(estimate, name=RATIOS[seen][0])
        if seen == "free":
            # The bearing's friction is part of what slows this swing down.
            ratios.pop("pivot_damping", None)
            ratios.pop("pivot_coulomb", None)
        return replace(experiment, ratios=ratios)
    if seen is not None and seen != key:
        raise BenchError(
            f"the wheel is declared {words[key]}, but against {run} this is the swing of a {'taped' if seen == 'locked' else 'free'} wheel",
            f"{experiment.file_name}, wheel",
            "correct the declaration, or tape the wheel tight and swing again",
        )
    return experiment


def _undecidable(experiment: Experiment, predicted: Mapping[str, Estimate]) -> BenchError:
    share = 1.0 - predicted["free"].value / predicted["locked"].value
    return _undecided(experiment, f"it makes {100 * share:.0f} % of the inertia")


def _undecided(experiment: Experiment, why: str) -> BenchError:
    return BenchError(
        f"nothing says whether the wheel was locked or free, and {why}",
        experiment.file_name,
        "declare it in the log's header: # wheel = taped (or free); taped is better",
    )
