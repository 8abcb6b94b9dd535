/* Sensor noise: a seeded source of normal random numbers, the same on every machine for the same seed. */
#ifndef SIMULATOR_NOISE_H
#define SIMULATOR_NOISE_H

#include <math.h>
#include <stdint.h>

enum { NORMAL_LAYERS = 128 };

/* xoshiro256++ (Blackman and Vigna, "Scrambled linear pseudorandom number generators", ACM Trans. Math. Software 47(4),
 * 2021), seeded by splitmix64 as its authors advise; normal numbers by the ziggurat (Marsaglia and Tsang, "The ziggurat
 * method for generating random variables", J. Stat. Software 5(8), 2000) with one draw per layer and number (Doornik,
 * "An improved ziggurat method to generate normal random samples", 2005). */
typedef struct {
    uint64_t s[4];
    double edge[NORMAL_LAYERS + 1];
    double ratio[NORMAL_LAYERS];
} random_source;

static inline uint64_t rotate_left(uint64_t x, int n)
{
    return (x << n) | (x >> (64 - n));
}

static inline uint64_t random_bits(random_source *r)
{
    const uint64_t result = rotate_left(r->s[0] + r->s[3], 23) + r->s[0];
    const uint64_t t = r->s[1] << 17;
    r->s[2] ^= r->s[0];
    r->s[3] ^= r->s[1];
    r->s[1] ^= r->s[2];
    r->s[0] ^= r->s[3];
    r->s[2] ^= t;
    r->s[3] = rotate_left(r->s[3], 45);
    return result;
}

/* In (0, 1): never 0, so that its logarithm is finite. */
static inline double random_uniform(random_source *r)
{
    return ((double)(random_bits(r) >> 12) + 0.5) * 0x1p-52;
}

static const double TAIL_START = 3.442619855899;      /* where the lowest of 128 layers turns into the tail */
static const double LAYER_AREA = 9.91256303526217e-3;

static void seed_random(random_source *r, uint64_t seed)
{
    for (int i = 0; i < 4; i++) {
        seed += UINT64_C(0x9E3779B97F4A7C15);
        uint64_t z = seed;
        z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
        z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
        r->s[i] = z ^ (z >> 31);
    }
    double density = exp(-0.5 * TAIL_START * TAIL_START);
    r->edge[0] = LAYER_AREA / density;
    r->edge[1] = TAIL_START;
    for (int i = 2; i < NORMAL_LAYERS; i++) {
        r->edge[i] = sqrt(-2.0 * log(LAYER_AREA / r->edge[i - 1] + density));
        density = exp(-0.5 * r->edge[i] * r->edge[i]);
    }
    r->edge[NORMAL_LAYERS] = 0.0;
    for (int i = 0; i < NORMAL_LAYERS; i++) {
        r->ratio[i] = r->edge[i + 1] / r->edge[i];
    }
}

/* The one case in some eighty in which the first draw does not decide. */
static double random_normal_rare(random_source *r, int layer, double u)
{
    for (;;) {
        if (layer == 0) {
            double x;
            double y;
            do {
                x = log(random_uniform(r)) / TAIL_START;
                y = log(random_uniform(r));
            } while (-2.0 * y < x * x);
            return u < 0.0 ? x - TAIL_START : TAIL_START - x;
        }
        const double x = u * r->edge[layer];
        const double low = exp(-0.5 * (r->edge[layer] * r->edge[layer] - x * x));
        const double high = exp(-0.5 * (r->edge[layer + 1] * r->edge[layer + 1] - x * x));
        if (high + random_uniform(r) * (low - high) < 1.0) {
            return x;
        }
        const uint64_t bits = random_bits(r);
        layer = (int)(bits & (NORMAL_LAYERS - 1));
        u = (double)(int64_t)bits * 0x1p-63;
        if (fabs(u) < r->ratio[layer]) {
            return u * r->edge[layer];
        }
    }
}

static inline double random_normal(random_source *r)
{
    const uint64_t bits = random_bits(r);
    const int layer = (int)(bits & (NORMAL_LAYERS - 1));
    const double u = (double)(int64_t)bits * 0x1p-63;
    if (fabs(u) < r->ratio[layer]) {
        return u * r->edge[layer];
    }
    return random_normal_rare(r, layer, u);
}

#endif
