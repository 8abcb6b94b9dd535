/* Simulator of a reaction-wheel balancer with drive, friction and sampled, noisy, quantised sensors.
 *
 * Model:  I th'' = G sin th - tau - B th' - C sgn(th') + d,   J (th'' + w') = tau,
 *         tau = K i - friction(w) + A sin(N phi),             phi' = w (wheel relative to the body).
 * An unbalanced wheel (eccentric mass times its distance from the axle U, axle at height h, psi = th + phi) adds
 * U h (psi'^2 sin phi - psi'' cos phi) to the first equation's right side and U (g sin psi - h (th'^2 sin phi + th'' cos phi))
 * to the second's: Lagrange's equations of a pendulum with an eccentric wheel, derived here.
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

#include "exchange.h"
#include "noise.h"
#include "sensors.h"
#include "simulator.h"

/* Speed below which Coulomb friction fades, rad/s: true stiction would need event detection. */
#define FRICTION_ROUNDING 0.3
#define TWO_PI 6.283185307179586

enum { DELAY_MEMORY = 256, WINDOW_MEMORY = 4096 };

/// Small numeric pieces ///

/* Taylor polynomial of the sine, within 1e-15 up to a quarter turn. */
static inline double sine_series(double y)
{
    const double s = y * y;
    const double s2 = s * s;
    const double s4 = s2 * s2;
    const double low = (1.0 - s * (1.0 / 6.0)) + s2 * (1.0 / 120.0 - s * (1.0 / 5040.0));
    const double middle =
        (1.0 / 362880.0 - s * (1.0 / 39916800.0)) + s2 * (1.0 / 6227020800.0 - s * (1.0 / 1307674368000.0));
    const double high = 1.0 / 355687428096000.0 - s * (1.0 / 121645100408832000.0);
    return y * (low + s4 * (middle + s4 * high));
}

/* Sine within 1e-15 up to 1e8 rad: reduction by half turns in three parts, the first two of 27 bits so that their
 * products are exact, then the polynomial. Written out because a call would take half of the run time. */
static inline double sine(double x)
{
    const double half_turns = x * (2.0 / TWO_PI);
    const int64_t n = (int64_t)(half_turns + (half_turns < 0.0 ? -0.5 : 0.5));
    const double turns = (double)n;
    const double value = sine_series(
        ((x - turns * 0x1.921fb54000000p+1) - turns * 0x1.10b4610000000p-29) - turns * 1.1442377452219664e-17);
    return (n & 1) ? -value : value;
}

/* sin(x)/x: by its series below one half, where five terms reach 1e-11 of it; beyond by the general form. */
static inline double sine_ratio(double x)
{
    if (fabs(x) < 0.5) {
        const double s = x * x;
        return 1.0 - s * (1.0 / 6.0 - s * (1.0 / 120.0 - s * (1.0 / 5040.0 - s * (1.0 / 362880.0))));
    }
    return sine(x) / x;
}

/* The same within a quarter turn, where no reduction is needed; a body that still stands is always there. */
static inline double sine_of_tilt(double x)
{
    return fabs(x) > 0.25 * TWO_PI ? sine(x) : sine_series(x);
}

