/* vent.c - PI control of a greenhouse vent (invented), written by hand.
 *
 * The integral keeps every bit of error times gain, so that nothing creeps.
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
    /* 0.003998 per second and count, kept in 1/65536 of a count */
    state->integral = held(held(state->integral, 0, 65536000) + error * 262, 0, 65536000);
    /* 0.80 per count */
    const int32_t aim = held((error * 52480 + state->integral + 32768) >> 16, 0, 1000);
    const int32_t last = held(state->last, 0, 1000);
    state->last = (int16_t)(last + held(aim - last, -20, 20));
    outputs->opening = state->last;
}
