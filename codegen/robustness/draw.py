"""One machine out of those that the build file allows.

Takes a build, what is uncertain, a seed and the machine's number; gives a build whose every number is exact. The same for the same seed
and number, whatever else is drawn and wherever.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from codegen.build import Build, Quantity
from codegen.errors import LoopwrightError
from codegen.robustness.spreads import TABLES, Uncertain

MOST_TRIES = 1000


@dataclass(frozen=True)
class DrawnMachine:
    """A machine.

    Attributes:
        number: Which one.
        build: Its numbers; goals and target are those of the build it was drawn from.
        shares: In (0, 1), one per uncertain thing: where in its law the draw lies.
        noise_seed: Seed of its sensors' noise.
    """

    number: int
    build: Build
    shares: tuple[float, ...]
    noise_seed: int


def draw_machine(build: Build, uncertain: tuple[Uncertain, ...], seed: int, number: int) -> DrawnMachine:
    """Machine ``number`` of those that ``seed`` stands for.

    Numbers no body can have (an inertia about the pivot of less than mass times height squared; Steiner) are drawn again.

    Raises:
        LoopwrightError: The intervals leave almost no possible body.
    """
    source = np.random.default_rng([seed, number])
    noise_seed = int(source.integers(2**31))
    for _ in range(MOST_TRIES):
        shares = tuple(float(share) for share in source.random(len(uncertain)))
        drawn = _moved(build, uncertain, shares)
        if is_possible(drawn):
            return DrawnMachine(number, drawn, shares, noise_seed)
    raise LoopwrightError(
        f"of {MOST_TRIES} machines drawn none has a possible body",
        build.path_name,
        "narrow the intervals of body.mass_kg, body.com_height_m and body.inertia_kg_m2",
    )


def is_possible(build: Build) -> bool:
    """Whether the inertia about the pivot is that of some body with this mass and height."""
    body = build.body
    return body.inertia_kg_m2.value > body.mass_kg.value * body.com_height_m.value**2


def _moved(build: Build, uncertain: tuple[Uncertain, ...], shares: tuple[float, ...]) -> Build:
    period_s = 1.0 / build.loop.inner_hz.value
    new: dict[str, dict[str, Quantity]] = {table: {} for table in TABLES}
    for each, share in zip(uncertain, shares, strict=True):
        for table, key in each.keys:
            nominal = getattr(getattr(build, table), key).value
            new[table][key] = Quantity.exact(each.moved(nominal, share, period_s))
    stiction, coulomb = (new["drive"].get(key) for key in ("stiction_n_m", "coulomb_n_m"))
    if stiction is not None and coulomb is not None and stiction.value < coulomb.value:
        # Drawn apart, they may cross; a wheel that stands holds at least as fast as one that slides.
        new["drive"]["stiction_n_m"] = coulomb
    for table in TABLES:
        for key, value in vars(getattr(build, table)).items():
            if isinstance(value, Quantity) and key not in new[table]:
                new[table][key] = Quantity.exact(value.value)
    parts = {table: replace(getattr(build, table), **numbers) for table, numbers in new.items()}
    return replace(build, **parts)
