"""Classic fixed-point defects as edits of the emitted C of the calm lantern in 16-bit words.

Each replaces the first place where a text stands.  ``equivalent`` marks edits that change nothing; ``only_16_bit_int`` those that only
a machine with a 16-bit int shows, ``only_wide_int`` those that only a wider one does.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Mutant:
    """One edit."""

    name: str
    old: str
    new: str
    equivalent: bool = False
    only_16_bit_int: bool = False
    only_wide_int: bool = False


MUTANTS = (
    Mutant("shift one too far", "inputs->gyro_rate * INT32_C(27424), 16)", "inputs->gyro_rate * INT32_C(27424), 17)"),
    Mutant("shift one too short", "round_shift_32(innovation, 16)", "round_shift_32(innovation, 15)"),
    Mutant("moved up one too far", "round_shift_32(tilt * INT32_C(2), 16)", "round_shift_32(tilt * INT32_C(4), 16)"),
    Mutant("rounding missing", "return (x + (INT32_C(1) << (n - 1))) >> n;", "return x >> n;"),
    Mutant("half a count short", "(x + (INT32_C(1) << (n - 1))) >> n", "(x + (INT32_C(1) << (n - 1)) - 1) >> n"),
    Mutant("a whole count for a half", "(x + (INT32_C(1) << (n - 1))) >> n", "(x + (INT32_C(1) << n)) >> n"),
    Mutant("digits swapped", "INT32_C(15211)", "INT32_C(15121)"),
    Mutant("wrong sign of a term", "+ (int32_t)inputs->gyro_rate * INT32_C(256)", "- (int32_t)inputs->gyro_rate * INT32_C(256)"),
    Mutant("history of another signal", "reading_last = inputs->accel_tangential", "reading_last = inputs->accel_radial"),
    Mutant("lower clamp of an input missing", "wheel_speed, -1024, 1023", "wheel_speed, -32767, 1023"),
    Mutant("clamp after the cast", "clamp_32(tilt_filtered, -INT32_C", "clamp_32((int16_t)tilt_filtered, -INT32_C"),
    Mutant("narrow accumulator", "(int32_t)wheel_speed_held * INT32_C(15211)", "(int16_t)(wheel_speed_held * INT32_C(15211))"),
    Mutant("trim corrected the wrong way", "state->trim - (int32_t)momentum_excess", "state->trim + (int32_t)momentum_excess"),
    Mutant("limit ten times too wide", "16), -512, 512)", "16), -512, 5120)"),
    Mutant("limit one too wide", "16), -512, 512)", "16), -513, 512)"),
    Mutant("limits swapped", "16), -512, 512)", "16), 512, -512)"),
    Mutant("lopsided clamp", "16), -512, 512)", "16), -511, 512)"),
    Mutant(
        "product in the operands' own width",
        "(int32_t)inputs->gyro_rate * INT32_C(286)",
        "inputs->gyro_rate * 286",
        only_16_bit_int=True,
    ),
    Mutant(
        "constant of too few bits",
        "(int32_t)wheel_speed_held * INT32_C(15211)",
        "wheel_speed_held * 15211",
        only_16_bit_int=True,
    ),
    Mutant(
        "cast after the product",
        "(int32_t)momentum_surplus_short * (-INT32_C(3533))",
        "(int32_t)(momentum_surplus_short * (-3533))",
        only_16_bit_int=True,
    ),
    Mutant("sum over the period narrowed", "const int32_t momentum_sum = clamp_32", "const int16_t momentum_sum = (int16_t)clamp_32"),
    Mutant("shifted before it is multiplied", "trim_short * INT32_C(20)", "trim_short / 2 * INT32_C(40)"),
    Mutant("product of full words", "(int32_t)innovation_short * INT32_C(1311)", "(int32_t)innovation_short * INT32_C(131072)"),
    Mutant("rounded twice", "round_shift_32(momentum_excess, 16)", "round_shift_32(round_shift_32(momentum_excess, 8), 8)"),
    Mutant("scales do not match", "tilt * INT32_C(2) - state->trim", "tilt * INT32_C(1) - state->trim"),
    Mutant(
        "wrong scale on the first tick",
        "const int32_t tilt_first = (int32_t)accel_angle * INT32_C(65536)",
        "const int32_t tilt_first = (int32_t)accel_angle * INT32_C(32768)",
    ),
    Mutant("sides of a branch exchanged", "if (state->armed_last) {", "if (!state->armed_last) {"),
    Mutant("other branch's condition", "if (state->started) {", "if (state->armed_last) {"),
    Mutant("side of a branch forgets a value", "        tilt_filtered = tilt_idle;\n", ""),
    Mutant("side of a branch keeps memory", "            trim_next = 0;\n", "            trim_next = state->trim;\n"),
    Mutant("slow section one tick late", "state->slow_count >= 39u", "state->slow_count > 39u"),
    Mutant("slow section one tick early", "state->slow_count >= 39u", "state->slow_count >= 38u"),
    Mutant("counter does not start anew", "state->slow_count = 0u;\n    } else", "state->slow_count = 1u;\n    } else"),
    Mutant("counter starts one too high", "state->slow_count = 0u;\n}", "state->slow_count = 1u;\n}"),
    Mutant(
        "limit of the integrator missing",
        "clamp_32(state->trim - (int32_t)momentum_excess_short * INT32_C(1519), -INT32_C(374341632), INT32_C(374341632))",
        "state->trim - (int32_t)momentum_excess_short * INT32_C(1519)",
    ),
    Mutant(
        "quotient towards zero",
        "return (x + (INT32_C(1) << (n - 1))) >> n;",
        "return (x + (INT32_C(1) << (n - 1))) / (INT32_C(1) << n);",
    ),
    Mutant(
        "memory written before it is read",
        "    /* rad, Q30, [-0.70673, 0.70673]: tilt estimate carried on by the gyro */",
        "    state->tilt_last = 0;",
    ),
    Mutant("damping with the wrong sign", "+ (int32_t)inputs->gyro_rate * INT32_C(27424)", "- (int32_t)inputs->gyro_rate * INT32_C(27424)"),
    Mutant("left shift of a negative number", "(int32_t)accel_angle * INT32_C(65536)", "(int32_t)accel_angle << 16"),
    Mutant("<= for < in the clamp", "if (x < low) {", "if (x <= low) {", equivalent=True),
    Mutant("gain of another term", "(int32_t)momentum_excess_short * INT32_C(3633)", "(int32_t)momentum_excess_short * INT32_C(7093)"),
    Mutant("shift by the width", "round_shift_32(innovation, 16)", "round_shift_32(innovation, 33)"),
    Mutant("clamp ends at the wrong side", "return (x > high) ? high : x;", "return (x > high) ? low : x;"),
    Mutant("trip forgets its history", "trip | state->tripped_last", "trip"),
    Mutant("trip does not stop the drive", "may_balance & !tripped", "may_balance"),
    Mutant("threshold off by one", "inputs->accel_radial >= 8192", "inputs->accel_radial > 8192"),
    Mutant("threshold of the wrong sign", "tilt_short < -17157", "tilt_short < 17157"),
    Mutant("and for or", "trip | state->tripped_last", "trip & state->tripped_last"),
    Mutant("not of the bits in place of the truth", "tripped_asked & !disarmed", "tripped_asked & ~disarmed"),
    Mutant("truth values added up", "stands_up & !leans_forward", "stands_up + !leans_forward"),
    Mutant("stale flag inverted", "| !inputs->sensor_fresh", "| inputs->sensor_fresh"),
    Mutant("frozen reading seen one tick late", "gyro_frozen_count >= 25", "gyro_frozen_count > 25"),
    Mutant(
        "counter wraps in its short word",
        "clamp_8((int8_t)(state->gyro_frozen_count_last + 1)",
        "clamp_8((int8_t)(state->gyro_frozen_count_last + 110)",
    ),
    Mutant("start value missing", "    state->trim = 0;\n", ""),
    Mutant("start value wrong", "    state->started = false;", "    state->started = true;"),
    Mutant("output forgotten", "    outputs->tripped = tripped;\n", ""),
    Mutant("memory forgotten", "    state->tilt_last = tilt;\n", ""),
    Mutant("outputs mixed up", "outputs->armed = armed;", "outputs->armed = tripped;"),
    Mutant("unsigned in a comparison", "inputs->wheel_speed > 599", "inputs->wheel_speed > 599u", only_wide_int=True),
    Mutant("negative number cast to unsigned", "inputs->wheel_speed > 599", "(uint16_t)inputs->wheel_speed > 599u"),
    Mutant(
        "half as bitwise or",
        "return (x + (INT32_C(1) << (n - 1))) >> n;",
        "return (x | (INT32_C(1) << (n - 1))) >> n;",
    ),
    Mutant("sum not started anew", "        state->tilt_sum = 0;\n", ""),
    Mutant("mean of one sample", "INT32_C(892008)) + (int32_t)tilt_short", "INT32_C(892008)) * 0 + (int32_t)tilt_short"),
    Mutant("brackets moved, nothing changed", "state->armed_last & fault", "(state->armed_last) & (fault)", equivalent=True),
    Mutant("decided early, nothing changed", "state->armed_last & fault", "state->armed_last && fault", equivalent=True),
    Mutant("operands exchanged, nothing changed", "trip | state->tripped_last", "state->tripped_last | trip", equivalent=True),
    Mutant(
        "difference of truth values, nothing changed",
        "trip | state->tripped_last",
        "trip ^ (state->tripped_last & !trip)",
        equivalent=True,
    ),
    Mutant(
        "choice written as a branch, nothing changed",
        "    const int16_t drive_command = armed ? command_wanted : 0;\n",
        "    int16_t drive_command = 0;\n    if (armed) {\n        drive_command = command_wanted;\n    }\n",
        equivalent=True,
    ),
)
