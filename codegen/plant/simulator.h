/* Data exchanged with the simulator, read by the C compiler and, as it stands, by cffi: so no preprocessor lines.
 * SI units throughout; angles in rad; tilt and wheel speed positive about the same axis. */

/* One call per tick. Inputs: gyro_rate, accel_tangential, accel_radial, wheel_speed (raw counts), arm, sensor_fresh
 * (0 or 1). Outputs: drive_command (counts), armed, tripped. */
typedef void (*controller_step)(void *context, const int32_t *inputs, int32_t *outputs);

typedef struct {
    double scale;             /* counts per unit */
    double sigma;             /* white noise per tick, before the low-pass, in the unit */
    double low_pass_s;        /* time constant of the first-order low-pass, 0 = none */
    int32_t counts_max;       /* readings are limited to [-counts_max - 1, counts_max] */
} sensor_channel;

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

/* Something that changes at a tick, before the sensors are read. */
typedef struct {
    int64_t tick;
    int32_t kind;             /* see event_kind */
    double value;
} simulated_event;

enum event_kind {
    EVENT_POKE = 0,           /* value: angular impulse on the body, N m s */
    EVENT_TORQUE = 1,         /* value: torque on the body from now on, N m */
    EVENT_SUPPLY = 2,         /* value: supply voltage from now on */
    EVENT_FAULTS = 3,         /* value: sum of fault_bit from now on */
    EVENT_HELD = 4,           /* value: 1 the body is held fixed, 0 it is let go */
    EVENT_ARM = 5             /* value: the arm input from now on */
};

enum fault_bit {
    FAULT_STALE = 1,          /* sensor_fresh is 0 and no sensor reading changes */
    FAULT_FROZEN_GYRO = 2,
    FAULT_FROZEN_ACCELEROMETER = 4
};

typedef struct {
    int64_t ticks;
    uint64_t seed;
    double tilt;
    double rate;
    double wheel;
    double fall_tilt;
    int64_t statistics_from;  /* first tick that counts */
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
    int64_t sample_count;     /* ticks within the statistics */
    double tilt_mean;
    double tilt_square_mean;
    double tilt_max;          /* largest size */
    double wheel_mean;
    double wheel_variance;
    double wheel_max;         /* largest size */
    double torque_square_mean;
    double tilt;
    double rate;
    double wheel;
    int32_t armed;
    int32_t tripped;
} simulated_result;

/* Fly one run. Returns 0, or 1 if the machine or run has a delay or window beyond the simulator's memory. */
int simulate(const simulated_machine *machine, const simulated_run *run, controller_step step, void *context,
             simulated_result *result);
