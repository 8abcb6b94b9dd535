/* Simulator of a reaction-wheel balancer with drive, friction and sampled, noisy, quantised sensors.
 *
 * Model:  I th'' = G sin th - tau - B th' - C sgn(th') + d,   J (th'' + w') = tau,
 *         tau = K i - friction(w) + A sin(N phi),             phi' = w (wheel relative to the body).
 * The current follows its target as a first-order lag; the target is the command within the drive's current limit and
 * within what the supply can still push against the back voltage.
 *
 * Method: every tick is cut where the new command takes effect, and each piece is one step of the midpoint rule. Within
 * a piece the current and the cogging torque enter by their exact means (the current with a fixed target, the cogging
 * at a fixed wheel speed), so neither a current lag shorter than the tick nor fast cogging needs smaller steps.
 */
#include <math.h>
#include <stddef.h>
#include <stdint.h>

#include "simulator.h"

/* Speed below which Coulomb friction fades, rad/s: true stiction would need event detection. */
#define FRICTION_ROUNDING 0.3
#define TWO_PI 6.283185307179586

enum { DELAY_MEMORY = 256, WINDOW_MEMORY = 4096, NORMAL_LAYERS = 128 };

/// Random numbers ///

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

/// Small numeric pieces ///

static inline double limit(double x, double low, double high)
{
    return x < low ? low : (x > high ? high : x);
}

/* Sine within 1e-15 up to 1e8 rad: reduction by half turns in three parts, the first two of 27 bits so that their
 * products are exact, then the Taylor polynomial. Written out because a call would take half of the run time. */
static inline double sine(double x)
{
    const double half_turns = x * (2.0 / TWO_PI);
    const int64_t n = (int64_t)(half_turns + (half_turns < 0.0 ? -0.5 : 0.5));
    const double turns = (double)n;
    const double y =
        ((x - turns * 0x1.921fb54000000p+1) - turns * 0x1.10b4610000000p-29) - turns * 1.1442377452219664e-17;
    const double s = y * y;
    const double s2 = s * s;
    const double s4 = s2 * s2;
    const double low = (1.0 - s * (1.0 / 6.0)) + s2 * (1.0 / 120.0 - s * (1.0 / 5040.0));
    const double middle =
        (1.0 / 362880.0 - s * (1.0 / 39916800.0)) + s2 * (1.0 / 6227020800.0 - s * (1.0 / 1307674368000.0));
    const double high = 1.0 / 355687428096000.0 - s * (1.0 / 121645100408832000.0);
    const double value = y * (low + s4 * (middle + s4 * high));
    return (n & 1) ? -value : value;
}

/* sin(x)/x for small sizes of x; beyond a quarter turn the general form. */
static inline double sine_ratio(double x)
{
    return fabs(x) < 1e-4 ? 1.0 - x * x * (1.0 / 6.0) : sine(x) / x;
}

static inline double soft_sign(double x)
{
    return x / sqrt(x * x + FRICTION_ROUNDING * FRICTION_ROUNDING);
}

/// Sensors ///

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

/// Mechanics and drive ///

typedef struct {
    double tilt;
    double rate;
    double wheel;    /* rate relative to the body */
    double angle;    /* of the wheel relative to the body, not wrapped */
    double current;
} motion;

typedef struct {
    double duration;
    double mean_half;   /* mean over the first half of what is left of a current step */
    double mean_full;
    double left;        /* what is left at the end */
} piece_constants;

typedef struct {
    double supply;
    double torque;      /* from outside, on the body */
    int held;
} surroundings;

static piece_constants prepare_piece(double duration, double lag)
{
    piece_constants p = {duration, 0.0, 0.0, 0.0};
    if (lag > 0.0 && duration > 0.0) {
        p.mean_half = -expm1(-0.5 * duration / lag) * lag / (0.5 * duration);
        p.mean_full = -expm1(-duration / lag) * lag / duration;
        p.left = exp(-duration / lag);
    }
    return p;
}

