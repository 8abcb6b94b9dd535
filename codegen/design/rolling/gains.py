"""The control law of rolling balancers: its numbers, and how they follow from the machine.

Takes a :class:`~codegen.plant.rolling.RollingPlant` and the poles wanted; gives :class:`RollingGains`. Judges nothing.

The law, in every tick (T the period; G, Ie, N, lambda, H and c of the plant's module; a = I + c P, b = P + c M; r the radius)::

    with sensors on the body:  tilt = tilt + T rate + T/filter time (a_tangential/g - tilt)
                               path = path + T wheel;  place = r (path + tilt)
                               H    = b r wheel + (a + b r) rate
    with encoders:             tilt, place as read; rate, speed their filtered differences
                               H    = a rate + b speed
    E     = H - H_estimate
    lean  = -k_H (H + b w_x place)                                  clamped to the lean limit
    torque = r/N (Kp (tilt - trim) + Kd rate - Ie lambda w lean) + wheel gain * drive speed
    H_estimate += T (G (tilt - trim) + 1.4 w_t E)
    trim  -= T (w_t^2/G) E                                          clamped to the trim limit

It is state feedback on tilt, rate, place and speed, written so that each part has a meaning: with xi = tilt + rate/lambda the first
two terms are G xi + Ie lambda w (xi - lean), which moves the one growing direction's pole to -w and leaves the other at -lambda; the
lean makes H obey H' = -w_o (H + b w_x place), that is, place'' + w_o place' + w_o w_x place = 0; and the trim finds the tilt at which
gravity leaves the momentum alone, which is the true balance angle, with the place free to come back to where it was.
"""

from __future__ import annotations

from dataclasses import dataclass

from codegen.plant.rolling import RollingPlant

PLACE_SHARE = 0.25
"""Place pole w_x over the outer pole w_o: at 1/4 both poles of the carriage's way back coincide, it does not overshoot."""


@dataclass(frozen=True, kw_only=True)
class RollingGains:
    """All numbers of the control law; SI units, angles in rad.

    Attributes:
        plant: The nominal machine they were made for.
        inner_pole_rad_s: w, closed-loop pole of the direction that would grow.
        proportional_n_m_per_rad: Kp = G + Ie lambda w, torque on the tilt per rad.
        derivative_n_m_s_per_rad: Kd = Kp/lambda.
        lean_gain_n_m_per_rad: Ie lambda w.
        filter_time_s: Complementary filter while armed; 0 where the tilt is read directly.
        hold_filter_time_s: The same while disarmed and held.
        difference_filter_s: Filter of the encoders' differences; 0 where rate and speed are read directly.
        outer_pole_rad_s: w_o, rate at which the momentum is brought back.
        momentum_gain_rad_per_n_m_s: k_H = w_o/G.
        place_pole_rad_s: w_x, rate at which the place is brought back.
        lean_limit_rad: Largest lean that momentum and place may ask for.
        trim_pole_rad_s: w_t, natural frequency of the trim observer.
        trim_limit_rad: Largest trim.
        tilt_limit_rad: Clamp of the tilt estimate.
        place_limit_m: Clamp of the place.
        arm_tilt_rad: Arms only within this tilt.
        stop_tilt_rad: Trips beyond this tilt.
        stop_place_m: Trips beyond this place; infinite on a floor.
        overspeed_rad_s: Trips beyond this speed of the drive.
        sensor_timeout_ticks: Trips after so many ticks without a changing sensor; 0 where a reading may rest.
        wheel_gain_n_m_s: Torque command per rad/s of drive speed: motors K_t^2/R for a voltage drive, 0 for a current drive.
    """

    plant: RollingPlant
    inner_pole_rad_s: float
    proportional_n_m_per_rad: float
    derivative_n_m_s_per_rad: float
    lean_gain_n_m_per_rad: float
    filter_time_s: float
    hold_filter_time_s: float
    difference_filter_s: float
    outer_pole_rad_s: float
    momentum_gain_rad_per_n_m_s: float
    place_pole_rad_s: float
    lean_limit_rad: float
    trim_pole_rad_s: float
    trim_limit_rad: float
    tilt_limit_rad: float
    place_limit_m: float
    arm_tilt_rad: float
    stop_tilt_rad: float
    stop_place_m: float
    overspeed_rad_s: float
    sensor_timeout_ticks: int
    wheel_gain_n_m_s: float

    @property
    def torque_share(self) -> float:
        """r/N: torque of all motors per N m on the tilt."""
        return self.plant.radius_m / self.plant.arm_m

    @property
    def counts_per_n_m(self) -> float:
        """Drive command in counts per N m of all motors together, for a current or a voltage drive."""
        plant = self.plant
        per_n_m = 1.0 / (plant.motors * plant.torque_constant)
        if plant.voltage_drive:
            per_n_m *= plant.resistance_ohm
        return per_n_m * plant.command_counts / plant.command_full_scale

    @property
    def feedback(self) -> tuple[float, float, float, float]:
        """Torque of all motors in N m per unit of place (m), speed (m/s), tilt (rad) and tilt rate (rad/s)."""
        plant, pull = self.plant, self.lean_gain_n_m_per_rad * self.momentum_gain_rad_per_n_m_s
        speed = plant.momentum_per_speed
        return (
            self.torque_share * pull * speed * self.place_pole_rad_s,
            self.torque_share * pull * speed,
            self.torque_share * self.proportional_n_m_per_rad,
            self.torque_share * (self.derivative_n_m_s_per_rad + pull * plant.momentum_per_rate),
        )


