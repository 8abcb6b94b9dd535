/* Simulator of rolling balancers: a pendulum on a cart, or a body on driven wheels, with drive, friction and sampled readings.
 *
 * Model, from Lagrange's equations for the carriage's place x and the body's tilt th (M, P, I, r see rolling.h; s = 1 if the motors
 * sit on the body, else 0; the drive turns by q = x/r - s th against its stator):
 *     M x'' + P cos(th) th'' = tau/r + P sin(th) th'^2 - rail(x') + f
 *     P cos(th) x'' + I th'' = P g sin(th) - s tau - pivot(th') + f h
 *     tau = K i - drive friction(q'),
 * f the force of a finger at height h. Kinetic energy M x'^2/2 + P cos(th) x' th' + I th'^2/2, potential energy P g cos(th).
 * The current follows its target as a first-order lag; the target is the command within the drive's current limit and
 * within what the supply can still push against the back voltage.
 *
 * Method: as in simulator.c: every tick is cut where the new command takes effect, and each piece is one step of the midpoint rule
 * with the exact mean of the current.
 */
#include <math.h>
#include <stddef.h>
#include <stdint.h>

#include "exchange.h"
#include "noise.h"
#include "rolling.h"
#include "sensors.h"

/* Speeds below which Coulomb friction fades, rad/s and m/s: true stiction would need event detection. */
#define TURN_ROUNDING 0.05
#define SLIDE_ROUNDING 0.002

enum { DELAY_MEMORY = 256, WINDOW_MEMORY = 4096 };

static inline double soft_sign(double x, double rounding)
{
    return x / sqrt(x * x + rounding * rounding);
}

/// Sensors ///

static inline int32_t encoder_reading(double scale, double value, int32_t counts_max)
{
    return (int32_t)limit((double)encoder_count(scale, value), -(double)counts_max - 1.0, (double)counts_max);
}

/// Mechanics and drive ///

typedef struct {
    double place;
    double speed;
    double tilt;
    double rate;
    double current;
} motion;

typedef struct {
    double slide;
    double turn;
} accelerations;

typedef struct {
    double duration;
    double mean_half;   /* mean over the first half of what is left of a current step */
    double mean_full;
    double left;        /* what is left at the end */
} piece_constants;

