/* Data exchanged with the simulator, read by the C compiler and, as it stands, by cffi: so no preprocessor lines.
 * SI units throughout; angles in rad; tilt and wheel speed positive about the same axis. After exchange.h. The controller's readings
 * are gyro_rate, accel_tangential, accel_radial, wheel_speed. */

typedef struct {
    double gravity_m_s2;
    double gravity_torque;    /* G: torque of gravity per sine of tilt */
    double body_inertia;      /* I: about the pivot, wheel mass in, wheel spin inertia not */
    double wheel_inertia;     /* J */
    double pivot_damping;
    double pivot_coulomb;
    double balance_offset;    /* sensor angle minus true tilt */

    double torque_constant;
    double resistance;
    double supply_v;
    double current_limit;
    double wheel_viscous;
    double wheel_coulomb;
    double wheel_stiction;
    double stribeck_speed;
    double cogging;
    double cogging_per_rev;
    double current_lag_s;
    double unbalance;         /* eccentric mass of the wheel times its distance from the axle, kg m */
    double axle_height;       /* above the pivot; matters to an unbalanced wheel only */
    double command_scale;     /* A or V per count */
    int32_t command_counts;   /* commands are limited to +-this */
    int32_t voltage_drive;    /* 1: the command is a voltage, 0: a current */

    sensor_channel gyro;
    double gyro_bias;
    sensor_channel accelerometer;
    double accelerometer_height;
    double accelerometer_bias; /* of the tangential axis */
    double encoder_scale;     /* encoder counts per rad of wheel angle */
    int32_t wheel_counts_max;
    int32_t wheel_window;     /* ticks between the two encoder readings whose difference is the wheel speed */

    double period_s;
    double compute_delay_s;   /* from the tick to the command's effect, below one period */
    int32_t sensor_delay;     /* whole ticks by which the inertial readings are late */
} simulated_machine;

/* Over the ticks of one window. */
typedef struct {
    int64_t sample_count;
    double tilt_mean;
    double tilt_square_mean;
    double tilt_max;          /* largest size */
    double wheel_mean;
    double wheel_variance;
    double wheel_max;         /* largest size */
    double torque_square_mean;
} simulated_statistics;

typedef struct {
    int64_t ticks;
    uint64_t seed;
    double tilt;
    double rate;
    double wheel;
    double fall_tilt;
    const int64_t *window_starts;   /* first tick of each window of statistics, rising; each ends where the next begins */
    int64_t window_count;
    simulated_statistics *statistics;   /* one per window; all zero if the run ends before it */
    const double *tick_lengths;     /* s, of every tick as the loop's clock really ran, each longer than the compute delay; or
                                     * NULL: all are the period. The controller takes every tick for a period. */
    int64_t record_every;     /* ticks between rows, 0 = none */
    const simulated_event *events;  /* by rising tick */
    int64_t event_count;
    double *rows;             /* 6 per row: time, tilt, rate, wheel, torque, command; or NULL */
    int32_t *counts;          /* 9 per tick: inputs then outputs; or NULL */
} simulated_run;

typedef struct {
    int64_t ticks;            /* controller calls made */
    int32_t fell;
    int64_t row_count;
    double tilt;
    double rate;
    double wheel;
    int32_t armed;
    int32_t tripped;
} simulated_result;

/* Fly one run. Returns 0, or 1 if the machine or run has a delay or window beyond the simulator's memory. */
int simulate(const simulated_machine *machine, const simulated_run *run, controller_step step, void *context,
             simulated_result *result);
