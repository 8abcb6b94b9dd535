/* vent.h - the roof vent of an invented greenhouse, written by hand: opens as far as it is too warm, gently. */
#ifndef VENT_H
#define VENT_H

#include <stdint.h>

typedef struct {
    int16_t air;    /* air under the roof, 0.01 degC per count */
    int16_t wanted; /* what the plants like, 0.01 degC per count */
} vent_inputs;

typedef struct {
    int16_t opening; /* share of fully open, 0.001 per count, 0 to 1000 */
} vent_outputs;

typedef struct {
    int32_t integral; /* integral part of the opening */
    int16_t last;     /* opening a second ago */
} vent_state;

void vent_init(vent_state *state);

/* Call once a second. */
void vent_step(vent_state *state, const vent_inputs *inputs, vent_outputs *outputs);

#endif