typedef struct {
    double supply;
    double torque;      /* of a finger about the pivot */
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

static inline double drive_speed(const rolling_machine *m, const motion *x)
{
    return x->speed / m->radius - m->stator_on_body * x->rate;
}

static inline double current_target(const rolling_machine *m, double supply, double command, double turning)
{
    const double back = m->back_voltage * turning;
    if (m->voltage_drive) {
        return limit((limit(command, -supply, supply) - back) / m->resistance, -m->current_limit, m->current_limit);
    }
    return limit(limit(command, -m->current_limit, m->current_limit), (-supply - back) / m->resistance,
                 (supply - back) / m->resistance);
}

static inline accelerations accelerate(const rolling_machine *m, const surroundings *around, const motion *x, double current)
{
    const accelerations still = {0.0, 0.0};
    if (around->held) {
        return still;
    }
    const double turning = drive_speed(m, x);
    const double torque = m->torque_per_ampere * current - m->drive_viscous * turning
                          - m->drive_coulomb * soft_sign(turning, TURN_ROUNDING);
    const double sine = sin(x->tilt);
    const double coupling = m->moment * cos(x->tilt);
    const double force = torque / m->radius + m->moment * sine * x->rate * x->rate - m->rail_viscous * x->speed
                         - m->rail_coulomb * soft_sign(x->speed, SLIDE_ROUNDING) + around->torque / m->push_height;
    const double moment = m->moment * m->gravity_m_s2 * sine - m->stator_on_body * torque - m->pivot_damping * x->rate
                          - m->pivot_coulomb * soft_sign(x->rate, TURN_ROUNDING) + around->torque;
    const double determinant = m->mass * m->inertia - coupling * coupling;
    const accelerations a = {(m->inertia * force - coupling * moment) / determinant,
                             (m->mass * moment - coupling * force) / determinant};
    return a;
}

static inline void advance(const rolling_machine *m, const surroundings *around, const piece_constants *p, double command,
                           motion *x)
{
    const double h = p->duration;
    double target = current_target(m, around->supply, command, drive_speed(m, x));
    accelerations a = accelerate(m, around, x, target + (x->current - target) * p->mean_half);
    motion middle = *x;
    middle.speed += 0.5 * h * a.slide;
    middle.rate += 0.5 * h * a.turn;
    middle.tilt += 0.25 * h * (x->rate + middle.rate);

    target = current_target(m, around->supply, command, drive_speed(m, &middle));
    a = accelerate(m, around, &middle, target + (x->current - target) * p->mean_full);
    x->place += h * middle.speed;
    x->tilt += h * middle.rate;
    x->speed += h * a.slide;
    x->rate += h * a.turn;
    x->current = target + (x->current - target) * p->left;
}

/// The run ///

int simulate_rolling(const rolling_machine *machine, const rolling_run *run, controller_step step, void *context,
                     rolling_result *result)
{
    const rolling_machine m = *machine;
    if (m.sensor_delay < 0 || m.sensor_delay >= DELAY_MEMORY || m.wheel_window < 1 || m.wheel_window > WINDOW_MEMORY) {
        return 1;
    }
    /* Inputs: gyro_rate, accel_tangential, accel_radial, wheel_speed, arm, sensor_fresh; or position, tilt, arm, sensor_fresh. */
    const int readings = m.inertial ? 4 : 2;
    const int arm = readings;
    const int fresh = readings + 1;
    const int columns = readings + 5;
    random_source noise;
    seed_random(&noise, run->seed);
    const channel_constants gyro = prepare_channel(&m.gyro, m.period_s);
    const channel_constants accelerometer = prepare_channel(&m.accelerometer, m.period_s);
    const piece_constants before = prepare_piece(m.compute_delay_s, m.current_lag_s);
    const piece_constants after = prepare_piece(m.period_s - m.compute_delay_s, m.current_lag_s);
    const double offset_sine = sin(m.balance_offset);
    const double offset_cosine = cos(m.balance_offset);

    motion x = {0.0, m.radius * (run->wheel + m.stator_on_body * run->rate), run->tilt, run->rate, 0.0};
    surroundings around = {m.supply_v, 0.0, 0};
    int faults = 0;
    double command = 0.0;
    channel_memory gyro_memory = {0.0, 0.0};
    channel_memory tangential_memory = {0.0, 0.0};
    channel_memory radial_memory = {0.0, 0.0};
    int32_t late[DELAY_MEMORY][3] = {{0}};
    int64_t encoder[WINDOW_MEMORY];
    int32_t late_index = 0;
    int32_t window_index = 0;
    int32_t inputs[6] = {0, 0, 0, 0, 0, 0};
    int32_t outputs[3] = {0, 0, 0};
    inputs[fresh] = 1;
    /* Before the start the wheel is taken to have turned at its first speed. */
    const double first_angle = -m.stator_on_body * x.tilt;
    for (int32_t i = 0; i < m.wheel_window; i++) {
        encoder[i] = encoder_count(m.encoder_scale, first_angle + (double)(i - m.wheel_window) * m.period_s * run->wheel);
    }

    double tilt_sum = 0.0;
    double tilt_squares = 0.0;
    double tilt_max = 0.0;
    double wheel_sum = 0.0;
    double wheel_squares = 0.0;
    double wheel_max = 0.0;
    double torque_squares = 0.0;
    double place_sum = 0.0;
    double place_squares = 0.0;
    double place_max = 0.0;
    int64_t samples = 0;
    int64_t rows = 0;
    int64_t event = 0;
    int64_t tick = 0;
    int fell = 0;
    int struck = 0;

    for (;;) {
        while (event < run->event_count && run->events[event].tick <= tick) {
            const double value = run->events[event].value;
            switch (run->events[event].kind) {
            case EVENT_POKE:
                /* A blow so short that nothing moves meanwhile: force value/h on the carriage's place, value on the tilt. */
                if (!around.held) {
                    const double coupling = m.moment * cos(x.tilt);
                    const double determinant = m.mass * m.inertia - coupling * coupling;
                    x.speed += (m.inertia * value / m.push_height - coupling * value) / determinant;
                    x.rate += (m.mass * value - coupling * value / m.push_height) / determinant;
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
                    x.speed = 0.0;
                }
                break;
            default:
                inputs[arm] = value != 0.0;
                break;
            }
            event++;
        }
        struck = m.half_track > 0.0 && fabs(x.place) > m.half_track;
        if (fabs(x.tilt) > run->fall_tilt || struck) {
            fell = 1;
            break;
        }
        if (tick == run->ticks) {
            break;
        }

        /* What the sensors see at the tick. */
        const double turning = drive_speed(&m, &x);
        if (m.inertial) {
            const accelerations a = accelerate(&m, &around, &x, x.current);
            const double sine = sin(x.tilt);
            const double cosine = cos(x.tilt);
            const double height = m.accelerometer_height;
            const double tangential = m.gravity_m_s2 * sine - height * a.turn - cosine * a.slide;
            const double radial = m.gravity_m_s2 * cosine - height * x.rate * x.rate + sine * a.slide;
            const double seen_rate = x.rate + m.gyro_bias;
            const double seen_tangential = tangential * offset_cosine + radial * offset_sine + m.accelerometer_bias;
            const double seen_radial = radial * offset_cosine - tangential * offset_sine;
            if (tick == 0) {
                /* The filters have been running on the first values before the run begins. */
                gyro_memory = (channel_memory){seen_rate, seen_rate};
                tangential_memory = (channel_memory){seen_tangential, seen_tangential};
                radial_memory = (channel_memory){seen_radial, seen_radial};
            }
            late[late_index][0] = read_channel(&gyro, &gyro_memory, seen_rate + gyro.sigma * random_normal(&noise));
            late[late_index][1] = read_channel(&accelerometer, &tangential_memory,
                                               seen_tangential + accelerometer.sigma * random_normal(&noise));
            late[late_index][2] =
                read_channel(&accelerometer, &radial_memory, seen_radial + accelerometer.sigma * random_normal(&noise));
        } else {
            late[late_index][0] = encoder_reading(m.position_scale, x.place, m.position_counts_max);
            late[late_index][1] = encoder_reading(m.tilt_scale, x.tilt + m.balance_offset, m.tilt_counts_max);
        }
        if (tick == 0) {
            for (int32_t i = 1; i <= m.sensor_delay; i++) {
                for (int channel = 0; channel < 3; channel++) {
                    late[i][channel] = late[0][channel];
                }
            }
        }
        late_index = late_index == m.sensor_delay ? 0 : late_index + 1;   /* now the oldest */
        const int64_t encoder_now = encoder_count(m.encoder_scale, x.place / m.radius - m.stator_on_body * x.tilt);
        const double window_counts = (double)(encoder_now - encoder[window_index]);
        encoder[window_index] = encoder_now;
        window_index = window_index + 1 == m.wheel_window ? 0 : window_index + 1;

        if (m.inertial) {
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
        } else if (!(faults & FAULT_STALE)) {
            inputs[0] = late[late_index][0];
            inputs[1] = late[late_index][1];
        }
        inputs[fresh] = !(faults & FAULT_STALE);

        step(context, inputs, outputs);

        const double motor_torque = m.torque_per_ampere * x.current;
        if (tick >= run->statistics_from) {
            tilt_sum += x.tilt;
            tilt_squares += x.tilt * x.tilt;
            tilt_max = fmax(tilt_max, fabs(x.tilt));
            wheel_sum += turning;
            wheel_squares += turning * turning;
            wheel_max = fmax(wheel_max, fabs(turning));
            torque_squares += motor_torque * motor_torque;
            place_sum += x.place;
            place_squares += x.place * x.place;
            place_max = fmax(place_max, fabs(x.place));
            samples++;
        }
        if (run->counts != NULL) {
            int32_t *row = run->counts + columns * tick;
            for (int i = 0; i < readings + 2; i++) {
                row[i] = inputs[i];
            }
            for (int i = 0; i < 3; i++) {
                row[readings + 2 + i] = outputs[i];
            }
        }
        if (run->record_every > 0 && tick % run->record_every == 0) {
            double *row = run->rows + 7 * rows;
            row[0] = (double)tick * m.period_s;
            row[1] = x.tilt;
            row[2] = x.rate;
            row[3] = turning;
            row[4] = motor_torque;
            row[5] = (double)outputs[0];
            row[6] = x.place;
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
    result->ticks = tick;
    result->fell = fell;
    result->struck = struck;
    result->row_count = rows;
    result->sample_count = samples;
    result->tilt_mean = tilt_sum / count;
    result->tilt_square_mean = tilt_squares / count;
    result->tilt_max = tilt_max;
    result->wheel_mean = wheel_sum / count;
    result->wheel_variance = fmax(0.0, wheel_squares / count - result->wheel_mean * result->wheel_mean);
    result->wheel_max = wheel_max;
    result->torque_square_mean = torque_squares / count;
    result->position_mean = place_sum / count;
    result->position_square_mean = place_squares / count;
    result->position_max = place_max;
    result->tilt = x.tilt;
    result->rate = x.rate;
    result->wheel = drive_speed(&m, &x);
    result->position = x.place;
    result->armed = outputs[1] != 0;
    result->tripped = outputs[2] != 0;
    return 0;
}