/* 1 / size of x, rounded off below FRICTION_ROUNDING: x times this is the smooth sign of x. */
static inline double softened_inverse(double x)
{
    return 1.0 / sqrt(x * x + FRICTION_ROUNDING * FRICTION_ROUNDING);
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

/* A machine with what its numbers are divided by worked out once. */
typedef struct {
    simulated_machine is;
    double per_body_inertia;
    double per_wheel_inertia;
    double per_ohm;
    double per_stribeck_speed;
    double unbalance_at_axle;   /* U h */
} machine_constants;

static machine_constants prepare_machine(const simulated_machine *m)
{
    machine_constants k = {*m, 1.0 / m->body_inertia, 1.0 / m->wheel_inertia, 1.0 / m->resistance, 1.0 / m->stribeck_speed,
                           m->unbalance * m->axle_height};
    return k;
}

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

static inline double current_target(const machine_constants *m, double supply, double command, double wheel)
{
    const double back = m->is.torque_constant * wheel;
    const double most = m->is.current_limit;
    if (m->is.voltage_drive) {
        return limit((limit(command, -supply, supply) - back) * m->per_ohm, -most, most);
    }
    return limit(limit(command, -most, most), (-supply - back) * m->per_ohm, (supply - back) * m->per_ohm);
}

/* Hess and Soom's form of the Stribeck curve (J. Tribology 112, 1990): C + (S - C)/(1 + x^2), times the sign of the speed,
 * over one denominator. */
static inline double wheel_friction(const machine_constants *m, double wheel)
{
    const double x = wheel * m->per_stribeck_speed;
    const double s = 1.0 + x * x;
    const double dry = m->is.wheel_coulomb * s + (m->is.wheel_stiction - m->is.wheel_coulomb);
    return dry * wheel / (s * sqrt(wheel * wheel + FRICTION_ROUNDING * FRICTION_ROUNDING)) + m->is.wheel_viscous * wheel;
}

/* Mean cogging torque while the wheel passes `angle` at the piece's middle and turns by `turn` in the whole piece. */
static inline double mean_cogging(const machine_constants *m, double angle, double turn)
{
    return m->is.cogging * sine(m->is.cogging_per_rev * angle) * sine_ratio(0.5 * m->is.cogging_per_rev * turn);
}

typedef struct {
    double body;
    double wheel;    /* absolute */
} accelerations;

/* Both accelerations when the wheel is out of balance: the two equations are then coupled. */
static accelerations accelerate_unbalanced(const machine_constants *m, const surroundings *around, const motion *x,
                                           double torque, double on_body)
{
    const double absolute = x->rate + x->wheel;
    const double sine_angle = sine(x->angle);
    const double coupling = m->unbalance_at_axle * sine(x->angle + 0.25 * TWO_PI);
    const double body = on_body + m->unbalance_at_axle * absolute * absolute * sine_angle;
    const double wheel = torque + m->is.unbalance * m->is.gravity_m_s2 * sine(x->tilt + x->angle)
                         - m->unbalance_at_axle * x->rate * x->rate * sine_angle;
    if (around->held) {
        return (accelerations){0.0, wheel * m->per_wheel_inertia};
    }
    const double inertia = m->is.body_inertia;
    const double spin = m->is.wheel_inertia;
    const double per_both = 1.0 / (inertia * spin - coupling * coupling);
    return (accelerations){(spin * body - coupling * wheel) * per_both, (inertia * wheel - coupling * body) * per_both};
}

static inline accelerations accelerate(const machine_constants *m, const surroundings *around, const motion *x, double torque)
{
    const double friction = x->rate * (m->is.pivot_damping + m->is.pivot_coulomb * softened_inverse(x->rate));
    const double on_body = m->is.gravity_torque * sine_of_tilt(x->tilt) - torque - friction + around->torque;
    if (m->is.unbalance != 0.0) {
        return accelerate_unbalanced(m, around, x, torque, on_body);
    }
    return (accelerations){around->held ? 0.0 : on_body * m->per_body_inertia, torque * m->per_wheel_inertia};
}

static inline void advance(const machine_constants *m, const surroundings *around, const piece_constants *p, double command,
                           motion *x)
{
    const double h = p->duration;
    double target = current_target(m, around->supply, command, x->wheel);
    double torque = m->is.torque_constant * (target + (x->current - target) * p->mean_half) - wheel_friction(m, x->wheel)
                    + mean_cogging(m, x->angle + 0.25 * h * x->wheel, 0.5 * h * x->wheel);
    accelerations a = accelerate(m, around, x, torque);

    motion middle;
    middle.rate = x->rate + 0.5 * h * a.body;
    middle.wheel = x->wheel + 0.5 * h * (a.wheel - a.body);
    middle.tilt = x->tilt + 0.25 * h * (x->rate + middle.rate);
    middle.angle = x->angle + 0.25 * h * (x->wheel + middle.wheel);
    middle.current = x->current;

    target = current_target(m, around->supply, command, middle.wheel);
    torque = m->is.torque_constant * (target + (x->current - target) * p->mean_full) - wheel_friction(m, middle.wheel)
             + mean_cogging(m, middle.angle, h * middle.wheel);
    a = accelerate(m, around, &middle, torque);

    x->tilt += h * middle.rate;
    x->rate += h * a.body;
    x->angle += h * middle.wheel;
    x->wheel += h * (a.wheel - a.body);
    x->current = target + (x->current - target) * p->left;
}

/// Statistics ///

/* Sums since a window's first tick; of the wheel speed's distance from its first value, so that the variance keeps its
 * digits. */
typedef struct {
    int64_t count;
    double tilt;
    double tilt_squares;
    double tilt_max;
    double wheel_first;
    double wheel;
    double wheel_squares;
    double wheel_max;
    double torque_squares;
} window_sums;

static inline void add_sample(window_sums *s, const motion *x, double motor_torque)
{
    if (s->count == 0) {
        s->wheel_first = x->wheel;
    }
    const double distance = x->wheel - s->wheel_first;
    s->tilt += x->tilt;
    s->tilt_squares += x->tilt * x->tilt;
    s->tilt_max = fabs(x->tilt) > s->tilt_max ? fabs(x->tilt) : s->tilt_max;
    s->wheel += distance;
    s->wheel_squares += distance * distance;
    s->wheel_max = fabs(x->wheel) > s->wheel_max ? fabs(x->wheel) : s->wheel_max;
    s->torque_squares += motor_torque * motor_torque;
    s->count++;
}

static simulated_statistics finish_window(const window_sums *s)
{
    const double count = s->count > 0 ? (double)s->count : 1.0;
    const double distance = s->wheel / count;
    return (simulated_statistics){
        .sample_count = s->count,
        .tilt_mean = s->tilt / count,
        .tilt_square_mean = s->tilt_squares / count,
        .tilt_max = s->tilt_max,
        .wheel_mean = s->wheel_first + distance,
        .wheel_variance = limit(s->wheel_squares / count - distance * distance, 0.0, INFINITY),
        .wheel_max = s->wheel_max,
        .torque_square_mean = s->torque_squares / count,
    };
}

/// The run ///

int simulate(const simulated_machine *machine, const simulated_run *run, controller_step step, void *context,
             simulated_result *result)
{
    const machine_constants k = prepare_machine(machine);
    const simulated_machine m = k.is;
    if (m.sensor_delay < 0 || m.sensor_delay >= DELAY_MEMORY || m.wheel_window < 1 || m.wheel_window > WINDOW_MEMORY) {
        return 1;
    }
    random_source noise;
    seed_random(&noise, run->seed);
    channel_constants gyro = prepare_channel(&m.gyro, m.period_s);
    channel_constants accelerometer = prepare_channel(&m.accelerometer, m.period_s);
    const piece_constants before = prepare_piece(m.compute_delay_s, m.current_lag_s);
    piece_constants after = prepare_piece(m.period_s - m.compute_delay_s, m.current_lag_s);
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

    window_sums sums = {0};
    int64_t windows = 0;          /* begun so far */
    double late_s = 0.0;          /* by which the clock is ahead of tick times period */
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
        const double shaft_torque = m.torque_constant * x.current - wheel_friction(&k, x.wheel)
                                    + m.cogging * sine(m.cogging_per_rev * x.angle);
        const double acceleration = accelerate(&k, &around, &x, shaft_torque).body;
        const double tangential = m.gravity_m_s2 * sine_of_tilt(x.tilt) - m.accelerometer_height * acceleration;
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
        while (windows < run->window_count && run->window_starts[windows] <= tick) {
            if (windows > 0) {
                run->statistics[windows - 1] = finish_window(&sums);
            }
            sums = (window_sums){0};
            windows++;
        }
        if (windows > 0) {
            add_sample(&sums, &x, motor_torque);
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
            row[0] = (double)tick * m.period_s + late_s;
            row[1] = x.tilt;
            row[2] = x.rate;
            row[3] = x.wheel;
            row[4] = motor_torque;
            row[5] = (double)outputs[0];
            rows++;
        }

        if (run->tick_lengths != NULL) {
            const double length = run->tick_lengths[tick];
            after = prepare_piece(length - m.compute_delay_s, m.current_lag_s);
            gyro = prepare_channel(&m.gyro, length);
            accelerometer = prepare_channel(&m.accelerometer, length);
            late_s += length - m.period_s;
        }
        if (before.duration > 0.0) {
            advance(&k, &around, &before, command, &x);
        }
        command = m.command_scale * limit((double)outputs[0], -(double)m.command_counts, (double)m.command_counts);
        advance(&k, &around, &after, command, &x);
        tick++;
    }

    for (int64_t i = windows > 0 ? windows - 1 : 0; i < run->window_count; i++) {
        run->statistics[i] = finish_window(&sums);
        sums = (window_sums){0};
    }
    result->ticks = tick;
    result->fell = fell;
    result->row_count = rows;
    result->tilt = x.tilt;
    result->rate = x.rate;
    result->wheel = x.wheel;
    result->armed = outputs[1] != 0;
    result->tripped = outputs[2] != 0;
    return 0;
}
