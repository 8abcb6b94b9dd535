/* mini.c - Miniature: a leaking average, an example of our own
 *
 * Fixed-point controller, tick period 1 ms, words for atmega328p; emitted by Loopwright 0.1.0.
 * A change by hand is welcome: `loopwright verify` says what it broke.
 * This file belongs to whoever emitted it; its generator claims no right in it.
 *
 * CAUTION: a spinning wheel, a motor and a battery can hurt.  Guard or cage the wheel, wear eye protection, limit the current,
 * keep the tilt cut-off in place, tether the first run, and disconnect the battery before touching the machine.  Local codes and
 * the practice of licensed people come before anything said here.  The controller starts disarmed.
 */
#include "mini.h"

/* Right shifts of negative numbers must round towards minus infinity; a compiler that does otherwise stops here. */
typedef char mini_needs_arithmetic_right_shift[((-1 >> 1) == -1) ? 1 : -1];

/* x / 2^n to nearest, halves towards plus infinity.  Precondition: 1 <= n <= 62 and x <= INT64_MAX - 2^(n-1). */
static inline int64_t round_shift_64(int64_t x, int n)
{
    return (x + (INT64_C(1) << (n - 1))) >> n;
}

/* x / 2^n to nearest, halves towards plus infinity; the result has 16 bits, and the upper half of the word is shifted on by itself.
 * Precondition: 17 <= n <= 30 and x <= INT32_MAX - 2^(n-1).
 */
static inline int16_t round_shift_upper_32(int32_t x, int n)
{
    const int16_t upper = (int16_t)((x + (INT32_C(1) << (n - 1))) >> 16);
    return (int16_t)(upper >> (n - 16));
}

/* x held inside [low, high].  Precondition: low <= high. */
static inline int16_t clamp_16(int16_t x, int16_t low, int16_t high)
{
    if (x < low) {
        return low;
    }
    return (x > high) ? high : x;
}

/* x held inside [low, high].  Precondition: low <= high. */
static inline int64_t clamp_64(int64_t x, int64_t low, int64_t high)
{
    if (x < low) {
        return low;
    }
    return (x > high) ? high : x;
}

void mini_init(mini_state *state)
{
    state->mean_last = 0;
}

void mini_step(mini_state *state, const mini_inputs *inputs, mini_outputs *outputs)
{
    /* --- estimate --- */
    /* V, lsb 3.8147e-08, [-60, 55], error <= 0.66 counts: leaking average, turned over */
    const int32_t mean =
        (int32_t)clamp_64(round_shift_64((int64_t)state->mean_last * INT64_C(6144) - (int64_t)inputs->level * INT64_C(493921239)
        + INT64_C(64424509440), 13), -INT64_C(1572864000), INT64_C(1441792000));
    /* V, lsb 0.02, [-60, 55], error <= 0.5 counts: mean in a shorter word */
    const int16_t mean_short = round_shift_upper_32(mean, 19);

    /* --- limits --- */
    /* V, lsb 0.02, [-60, 55], error <= 0.5 counts: average in output counts */
    const int16_t shown = mean_short;

    /* --- outputs and memory --- */
    outputs->average = clamp_16(shown, -3000, 2750);
    state->mean_last = mean;
}
