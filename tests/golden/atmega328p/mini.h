/* mini.h - Miniature: a leaking average, an example of our own
 *
 * Fixed-point controller, tick period 1 ms, words for atmega328p; emitted by Loopwright 0.1.0.
 * A change by hand is welcome: `loopwright verify` says what it broke.
 * This file belongs to whoever emitted it; its generator claims no right in it.
 *
 * CAUTION: a spinning wheel, a motor and a battery can hurt.  Guard or cage the wheel, wear eye protection, limit the current,
 * keep the tilt cut-off in place, tether the first run, and disconnect the battery before touching the machine.  Local codes and
 * the practice of licensed people come before anything said here.  The controller starts disarmed.
 */
#ifndef MINI_H
#define MINI_H

#include <stdbool.h>
#include <stdint.h>

#define MINI_TICK_PERIOD_US 1000 /* call mini_step once per period */

/* Readings of one tick, raw counts. */
typedef struct {
    /* raw level; 0.01 V per count, any value allowed */
    int16_t level;
} mini_inputs;

/* What the controller says in one tick. */
typedef struct {
    /* average in output counts; 0.02 V per count, always in [-3000, 2750] */
    int16_t average;
} mini_outputs;

/* All memory of one controller; there is no other, so any number of controllers can run. */
typedef struct {
    /* average a tick ago; V, lsb 3.8147e-08, [-60, 55] */
    int32_t mean_last;
} mini_state;

/* Put a controller into its start state.  Call before the first step and whenever it shall start anew. */
void mini_init(mini_state *state);

/* Advance by one tick: read inputs, update state, write outputs.  The three must not overlap. */
void mini_step(mini_state *state, const mini_inputs *inputs, mini_outputs *outputs);

#endif /* MINI_H */
