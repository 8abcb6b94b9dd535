/* Runtime of emitted controllers: ordinary C99, unit-tested by itself.  Each helper stands between its two marker lines; the emitter
 * copies those that a controller uses into its source and leaves the markers out.
 */
#include <stdbool.h>
#include <stdint.h>

/*< round_shift_32 */
/* x / 2^n to nearest, halves towards plus infinity: error in [-1/2 + 2^-n, 1/2] of a count.
 * Precondition: 1 <= n <= 30 and x <= INT32_MAX - 2^(n-1).
 */
static inline int32_t round_shift_32(int32_t x, int n)
{
    return (x + (INT32_C(1) << (n - 1))) >> n;
}
/*> */

/*< round_shift_64 */
/* x / 2^n to nearest, halves towards plus infinity.  Precondition: 1 <= n <= 62 and x <= INT64_MAX - 2^(n-1). */
static inline int64_t round_shift_64(int64_t x, int n)
{
    return (x + (INT64_C(1) << (n - 1))) >> n;
}
/*> */

/*< round_shift_upper_32 */
/* x / 2^n to nearest, halves towards plus infinity; the result has 16 bits, and the upper half of the word is shifted on by itself.
 * Precondition: 17 <= n <= 30 and x <= INT32_MAX - 2^(n-1).
 */
static inline int16_t round_shift_upper_32(int32_t x, int n)
{
    const int16_t upper = (int16_t)((x + (INT32_C(1) << (n - 1))) >> 16);
    return (int16_t)(upper >> (n - 16));
}
/*> */

/*< clamp_8 */
/* x held inside [low, high].  Precondition: low <= high. */
static inline int8_t clamp_8(int8_t x, int8_t low, int8_t high)
{
    if (x < low) {
        return low;
    }
    return (x > high) ? high : x;
}
/*> */

/*< clamp_16 */
/* x held inside [low, high].  Precondition: low <= high. */
static inline int16_t clamp_16(int16_t x, int16_t low, int16_t high)
{
    if (x < low) {
        return low;
    }
    return (x > high) ? high : x;
}
/*> */

/*< clamp_32 */
/* x held inside [low, high].  Precondition: low <= high. */
static inline int32_t clamp_32(int32_t x, int32_t low, int32_t high)
{
    if (x < low) {
        return low;
    }
    return (x > high) ? high : x;
}
/*> */

/*< clamp_64 */
/* x held inside [low, high].  Precondition: low <= high. */
static inline int64_t clamp_64(int64_t x, int64_t low, int64_t high)
{
    if (x < low) {
        return low;
    }
    return (x > high) ? high : x;
}
/*> */

/*< saturate_32 */
/* x held inside a signed word of n bits: [-2^(n-1), 2^(n-1) - 1].  Precondition: n is a constant, 2 <= n <= 31.
 * One instruction where the compiler says that the core has it, else the same in plain C.
 */
#ifdef __ARM_FEATURE_SAT
#define saturate_32(x, n) ((int32_t)__builtin_arm_ssat((x), (n)))
#else
static inline int32_t saturate_32(int32_t x, int n)
{
    const int32_t high = (INT32_C(1) << (n - 1)) - 1;
    if (x < -high - 1) {
        return -high - 1;
    }
    return (x > high) ? high : x;
}
#endif
/*> */

/*< wrapped_difference_32 */
/* a - b of a counter that wraps at 2^n counts, as the representative in [-2^(n-1), 2^(n-1)).  Precondition: 2 <= n <= 32.
 * Unsigned subtraction wraps by definition; flipping the top bit turns the residue into an offset number.
 */
static inline int32_t wrapped_difference_32(uint32_t a, uint32_t b, int n)
{
    const uint32_t half = UINT32_C(1) << (n - 1);
    const uint32_t residue = (a - b) & (half | (half - 1u));
    return (int32_t)((int64_t)(residue ^ half) - (int64_t)half);
}
/*> */

/*< interpolate_32 */
/* Piecewise linear through knots[0 .. count - 1] at position / 2^n, rounded half up.
 * Precondition: 2 <= count, 0 <= position <= (count - 1) * 2^n, 1 <= n <= 16, (largest rise + 1) * 2^n <= INT32_MAX.
 */
static inline int32_t interpolate_32(const int32_t *knots, int32_t count, int32_t position, int n)
{
    const int32_t index = ((position >> n) < count - 2) ? (position >> n) : count - 2;
    const int32_t fraction = position - index * (INT32_C(1) << n);
    const int32_t rise = (knots[index + 1] - knots[index]) * fraction;
    return knots[index] + ((rise + (INT32_C(1) << (n - 1))) >> n);
}
/*> */

/*< interpolate_64 */
/* As interpolate_32 for rises of up to 32 bits.  Precondition: 2 <= count, 0 <= position <= (count - 1) * 2^n, 1 <= n <= 16. */
static inline int64_t interpolate_64(const int32_t *knots, int32_t count, int32_t position, int n)
{
    const int32_t index = ((position >> n) < count - 2) ? (position >> n) : count - 2;
    const int32_t fraction = position - index * (INT32_C(1) << n);
    const int64_t rise = ((int64_t)knots[index + 1] - (int64_t)knots[index]) * (int64_t)fraction;
    return (int64_t)knots[index] + ((rise + (INT64_C(1) << (n - 1))) >> n);
}
/*> */