static inline double current_target(const simulated_machine *m, double supply, double command, double wheel)
{
    const double back = m->torque_constant * wheel;
    if (m->voltage_drive) {
        return limit((limit(command, -supply, supply) - back) / m->resistance, -m->current_limit, m->current_limit);
    }
    return limit(limit(command, -m->current_limit, m->current_limit), (-supply - back) / m->resistance,
                 (supply - back) / m->resistance);
}

/* Hess and Soom's form of the Stribeck curve (J. Tribology 112, 1990). */
static inline double wheel_friction(const simulated_machine *m, double wheel)
{
    const double x = wheel / m->stribeck_speed;
    const double dry = m->wheel_coulomb + (m->wheel_stiction - m->wheel_coulomb) / (1.0 + x * x);
    return dry * soft_sign(wheel) + m->wheel_viscous * wheel;
}

/* Mean cogging torque while the wheel passes `angle` at the piece's middle and turns by `turn` in the whole piece. */
static inline double mean_cogging(const simulated_machine *m, double angle, double turn)
{
    return m->cogging * sine(m->cogging_per_rev * angle) * sine_ratio(0.5 * m->cogging_per_rev * turn);
}

static inline double body_acceleration(const simulated_machine *m, const surroundings *around, double tilt, double rate,
                                       double torque)
{
    if (around->held) {
        return 0.0;
    }
    const double friction = m->pivot_damping * rate + m->pivot_coulomb * soft_sign(rate);
    return (m->gravity_torque * sine(tilt) - torque - friction + around->torque) / m->body_inertia;
}

static inline void advance(const simulated_machine *m, const surroundings *around, const piece_constants *p,
                           double command, motion *x)
{
    const double h = p->duration;
    double target = current_target(m, around->supply, command, x->wheel);
    double torque = m->torque_constant * (target + (x->current - target) * p->mean_half) - wheel_friction(m, x->wheel)
                    + mean_cogging(m, x->angle + 0.25 * h * x->wheel, 0.5 * h * x->wheel);
    double acceleration = body_acceleration(m, around, x->tilt, x->rate, torque);

    const double rate = x->rate + 0.5 * h * acceleration;
    const double wheel = x->wheel + 0.5 * h * (torque / m->wheel_inertia - acceleration);
    const double tilt = x->tilt + 0.25 * h * (x->rate + rate);
    const double angle = x->angle + 0.25 * h * (x->wheel + wheel);

    target = current_target(m, around->supply, command, wheel);
    torque = m->torque_constant * (target + (x->current - target) * p->mean_full) - wheel_friction(m, wheel)
             + mean_cogging(m, angle, h * wheel);
    acceleration = body_acceleration(m, around, tilt, rate, torque);

    x->tilt += h * rate;
    x->rate += h * acceleration;
    x->angle += h * wheel;
    x->wheel += h * (torque / m->wheel_inertia - acceleration);
    x->current = target + (x->current - target) * p->left;
}

/// The run ///