@dataclass(frozen=True)
class RollingPoles:
    """The free choices of the linear law: w, w_o, w_t in rad/s, the complementary and the difference filter's times in s."""

    inner_rad_s: float
    outer_rad_s: float
    trim_rad_s: float
    filter_time_s: float
    difference_filter_s: float


@dataclass(frozen=True)
class RollingCeilings:
    """Limits and thresholds of the law, as in :class:`RollingGains`; they do not touch the linear loop."""

    lean_rad: float
    trim_rad: float
    tilt_rad: float
    place_m: float
    arm_tilt_rad: float
    stop_tilt_rad: float
    stop_place_m: float
    overspeed_rad_s: float
    sensor_timeout_ticks: int
    hold_filter_time_s: float


def place_rolling_gains(plant: RollingPlant, poles: RollingPoles, ceilings: RollingCeilings) -> RollingGains:
    """Gains that put the poles of the ideal (undelayed, frictionless) machine at -w, -lambda and twice -w_o/2.

    The last two as far as w_o is small against lambda, the pole through which the lean acts.
    Source: pole placement on xi' = lambda xi - N force/(Ie lambda) and H' = G tilt, derived here.
    """
    divergence, gravity = plant.divergence_rad_s, plant.gravity_torque_n_m
    lean_gain = plant.effective_inertia_kg_m2 * divergence * poles.inner_rad_s
    back_emf = plant.motors * plant.torque_constant**2 / plant.resistance_ohm
    return RollingGains(
        plant=plant,
        inner_pole_rad_s=poles.inner_rad_s,
        proportional_n_m_per_rad=gravity + lean_gain,
        derivative_n_m_s_per_rad=(gravity + lean_gain) / divergence,
        lean_gain_n_m_per_rad=lean_gain,
        filter_time_s=poles.filter_time_s,
        hold_filter_time_s=ceilings.hold_filter_time_s,
        difference_filter_s=poles.difference_filter_s,
        outer_pole_rad_s=poles.outer_rad_s,
        momentum_gain_rad_per_n_m_s=poles.outer_rad_s / gravity,
        place_pole_rad_s=PLACE_SHARE * poles.outer_rad_s,
        lean_limit_rad=ceilings.lean_rad,
        trim_pole_rad_s=poles.trim_rad_s,
        trim_limit_rad=ceilings.trim_rad,
        tilt_limit_rad=ceilings.tilt_rad,
        place_limit_m=ceilings.place_m,
        arm_tilt_rad=ceilings.arm_tilt_rad,
        stop_tilt_rad=ceilings.stop_tilt_rad,
        stop_place_m=ceilings.stop_place_m,
        overspeed_rad_s=ceilings.overspeed_rad_s,
        sensor_timeout_ticks=ceilings.sensor_timeout_ticks,
        wheel_gain_n_m_s=back_emf if plant.voltage_drive else 0.0,
    )
