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
    Mutant("shift one too far", "inputs->gyro_rate * INT32_C(353), 10)", "inputs->gyro_rate * INT32_C(353), 11)"),
    Mutant("shift one too short", "inputs->gyro_rate * INT32_C(353), 10)", "inputs->gyro_rate * INT32_C(353), 9)"),
    Mutant("rounding missing", "return (x + (INT32_C(1) << (n - 1))) >> n;", "return x >> n;"),
    Mutant("half a count short", "(x + (INT32_C(1) << (n - 1))) >> n", "(x + (INT32_C(1) << (n - 1)) - 1) >> n"),
    Mutant("a whole count for a half", "(x + (INT32_C(1) << (n - 1))) >> n", "(x + (INT32_C(1) << n)) >> n"),
    Mutant("digits swapped", "INT32_C(21001)", "INT32_C(20101)"),
    Mutant("wrong sign of a term", "+ (int32_t)inputs->gyro_rate * INT32_C(353)", "- (int32_t)inputs->gyro_rate * INT32_C(353)"),
    Mutant("history of another signal", "reading_last = inputs->accel_tangential", "reading_last = inputs->accel_radial"),
    Mutant("lower clamp of an input missing", "wheel_speed, -INT32_C(964), INT32_C(964)", "wheel_speed, -INT32_C(32767), INT32_C(964)"),
    Mutant(
        "clamp after the cast",
        "(int16_t)clamp_32(round_shift_32(momentum_sum * INT32_C(1024)",
        "(int16_t)clamp_32((int16_t)round_shift_32(momentum_sum * INT32_C(1024)",
    ),
    Mutant("narrow accumulator", "(int32_t)wheel_speed_held * INT32_C(21001)", "(int16_t)(wheel_speed_held * INT32_C(21001))"),
    Mutant("trim corrected the wrong way", "state->trim - (int32_t)momentum_excess", "state->trim + (int32_t)momentum_excess"),
    Mutant("limit ten times too wide", "16), -INT32_C(512), INT32_C(512)", "16), -INT32_C(512), INT32_C(5120)"),
    Mutant("limit one too wide", "16), -INT32_C(512), INT32_C(512)", "16), -INT32_C(513), INT32_C(512)"),
    Mutant("limits swapped", "16), -INT32_C(512), INT32_C(512)", "16), INT32_C(512), -INT32_C(512)"),
    Mutant("lopsided clamp", "16), -INT32_C(512), INT32_C(512)", "16), -INT32_C(511), INT32_C(512)"),
    Mutant(
        "difference in the operands' own width",
        "(int32_t)accel_angle - (int32_t)tilt_last_short",
        "accel_angle - tilt_last_short",
        only_16_bit_int=True,
    ),
    Mutant(
        "product in the operands' own width",
        "(int32_t)inputs->gyro_rate * INT32_C(353)",
        "inputs->gyro_rate * 353",
        only_16_bit_int=True,
    ),
    Mutant(
        "cast after the product",
        "(int32_t)momentum_surplus * (-INT32_C(23859))",
        "(int32_t)(momentum_surplus * (-23859))",
        only_16_bit_int=True,
    ),
    Mutant("sum over the period narrowed", "const int32_t momentum_sum = clamp_32", "const int16_t momentum_sum = (int16_t)clamp_32"),
    Mutant(
        "shifted before it is multiplied",
        "round_shift_32((int32_t)momentum_surplus * (-INT32_C(23859)), 14)",
        "round_shift_32((int32_t)momentum_surplus, 7) * (-INT32_C(23859)) / 128",
    ),
    Mutant("product of full words", "(int32_t)innovation * INT32_C(2621)", "(int32_t)innovation * INT32_C(262144)"),
    Mutant("rounded twice", "round_shift_32(momentum_sum, 6)", "round_shift_32(round_shift_32(momentum_sum, 3), 3)"),
    Mutant("scales do not match", "inputs->accel_tangential * INT32_C(2),", "inputs->accel_tangential * INT32_C(1),"),
    Mutant("wrong scale on the first tick", "(int32_t)accel_angle * INT32_C(65536)", "(int32_t)accel_angle * INT32_C(32768)"),
    Mutant("slow section one tick late", "state->slow_count >= 39u", "state->slow_count > 39u"),
    Mutant("slow section one tick early", "state->slow_count >= 39u", "state->slow_count >= 38u"),
    Mutant("counter does not start anew", "state->slow_count = 0u;\n    } else", "state->slow_count = 1u;\n    } else"),
    Mutant("counter starts one too high", "state->slow_count = 0u;\n}", "state->slow_count = 1u;\n}"),
    Mutant(
        "limit of the integrator missing",
        "clamp_32(state->trim - (int32_t)momentum_excess * INT32_C(5502), -INT32_C(1497366528), INT32_C(1497366528))",
        "state->trim - (int32_t)momentum_excess * INT32_C(5502)",
    ),
    Mutant(
        "quotient towards zero",
        "return (x + (INT32_C(1) << (n - 1))) >> n;",
        "return (x + (INT32_C(1) << (n - 1))) / (INT32_C(1) << n);",
    ),
    Mutant(
        "memory written before it is read",
        "    /* rad, Q15, [-0.698, 0.698]: tilt_last in a shorter word */",
        "    state->tilt_last = 0;",
    ),
    Mutant("damping with the wrong sign", "+ (int32_t)inputs->gyro_rate * INT32_C(27424)", "- (int32_t)inputs->gyro_rate * INT32_C(27424)"),
    Mutant("left shift of a negative number", "(int32_t)accel_angle * INT32_C(65536)", "(int32_t)accel_angle << 16"),
    Mutant("<= for < in the clamp", "if (x < low) {", "if (x <= low) {", equivalent=True),
    Mutant("gain of another term", "(int32_t)trim_short_fast * INT32_C(7798)", "(int32_t)trim_short_fast * INT32_C(31192)"),
    Mutant("shift by the width", "round_shift_32(tilt, 16)", "round_shift_32(tilt, 33)"),
    Mutant("clamp ends at the wrong side", "return (x > high) ? high : x;", "return (x > high) ? low : x;"),
    Mutant("trip forgets its history", "trip || state->tripped_last", "trip"),
    Mutant("trip does not stop the drive", "may_balance && !tripped", "may_balance"),
    Mutant("threshold off by one", "inputs->accel_radial >= INT32_C(8192)", "inputs->accel_radial > INT32_C(8192)"),
    Mutant("threshold of the wrong sign", "tilt < -INT32_C(1124419808)", "tilt < INT32_C(1124419808)"),
    Mutant("and for or", "trip || state->tripped_last", "trip && state->tripped_last"),
    Mutant("stale flag inverted", "|| !inputs->sensor_fresh", "|| inputs->sensor_fresh"),
    Mutant("frozen reading seen one tick late", "(int32_t)gyro_frozen_count >= INT32_C(25)", "(int32_t)gyro_frozen_count > INT32_C(25)"),
    Mutant("start value missing", "    state->trim = 0;\n", ""),
    Mutant("start value wrong", "    state->started = false;", "    state->started = true;"),
    Mutant("output forgotten", "    outputs->tripped = tripped;\n", ""),
    Mutant("memory forgotten", "    state->tilt_last = tilt;\n", ""),
    Mutant("outputs mixed up", "outputs->armed = armed;", "outputs->armed = tripped;"),
    Mutant("unsigned in a comparison", "inputs->wheel_speed > INT32_C(599)", "inputs->wheel_speed > 599u", only_wide_int=True),
    Mutant("negative number cast to unsigned", "(int32_t)inputs->wheel_speed > INT32_C(599)", "(uint16_t)inputs->wheel_speed > 599u"),
    Mutant(
        "half as bitwise or",
        "return (x + (INT32_C(1) << (n - 1))) >> n;",
        "return (x | (INT32_C(1) << (n - 1))) >> n;",
    ),
    Mutant("sum not started anew", "        state->tilt_sum = 0;\n", ""),
    Mutant("mean of one sample", "INT32_C(892008)) + (int32_t)tilt_short", "INT32_C(892008)) * 0 + (int32_t)tilt_short"),
    Mutant("brackets moved, nothing changed", "state->armed_last && fault", "(state->armed_last) && (fault)", equivalent=True),
    Mutant("operands exchanged, nothing changed", "trip || state->tripped_last", "state->tripped_last || trip", equivalent=True),
)
