/* Sensors that lag, saturate and round. After exchange.h. */
#ifndef SIMULATOR_SENSORS_H
#define SIMULATOR_SENSORS_H

#include <math.h>
#include <stdint.h>

static inline double limit(double x, double low, double high)
{
    return x < low ? low : (x > high ? high : x);
}

/* First-order low-pass of a signal that runs straight between its samples (exact for that signal, so its lag at low
 * frequency is its time constant whatever the sampling), then the range and rounding to the nearest count. */
typedef struct {
    double keep;
    double newest;
    double previous;
    double scale;
    double low;
    double high;
    double sigma;
} channel_constants;

typedef struct {
    double input;
    double output;
} channel_memory;

static channel_constants prepare_channel(const sensor_channel *c, double period)
{
    channel_constants k = {0.0, 1.0, 0.0, c->scale, -(double)c->counts_max - 1.0, (double)c->counts_max, c->sigma};
    if (c->low_pass_s > 0.0) {
        k.keep = exp(-period / c->low_pass_s);
        const double lag = (1.0 - k.keep) * c->low_pass_s / period;
        k.newest = 1.0 - lag;
        k.previous = lag - k.keep;
    }
    return k;
}

static inline int32_t read_channel(const channel_constants *k, channel_memory *m, double value)
{
    m->output = k->keep * m->output + k->newest * value + k->previous * m->input;
    m->input = value;
    const double counts = limit(m->output * k->scale, k->low, k->high);
    return (int32_t)(counts + (counts < 0.0 ? -0.5 : 0.5));
}

/* Angle zero lies in the middle of a count: on an edge, the very first motion would be a count. */
static inline int64_t encoder_count(double scale, double angle)
{
    const double exact = scale * angle + 0.5;
    const int64_t whole = (int64_t)exact;
    return whole - (exact < (double)whole);
}

#endif
