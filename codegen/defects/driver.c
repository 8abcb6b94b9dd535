/* Puts one compiled controller through one exercise and notes the first wrong value and the first value outside its limits.
 *
 * Many mutants of one controller share a library; each has its own four functions, collected in the table `subjects`.  All lanes
 * advance tick by tick together, so that memory which two controllers share shows.
 */
#include <stdint.h>
#include <stdlib.h>

typedef struct {
    int64_t size;
    void (*start)(void *state);
    void (*load)(void *state, const int64_t *memory, int64_t lanes, int64_t lane);
    void (*gain)(void *state, const int64_t *gains, int64_t lanes, int64_t lane);
    void (*tick)(void *state, const int64_t *inputs, int64_t lanes, int64_t lane, int64_t *values);
} subject;

extern const subject subjects[];
int64_t drive(int64_t which, const int64_t *shape, const int64_t *memory, const int64_t *inputs, const int64_t *gains,
    const int64_t *low, const int64_t *high, const int64_t *limits, int64_t *found);

/* shape: lanes, ticks, inputs, outputs, members.  limits: low and high per output.
 * found: wrong values, tick, value, lane, right, got; values outside limits, tick, output, lane, got, 0.
 */
int64_t drive(int64_t which, const int64_t *shape, const int64_t *memory, const int64_t *inputs, const int64_t *gains,
    const int64_t *low, const int64_t *high, const int64_t *limits, int64_t *found)
{
    const subject *one = &subjects[which];
    const int64_t lanes = shape[0], ticks = shape[1], read = shape[2], shown = shape[3], values = shape[3] + shape[4];
    int64_t *got = calloc((size_t)values + 1u, sizeof *got);
    unsigned char *states = calloc((size_t)lanes, (size_t)one->size);
    if (got == 0 || states == 0) {
        return -1;
    }
    for (int64_t lane = 0; lane < lanes; lane++) {
        one->start(states + lane * one->size);
    }
    for (int64_t lane = 0; lane < lanes; lane++) {
        if (memory != 0) {
            one->load(states + lane * one->size, memory, lanes, lane);
        }
        if (gains != 0) {
            one->gain(states + lane * one->size, gains, lanes, lane);
        }
    }
    for (int64_t tick = 0; tick < ticks; tick++) {
        const int64_t *least = low + tick * values * lanes, *most = high + tick * values * lanes;
        for (int64_t lane = 0; lane < lanes; lane++) {
            one->tick(states + lane * one->size, inputs + tick * read * lanes, lanes, lane, got);
            for (int64_t i = 0; i < values; i++) {
                if (got[i] < least[i * lanes + lane] || got[i] > most[i * lanes + lane]) {
                    if (found[0]++ == 0) {
                        found[1] = tick, found[2] = i, found[3] = lane, found[4] = least[i * lanes + lane], found[5] = got[i];
                    }
                }
                if (i < shown && (got[i] < limits[2 * i] || got[i] > limits[2 * i + 1])) {
                    if (found[6]++ == 0) {
                        found[7] = tick, found[8] = i, found[9] = lane, found[10] = got[i];
                    }
                }
            }
        }
    }
    free(states);
    free(got);
    return 0;
}
