"""How much of the motion each cause makes: the twin flown again with one thing mended.

Takes a twin and the machine as flown, gives shares that add up to one. Two kinds of cause are told apart. *Amplifiers* (latency, loop gain,
jitter) move nothing by themselves; they let the loop make more of what moves the body. So they come first: their share is what vanishes
when they are mended. *Sources* (noise, friction, cogging, unbalance, grids, rounding) are then mended one at a time on the machine whose
amplifiers are mended; what is left of the motion is divided between them as they divide it there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from codegen.diagnosis.twin import Flown, Motion, Twin
from codegen.plant import Plant

MEASURES = ("sway", "shake")
AMPLIFIERS = ("latency", "loop gain", "jitter")
SOURCES = (
    "gyro noise",
    "accelerometer noise",
    "stiction",
    "cogging",
    "unbalance",
    "command steps",
    "wheel speed steps",
    "rounding",
)
QUIET = 0.1
LEAST_AMPLIFICATION = 0.02
"""An amplifier that is worth less is not taken for one: two flights with different noise differ by as much."""


@dataclass(frozen=True)
class Shares:
    """What the motion is made of.

    Attributes:
        measure: "sway" (tilt) or "shake" (tilt rate): the one that exceeds what the design expects by more.
        motion: As flown.
        expected: Of the machine as the design takes it, with its sensors' noise and nothing else.
        by_cause: Share of the measure's variance; those of amplifiers and sources add up to at most 1.
    """

    measure: str
    motion: Motion
    expected: Motion
    by_cause: Mapping[str, float]

    @property
    def excess(self) -> float:
        """Variance as flown over that expected."""
        return self.motion.of(self.measure) / self.expected.of(self.measure)


def find_shares(twin: Twin, flown: Flown, watch: Callable[[str, float], None] = lambda name, share: None) -> Shares:
    """Fly the twin as flown and mended."""
    built = twin.designed.plant
    steps = len(AMPLIFIERS) + len(SOURCES) + 2

    def told(step: int, name: str) -> None:
        watch(name, step / steps)

    told(0, "as designed")
    upright = replace(built, balance_offset_rad=0.0, gyro=replace(built.gyro, bias_rad_s=0.0))
    expected = twin.motion_finer(Flown(undisturbed(upright)), "both")
    told(1, "as flown")
    whole = twin.motion(flown)
    measure = max(MEASURES, key=lambda one: whole.of(one) / expected.of(one)) if math.isfinite(whole.sway_rad) else "sway"
    amplifying: dict[str, float] = {}
    mended = flown
    for step, name in enumerate(AMPLIFIERS, start=2):
        told(step, name)
        better = mend(flown, built, name)
        share = 0.0 if better == flown else _gone(whole, twin.motion(better), measure)
        if share > LEAST_AMPLIFICATION:
            amplifying[name], mended = share, mend(mended, built, name)
    total = sum(amplifying.values())
    if total > 1.0:
        # Each of them alone would do.
        amplifying = {name: share / total for name, share in amplifying.items()}
    left = max(0.0, 1.0 - total)
    calm = twin.motion(mended) if amplifying else whole
    gone: dict[str, float] = {}
    for step, name in enumerate(SOURCES, start=2 + len(AMPLIFIERS)):
        told(step, name)
        gone[name] = 0.0 if _absent(mended, name) else _without(twin, mended, name, calm, measure)
    scale = left / max(1.0, sum(gone.values()))
    return Shares(measure, whole, expected, {**amplifying, **{name: scale * share for name, share in gone.items()}})


def _gone(before: Motion, after: Motion, measure: str) -> float:
    """Share of the variance that vanishes, not below 0; all of it where a fall is prevented."""
    if math.isinf(before.of(measure)):
        return 0.0 if math.isinf(after.of(measure)) else 1.0
    if math.isinf(after.of(measure)):
        return 0.0
    return max(0.0, 1.0 - after.of(measure) / before.of(measure))


def mend(flown: Flown, built: Plant, amplifier: str) -> Flown:
    """The machine with an amplifier as the build file has it; loops that are slower or weaker than built are left as they are."""
    plant = flown.plant
    if amplifier == "latency":
        return replace(flown, plant=replace(plant, latency_s=min(plant.latency_s, built.latency_s)))
    if amplifier == "loop gain":
        return replace(flown, plant=replace(plant, torque_constant=built.torque_constant))
    return replace(flown, tick_lengths_s=())


def _absent(flown: Flown, source: str) -> bool:
    plant = flown.plant
    sizes = {
        "gyro noise": plant.gyro.noise_rad_s_sqrt_hz,
        "accelerometer noise": plant.accelerometer.noise_m_s2_sqrt_hz,
        "stiction": max(plant.wheel_coulomb_n_m, plant.wheel_stiction_n_m),
        "cogging": plant.cogging_n_m * plant.cogging_per_rev,
        "unbalance": plant.wheel_unbalance_kg_m,
    }
    return sizes.get(source, 1.0) == 0.0


def _without(twin: Twin, flown: Flown, source: str, calm: Motion, measure: str) -> float:
    """Share of the motion ``calm`` that vanishes without a source."""
    plant = flown.plant
    if source == "rounding":
        return _gone(calm, twin.motion_exact(flown), measure)
    if source in ("command steps", "wheel speed steps"):
        # An edited C cannot be written anew for finer counts: what the counts do is then told from the design's own C.
        own = twin.motion_unedited(flown)
        share = _gone(own, twin.motion_finer(flown, "command" if source == "command steps" else "speed"), measure)
        return min(share, share * own.of(measure) / calm.of(measure)) if math.isfinite(calm.of(measure)) else share
    # A sensor without any noise is taken for a dead one, so some of it stays.
    gyro, accelerometer = plant.gyro, plant.accelerometer
    without = {
        "gyro noise": lambda: replace(plant, gyro=replace(gyro, noise_rad_s_sqrt_hz=QUIET * gyro.noise_rad_s_sqrt_hz)),
        "accelerometer noise": lambda: replace(
            plant, accelerometer=replace(accelerometer, noise_m_s2_sqrt_hz=QUIET * accelerometer.noise_m_s2_sqrt_hz)
        ),
        "stiction": lambda: replace(plant, wheel_coulomb_n_m=0.0, wheel_stiction_n_m=0.0),
        "cogging": lambda: replace(plant, cogging_n_m=0.0),
        "unbalance": lambda: replace(plant, wheel_unbalance_kg_m=0.0),
    }
    return _gone(calm, twin.motion(replace(flown, plant=without[source]())), measure)


def undisturbed(plant: Plant) -> Plant:
    """The plant with its sensors' noise and nothing else that moves it."""
    return replace(plant, wheel_coulomb_n_m=0.0, wheel_stiction_n_m=0.0, cogging_n_m=0.0, wheel_unbalance_kg_m=0.0)
