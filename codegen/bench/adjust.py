"""All experiments together: which ratios agree, and what they make of the numbers of the build file.

Takes the experiments and the build as it was, gives a ``Measurement``: parameters to write, the machine's derived numbers, conflicts.

What no experiment measures is taken from the build file. Intervals: the half-widths of independent ratios add by their squares; the
systematic floors come from the same effects in all experiments (friction, ripple, the gyro's scale), so the largest of them counts once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from codegen.bench.estimate import CONFLICT_SIGMAS, Conflict, Estimate, combine, joined, sigmas_apart
from codegen.bench.experiment import RATIOS, Experiment, estimate_ratio
from codegen.bench.wheel_state import decide_wheel
from codegen.build import Build, Quantity
from codegen.errors import BenchError
from codegen.plant import GRAVITY_M_S2

FILE = "build file"
_REMEDIES: Mapping[str, str] = {
    "locked": "a wheel that was not taped tight, a body that hung differently, or a clock that is off; tape the wheel and swing again",
    "free": "a wheel that stuck now and then; tape it, and swing again",
    "wheel": "the scale of the gyro or of the wheel's reading; check both against a known turn",
    "torque": "a current that the drive did not deliver, or a hot motor; repeat with less current",
    "coulomb": "a bearing that ran in or warmed up; let it run for a minute and repeat",
    "viscous": "a bearing that ran in or warmed up; let it run for a minute and repeat",
    "mass_height": "a lever from the wrong edge, or a body that did not lie level; read again",
}
_SLIPS = (
    (180 / math.pi, "radians and degrees"),
    (30 / math.pi, "rad/s and turns per minute"),
    (1000.0, "a slip of a thousand (mN m and N m, g and kg)"),
    (100.0, "centimetres and metres"),
    (10.0, "a slip of ten"),
)
SLIP_TOLERANCE = 0.15
# What cannot be zero keeps at least this share of its value as the lower end of its interval.
POSITIVE_SHARE = 0.05


@dataclass(frozen=True)
class Parameter:
    """A number to be written into the build file.

    Attributes:
        table, key: Its place, as in ``sensors.gyro`` and ``bias_dps``.
        unit: For people.
        value, low, high: What was measured, with its 95 % interval.
        old: What the file held; None if the key was absent.
        source: The logs it rests on.
        inflation: How much wider the interval is than the fits alone would state.
    """

    table: str
    key: str
    unit: str
    value: float
    low: float
    high: float
    old: Quantity | None
    source: str
    inflation: float


@dataclass(frozen=True)
class Measurement:
    """What the bench says about a machine.

    Attributes:
        experiments: One per log.
        ratios: Combined over the experiments, by the keys of ``RATIOS``.
        parameters: To be written.
        derived: Numbers that a controller needs, by name: rate of falling, gravity torque, inertias, torque scale.
        conflicts: Experiments that disagree with each other (serious) or with the file as it was.
        notes: What was assumed.
    """

    experiments: tuple[Experiment, ...]
    ratios: Mapping[str, Estimate]
    parameters: tuple[Parameter, ...]
    derived: Mapping[str, Estimate]
    conflicts: tuple[Conflict, ...]
    notes: tuple[str, ...]

    @property
    def consistent(self) -> bool:
        """Whether no two experiments disagree."""
        return not any(conflict.serious for conflict in self.conflicts)


def adjust(experiments: Sequence[Experiment], build: Build) -> Measurement:
    """Bring the experiments together.

    Raises:
        BenchError: They cannot be brought together (a swing of which nobody says whether the wheel was taped, a scale reading less than
            the wheel alone makes).
    """
    notes: list[str] = []
    decided = decide_wheel(experiments, predicted_ratios(build), notes)
    gathered: dict[str, list[Estimate]] = {}
    for experiment in decided:
        for key, estimate in experiment.ratios.items():
            gathered.setdefault(key, []).append(estimate)
    if "locked" in gathered and "free" in gathered:
        gathered.setdefault("wheel", []).append(_wheel_from_swings(gathered["locked"][0], gathered["free"][0]))
    ratios: dict[str, Estimate] = {}
    conflicts: list[Conflict] = []
    for key, estimates in gathered.items():
        ratios[key], found = combine(estimates, _REMEDIES.get(key, "repeat the one you trust less"))
        conflicts += found
    machine = _Machine(ratios, build)
    conflicts += _torque_against_voltage(machine)
    conflicts += _against_file(ratios, build)
    notes += machine.notes()
    return Measurement(tuple(decided), ratios, machine.parameters(), machine.derived(), tuple(conflicts), tuple(notes))


def predicted_ratios(build: Build) -> dict[str, Estimate]:
    """What the build file says the ratios are, with the intervals of its numbers."""
    body, wheel, drive = build.body, build.wheel, build.drive
    names: dict[str, Quantity] = {
        "mb": body.mass_kg, "lb": body.com_height_m, "jb": body.inertia_kg_m2, "mw": wheel.mass_kg, "hw": wheel.axis_height_m,
        "jw": wheel.inertia_kg_m2, "kt": drive.torque_constant_n_m_per_a, "c": drive.coulomb_n_m, "b": drive.viscous_n_m_s,
        "bp": body.pivot_damping_n_m_s, "cp": body.pivot_coulomb_n_m, "r": drive.resistance_ohm, "v": drive.supply_v,
        "gn": build.gyro.noise_dps_per_sqrt_hz, "gb": build.gyro.bias_dps, "an": build.accelerometer.noise_ug_per_sqrt_hz,
    }  # fmt: skip

    def gravity(q: Mapping[str, float]) -> float:
        return GRAVITY_M_S2 * (q["mb"] * q["lb"] + q["mw"] * q["hw"])

    def inertia(q: Mapping[str, float]) -> float:
        return q["jb"] + q["mw"] * q["hw"] ** 2

    formulas: dict[str, Callable[[Mapping[str, float]], float]] = {
        "locked": lambda q: (inertia(q) + q["jw"]) / gravity(q),
        "free": lambda q: inertia(q) / gravity(q),
        "wheel": lambda q: q["jw"] / gravity(q),
        "torque": lambda q: q["kt"] / q["jw"],
        "coulomb": lambda q: q["c"] / q["jw"],
        "viscous": lambda q: q["b"] / q["jw"],
        "pivot_damping": lambda q: q["bp"] / gravity(q),
        "pivot_coulomb": lambda q: q["cp"] / gravity(q),
        "mass_height": lambda q: gravity(q) / GRAVITY_M_S2,
        "back_emf": lambda q: q["kt"],
        "resistance": lambda q: q["r"],
        "supply": lambda q: q["v"],
        "gyro_noise": lambda q: q["gn"],
        "gyro_bias": lambda q: q["gb"],
        "accelerometer_noise": lambda q: q["an"],
    }
    middle = {name: quantity.value for name, quantity in names.items()}
    predicted = {}
    for key, formula in formulas.items():
        value = formula(middle)
        spread = 0.0
        for name, quantity in names.items():
            ends = [formula({**middle, name: end}) - value for end in (quantity.low, quantity.high)]
            spread = math.hypot(spread, max(abs(end) for end in ends))
        predicted[key] = estimate_ratio(key, value, (spread, spread), 0.0, FILE)
    return predicted


class _Machine:
    """The numbers of the machine as functions of what was measured, with their intervals."""

    def __init__(self, ratios: Mapping[str, Estimate], build: Build) -> None:
        self.build = build
        self.ratios = ratios
        self.known = predicted_ratios(build) | dict(ratios)
        body, wheel = build.body, build.wheel
        self.wheel_arm = wheel.mass_kg.value * wheel.axis_height_m.value
        self.absolute = {
            "body_inertia": body.inertia_kg_m2.value + self.wheel_arm * wheel.axis_height_m.value,
            "wheel_inertia": wheel.inertia_kg_m2.value,
        }

    def has(self, *keys: str) -> bool:
        return all(key in self.ratios for key in keys)

    # ---- formulas on a mapping of ratio values ----

    def gravity(self, r: Mapping[str, float]) -> float:
        return r["mass_height"] * GRAVITY_M_S2

    def wheel(self, r: Mapping[str, float]) -> float:
        return r["wheel"] * self.gravity(r) if self.has("wheel") else self.absolute["wheel_inertia"]

    def inertia(self, r: Mapping[str, float]) -> float:
        if self.has("locked"):
            return r["locked"] * self.gravity(r) - self.wheel(r)
        return r["free"] * self.gravity(r) if self.has("free") else self.absolute["body_inertia"]

    def torque(self, r: Mapping[str, float]) -> float:
        if self.has("torque"):
            return r["torque"] * self.wheel(r)
        return r["back_emf"]

    def estimate(self, name: str, unit: str, formula: Callable[[Mapping[str, float]], float]) -> Estimate:
        """The value of a formula and its interval by first differences."""
        middle = {key: estimate.value for key, estimate in self.known.items()}
        value = formula(middle)
        half, nominal, floor, sources = 0.0, 0.0, 0.0, []
        for key, estimate in self.known.items():
            step = 1e-5 * max(abs(estimate.value), 1e-12)
            slope = (formula({**middle, key: estimate.value + step}) - value) / step
            # What cancels out leaves a rounding rest.
            if abs(slope * step) < 1e-9 * abs(value):
                continue
            half = math.hypot(half, slope * estimate.half_width)
            nominal = math.hypot(nominal, slope * estimate.nominal)
            floor = max(floor, abs(slope * estimate.floor * estimate.value))
            sources.append(estimate.source)
        share = floor / abs(value) if value else 0.0
        return Estimate(name, unit, value, half, nominal, share, joined(sources))

    # ---- results ----

    def parameters(self) -> tuple[Parameter, ...]:
        body, wheel, drive = self.build.body, self.build.wheel, self.build.drive
        arm, axis = self.wheel_arm, wheel.axis_height_m.value
        found: list[Parameter] = []

        def put(
            table: str,
            key: str,
            unit: str,
            old: Quantity | None,
            formula: Callable[[Mapping[str, float]], float],
            least_share: float | None = POSITIVE_SHARE,
        ) -> None:
            estimate = self.estimate(key, unit, formula)
            if least_share == POSITIVE_SHARE and estimate.value <= 0:
                raise BenchError(
                    f"{table}.{key} comes out as {estimate.value:.3g} {unit}",
                    estimate.source,
                    "the logs and the build file's masses and heights do not go together: weigh and measure the parts again",
                )
            least = -math.inf if least_share is None else least_share * abs(estimate.value)
            low = max(least, estimate.low)
            value = max(estimate.value, low)
            found.append(Parameter(table, key, unit, value, low, max(estimate.high, value), old, estimate.source, estimate.inflation))

        if self.has("mass_height"):
            if self.ratios["mass_height"].value <= arm:
                raise BenchError(
                    f"the scale gives {self.ratios['mass_height'].value:.4g} kg m, less than the wheel alone ({arm:.4g} by the file)",
                    self.ratios["mass_height"].source,
                    "weigh the wheel again and measure its axle's height, or read lever and scale again",
                )
            put("body", "com_height_m", "m", body.com_height_m, lambda r: (r["mass_height"] - arm) / body.mass_kg.value)
        if self.has("locked") or self.has("free"):
            put("body", "inertia_kg_m2", "kg m2", body.inertia_kg_m2, lambda r: self.inertia(r) - arm * axis)
        if self.has("pivot_damping"):
            put("body", "pivot_damping_n_m_s", "N m s", body.pivot_damping_n_m_s, lambda r: r["pivot_damping"] * self.gravity(r), 0.0)
            put("body", "pivot_coulomb_n_m", "N m", body.pivot_coulomb_n_m, lambda r: r["pivot_coulomb"] * self.gravity(r), 0.0)
        if self.has("wheel"):
            put("wheel", "inertia_kg_m2", "kg m2", wheel.inertia_kg_m2, self.wheel)
        if self.has("torque") or self.has("back_emf"):
            put("drive", "torque_constant_n_m_per_a", "N m/A", drive.torque_constant_n_m_per_a, self.torque)
        if self.has("resistance"):
            put("drive", "resistance_ohm", "ohm", drive.resistance_ohm, lambda r: r["resistance"])
        if self.has("supply"):
            put("drive", "supply_v", "V", drive.supply_v, lambda r: r["supply"])
        if self.has("coulomb"):
            put("drive", "viscous_n_m_s", "N m s", drive.viscous_n_m_s, lambda r: r["viscous"] * self.wheel(r), 0.0)
            put("drive", "coulomb_n_m", "N m", drive.coulomb_n_m, lambda r: r["coulomb"] * self.wheel(r), 0.0)
            self._lift_stiction(found)
        gyro, accelerometer = self.build.gyro, self.build.accelerometer
        if self.has("gyro_noise"):
            put("sensors.gyro", "noise_dps_per_sqrt_hz", "deg/s/sqrt(Hz)", gyro.noise_dps_per_sqrt_hz, lambda r: r["gyro_noise"], 0.0)
            put("sensors.gyro", "bias_dps", "deg/s", gyro.bias_dps, lambda r: r["gyro_bias"], None)
        if self.has("accelerometer_noise"):
            old = accelerometer.noise_ug_per_sqrt_hz
            put("sensors.accelerometer", "noise_ug_per_sqrt_hz", "ug/sqrt(Hz)", old, lambda r: r["accelerometer_noise"], 0.0)
        return tuple(found)

    def _lift_stiction(self, found: list[Parameter]) -> None:
        """Stiction below the measured Coulomb friction would contradict it; nobody measured it, so it is lifted to that."""
        coulomb, old = found[-1], self.build.drive.stiction_n_m
        if old.high < coulomb.low and old != self.build.drive.coulomb_n_m:
            found.append(replace(coulomb, key="stiction_n_m", old=old))

    def derived(self) -> dict[str, Estimate]:
        return {
            "divergence_rad_s": self.estimate(
                "rate of falling lambda = sqrt(G/I)", "rad/s", lambda r: math.sqrt(self.gravity(r) / max(self.inertia(r), 1e-12))
            ),
            "gravity_torque_n_m": self.estimate("gravity torque G = m g l", "N m", self.gravity),
            "body_inertia_kg_m2": self.estimate("inertia I of the body with the wheel's mass", "kg m2", self.inertia),
            "wheel_inertia_kg_m2": self.estimate("inertia J of the wheel", "kg m2", self.wheel),
            "torque_constant_n_m_per_a": self.estimate("torque scale K_t", "N m/A", self.torque),
        }

    def notes(self) -> list[str]:
        notes = []
        absolute = self.has("locked") or self.has("free") or self.has("wheel")
        if absolute and not self.has("mass_height"):
            notes.append(
                "no scale reading: the gravity torque is that of the build file, and inertias and torques are as good as it is "
                "(their ratios, and with them lambda, are not touched by that)"
            )
        if self.has("locked") and not self.has("wheel"):
            notes.append("no hanging run: the wheel's inertia, taken off the swing's, is that of the build file")
        if self.has("torque") and not self.has("wheel"):
            notes.append("torque per ampere rests on the wheel's inertia in the build file; a hanging run would measure it")
        return notes


def _wheel_from_swings(locked: Estimate, free: Estimate) -> Estimate:
    """J/G as the difference of two swings; the small ball bearing friction of the free one is within the floor."""
    widths = math.hypot(locked.total, free.total), math.hypot(locked.nominal, free.nominal)
    source = joined([locked.source, free.source])
    return estimate_ratio("wheel", locked.value - free.value, widths, 0.0, source)


def _torque_against_voltage(machine: _Machine) -> list[Conflict]:
    """Torque per ampere and volts per speed are one constant of a motor; that they differ shows an error of G, J or the current."""
    if not machine.has("torque", "back_emf"):
        return []
    by_motion = machine.estimate("torque constant", "N m/A", machine.torque)
    by_voltage = machine.ratios["back_emf"]
    sigmas = sigmas_apart(by_motion, by_voltage)
    if sigmas <= CONFLICT_SIGMAS:
        return []
    remedy = (
        f"torque by motion is {by_motion.value / by_voltage.value:.3g} times what the no-load speed says: the scale is off by that, "
        "or the drive's amperes are (the file gets the torque by motion, since the controller commands those amperes)"
    )
    return [
        Conflict("torque constant", "N m/A", by_motion.source, by_motion.value, by_voltage.source, by_voltage.value, sigmas, remedy, True)
    ]


def _against_file(ratios: Mapping[str, Estimate], build: Build) -> list[Conflict]:
    """What the file held and the bench denies, with the likely slip if the factor looks like one."""
    predicted = predicted_ratios(build)
    found = []
    for key in ratios:
        if key in ("gyro_bias", "gyro_noise", "accelerometer_noise", "supply"):
            continue
        old, new = predicted[key], ratios[key]
        sigmas = sigmas_apart(old, new)
        if sigmas <= CONFLICT_SIGMAS:
            continue
        remedy = _explain_factor(key, old.value, new.value, predicted, "wheel" in ratios)
        name, unit = RATIOS[key]
        found.append(Conflict(name, unit, new.source, new.value, FILE, old.value, min(sigmas, 1e6), remedy, False))
    return found


def _explain_factor(key: str, old: float, new: float, predicted: Mapping[str, Estimate], wheel_known: bool) -> str:
    if old <= 0 or new <= 0:
        return "a sign differs"
    factor = max(new / old, old / new)
    known, words = min(_SLIPS, key=lambda slip: abs(factor / slip[0] - 1))
    if abs(factor / known - 1) < SLIP_TOLERANCE:
        return f"a factor of {factor:.3g}, which looks like {words}: check the unit of the column, or of the key"
    if not wheel_known and key == "locked" and abs(new / predicted["free"].value - 1) < 0.2 * abs(new / old - 1):
        return "this is the swing of a free wheel by the file: was the wheel taped tight?"
    if not wheel_known and key == "free" and abs(new / predicted["locked"].value - 1) < 0.2 * abs(new / old - 1):
        return "this is the swing of a locked wheel by the file: did it turn freely?"
    return f"{100 * (new / old - 1):+.3g} %"
