/* Data exchanged with the simulator of rolling balancers, read by the C compiler and, as it stands, by cffi: so no preprocessor
 * lines. SI units; angles in rad. The carriage rolls along x; the body's tilt is positive when it leans towards +x, and the drive
 * turns positively when it drives the carriage towards +x. After exchange.h. The controller's readings are gyro_rate,
 * accel_tangential, accel_radial, wheel_speed, or place and tilt by encoders; a finger's pokes and torques (N m s and N m about the
 * pivot or axle) push the carriage too, with 1/push_height as many newtons. While held, body and carriage stand still. */

typedef struct {
    double gravity_m_s2;
    double mass;              /* M: everything that moves along x, spinning parts as inertia / radius^2 */
    double moment;            /* P: body mass times height of its centre of mass above the pivot or axle */
    double inertia;           /* I: body about the pivot or axle */
    double radius;            /* of the wheel or pulley */
    double stator_on_body;    /* 1: the motors sit on the body and push it back, 0: they sit on the rail */
    double pivot_damping;
    double pivot_coulomb;
    double rail_viscous;
    double rail_coulomb;
    double half_track;        /* run ends beyond this distance from the middle; 0 = endless floor */
    double push_height;       /* of a finger above the pivot or axle */
    double balance_offset;    /* sensor angle minus true tilt */

    double torque_per_ampere; /* of all motors together, per ampere of one */
    double back_voltage;      /* of one motor, V s/rad */
    double resistance;
    double supply_v;
    double current_limit;
    double drive_viscous;
    double drive_coulomb;
    double current_lag_s;
    double command_scale;     /* A or V per count */
    int32_t command_counts;   /* commands are limited to +-this */
    int32_t voltage_drive;    /* 1: the command is a voltage, 0: a current */

    int32_t inertial;         /* 1: gyro, accelerometer and wheel counter on the body; 0: encoders of position and tilt */
    sensor_channel gyro;
    double gyro_bias;
    sensor_channel accelerometer;
    double accelerometer_height;
    double accelerometer_bias; /* of the tangential axis */
    double encoder_scale;     /* wheel counter: counts per rad of the wheel against the body */
    int32_t wheel_counts_max;
    int32_t wheel_window;     /* ticks between the two readings whose difference is the wheel speed */
    double position_scale;    /* counts per m */
    int32_t position_counts_max;
    double tilt_scale;        /* counts per rad */
    int32_t tilt_counts_max;

    double period_s;
    double compute_delay_s;   /* from the tick to the command's effect, below one period */
    int32_t sensor_delay;     /* whole ticks by which gyro, accelerometer and encoders are late */
} rolling_machine;

typedef struct {
    int64_t ticks;
    uint64_t seed;
    double tilt;
    double rate;
    double wheel;             /* speed of the drive's output at the start */
    double fall_tilt;
    int64_t statistics_from;  /* first tick that counts */
    int64_t record_every;     /* ticks between rows, 0 = none */
    const simulated_event *events;  /* by rising tick */
    int64_t event_count;
    double *rows;             /* 7 per row: time, tilt, rate, wheel, torque, command, position; or NULL */
    int32_t *counts;          /* per tick: inputs then outputs; or NULL */
} rolling_run;

typedef struct {
    int64_t ticks;            /* controller calls made */
    int32_t fell;
    int32_t struck;           /* 1: the run ended at the end of the track */
    int64_t row_count;
    int64_t sample_count;     /* ticks within the statistics */
    double tilt_mean;
    double tilt_square_mean;
    double tilt_max;          /* largest size */
    double wheel_mean;
    double wheel_variance;
    double wheel_max;         /* largest size */
    double torque_square_mean;
    double position_mean;
    double position_square_mean;
    double position_max;      /* largest size */
    double tilt;
    double rate;
    double wheel;
    double position;
    int32_t armed;
    int32_t tripped;
} rolling_result;

/* Fly one run. Returns 0, or 1 if the machine or run has a delay or window beyond the simulator's memory. */
int simulate_rolling(const rolling_machine *machine, const rolling_run *run, controller_step step, void *context,
                     rolling_result *result);