int simulate(const simulated_machine *machine, const simulated_run *run, controller_step step, void *context,
             simulated_result *result)
{
    const simulated_machine m = *machine;
    if (m.sensor_delay < 0 || m.sensor_delay >= DELAY_MEMORY || m.wheel_window < 1 || m.wheel_window > WINDOW_MEMORY) {
        return 1;
    }
    random_source noise;
    seed_random(&noise, run->seed);
    const channel_constants gyro = prepare_channel(&m.gyro, m.period_s);
    const channel_constants accelerometer = prepare_channel(&m.accelerometer, m.period_s);
    const piece_constants before = prepare_piece(m.compute_delay_s, m.current_lag_s);
    const piece_constants after = prepare_piece(m.period_s - m.compute_delay_s, m.current_lag_s);
    const double offset_sine = sin(m.balance_offset);
    const double offset_cosine = cos(m.balance_offset);

    motion x = {run->tilt, run->rate, run->wheel, 0.0, 0.0};
    surroundings around = {m.supply_v, 0.0, 0};
    int faults = 0;
    double command = 0.0;
    channel_memory gyro_memory = {0.0, 0.0};
    channel_memory tangential_memory = {0.0, 0.0};
    channel_memory radial_memory = {0.0, 0.0};
    int32_t late[DELAY_MEMORY][3];
    int64_t encoder[WINDOW_MEMORY];
    int32_t late_index = 0;
    int32_t window_index = 0;
    int32_t inputs[6] = {0, 0, 0, 0, 0, 1};
    int32_t outputs[3] = {0, 0, 0};
    /* Before the start the wheel is taken to have turned at its first speed. */
    for (int32_t i = 0; i < m.wheel_window; i++) {
        encoder[i] = encoder_count(m.encoder_scale, (double)(i - m.wheel_window) * m.period_s * x.wheel);
    }

    double tilt_sum = 0.0;
    double tilt_squares = 0.0;
    double tilt_max = 0.0;
    double wheel_sum = 0.0;       /* of the distance from wheel_first, so that the variance keeps its digits */
    double wheel_squares = 0.0;
    double wheel_max = 0.0;
    double wheel_first = 0.0;
    double torque_squares = 0.0;
    int64_t samples = 0;
    int64_t rows = 0;
    int64_t event = 0;
    int64_t tick = 0;
    int fell = 0;

    for (;;) {
        while (event < run->event_count && run->events[event].tick <= tick) {
            const double value = run->events[event].value;
            switch (run->events[event].kind) {
            case EVENT_POKE:
                /* The wheel's absolute speed does not change at the blow, so its speed against the body does. */
                if (!around.held) {
                    x.rate += value / m.body_inertia;
                    x.wheel -= value / m.body_inertia;
                }
                break;
            case EVENT_TORQUE:
                around.torque = value;
                break;
            case EVENT_SUPPLY:
                around.supply = value;
                break;
            case EVENT_FAULTS:
                faults = (int)value;
                break;
            case EVENT_HELD:
                around.held = value != 0.0;
                if (around.held) {
                    x.rate = 0.0;
                }
                break;
            default:
                inputs[4] = value != 0.0;
                break;
            }
            event++;
        }
        if (fabs(x.tilt) > run->fall_tilt) {
            fell = 1;
            break;
        }
        if (tick == run->ticks) {
            break;
        }

        /* What the sensors see at the tick. */
        const double shaft_torque = m.torque_constant * x.current - wheel_friction(&m, x.wheel)
                                    + m.cogging * sine(m.cogging_per_rev * x.angle);
        const double acceleration = body_acceleration(&m, &around, x.tilt, x.rate, shaft_torque);
        const double tangential = m.gravity_m_s2 * sine(x.tilt) - m.accelerometer_height * acceleration;
        const double radial = m.gravity_m_s2 * sine(x.tilt + 0.25 * TWO_PI) - m.accelerometer_height * x.rate * x.rate;
        const double seen_rate = x.rate + m.gyro_bias;
        const double seen_tangential = tangential * offset_cosine + radial * offset_sine + m.accelerometer_bias;
        const double seen_radial = radial * offset_cosine - tangential * offset_sine;
        if (tick == 0) {
            /* The filters have been running on the first values before the run begins. */
            gyro_memory = (channel_memory){seen_rate, seen_rate};
            tangential_memory = (channel_memory){seen_tangential, seen_tangential};
            radial_memory = (channel_memory){seen_radial, seen_radial};
        }
        const int32_t gyro_counts = read_channel(&gyro, &gyro_memory, seen_rate + gyro.sigma * random_normal(&noise));
        const int32_t tangential_counts = read_channel(&accelerometer, &tangential_memory,
                                                       seen_tangential + accelerometer.sigma * random_normal(&noise));
        const int32_t radial_counts =
            read_channel(&accelerometer, &radial_memory, seen_radial + accelerometer.sigma * random_normal(&noise));
        if (tick == 0) {
            for (int32_t i = 0; i <= m.sensor_delay; i++) {
                late[i][0] = gyro_counts;
                late[i][1] = tangential_counts;
                late[i][2] = radial_counts;
            }
        }
        late[late_index][0] = gyro_counts;
        late[late_index][1] = tangential_counts;
        late[late_index][2] = radial_counts;
        late_index = late_index == m.sensor_delay ? 0 : late_index + 1;   /* now the oldest */
        const int64_t encoder_now = encoder_count(m.encoder_scale, x.angle);
        const double window_counts = (double)(encoder_now - encoder[window_index]);
        encoder[window_index] = encoder_now;
        window_index = window_index + 1 == m.wheel_window ? 0 : window_index + 1;

        if (!(faults & (FAULT_STALE | FAULT_FROZEN_GYRO))) {
            inputs[0] = late[late_index][0];
        }
        if (!(faults & (FAULT_STALE | FAULT_FROZEN_ACCELEROMETER))) {
            inputs[1] = late[late_index][1];
            inputs[2] = late[late_index][2];
        }
        if (!(faults & FAULT_STALE)) {
            inputs[3] = (int32_t)limit(window_counts, -(double)m.wheel_counts_max - 1.0, (double)m.wheel_counts_max);
        }
        inputs[5] = !(faults & FAULT_STALE);

        step(context, inputs, outputs);

        const double motor_torque = m.torque_constant * x.current;
        if (tick >= run->statistics_from) {
            if (samples == 0) {
                wheel_first = x.wheel;
            }
            const double wheel_distance = x.wheel - wheel_first;
            tilt_sum += x.tilt;
            tilt_squares += x.tilt * x.tilt;
            tilt_max = fabs(x.tilt) > tilt_max ? fabs(x.tilt) : tilt_max;
            wheel_sum += wheel_distance;
            wheel_squares += wheel_distance * wheel_distance;
            wheel_max = fabs(x.wheel) > wheel_max ? fabs(x.wheel) : wheel_max;
            torque_squares += motor_torque * motor_torque;
            samples++;
        }
        if (run->counts != NULL) {
            int32_t *row = run->counts + 9 * tick;
            for (int i = 0; i < 6; i++) {
                row[i] = inputs[i];
            }
            for (int i = 0; i < 3; i++) {
                row[6 + i] = outputs[i];
            }
        }
        if (run->record_every > 0 && tick % run->record_every == 0) {
            double *row = run->rows + 6 * rows;
            row[0] = (double)tick * m.period_s;
            row[1] = x.tilt;
            row[2] = x.rate;
            row[3] = x.wheel;
            row[4] = motor_torque;
            row[5] = (double)outputs[0];
            rows++;
        }

        if (before.duration > 0.0) {
            advance(&m, &around, &before, command, &x);
        }
        command = m.command_scale * limit((double)outputs[0], -(double)m.command_counts, (double)m.command_counts);
        advance(&m, &around, &after, command, &x);
        tick++;
    }

    const double count = samples > 0 ? (double)samples : 1.0;
    const double wheel_distance = wheel_sum / count;
    result->ticks = tick;
    result->fell = fell;
    result->row_count = rows;
    result->sample_count = samples;
    result->tilt_mean = tilt_sum / count;
    result->tilt_square_mean = tilt_squares / count;
    result->tilt_max = tilt_max;
    result->wheel_mean = wheel_first + wheel_distance;
    result->wheel_variance = limit(wheel_squares / count - wheel_distance * wheel_distance, 0.0, INFINITY);
    result->wheel_max = wheel_max;
    result->torque_square_mean = torque_squares / count;
    result->tilt = x.tilt;
    result->rate = x.rate;
    result->wheel = x.wheel;
    result->armed = outputs[1] != 0;
    result->tripped = outputs[2] != 0;
    return 0;
}
