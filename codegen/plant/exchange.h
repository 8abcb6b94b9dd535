/* Data exchanged with every simulator, read by the C compiler and, as it stands, by cffi: so no preprocessor lines. SI units. */

/* One call per tick. Inputs: the machine's readings in raw counts, then arm and sensor_fresh (0 or 1). Outputs: drive_command
 * (counts), armed, tripped. */
typedef void (*controller_step)(void *context, const int32_t *inputs, int32_t *outputs);

typedef struct {
    double scale;             /* counts per unit */
    double sigma;             /* white noise per tick, before the low-pass, in the unit */
    double low_pass_s;        /* time constant of the first-order low-pass, 0 = none */
    int32_t counts_max;       /* readings are limited to [-counts_max - 1, counts_max] */
} sensor_channel;

/* Something that changes at a tick, before the sensors are read. */
typedef struct {
    int64_t tick;
    int32_t kind;             /* see event_kind */
    double value;
} simulated_event;

enum event_kind {
    EVENT_POKE = 0,           /* value: angular impulse on the body about its pivot, N m s */
    EVENT_TORQUE = 1,         /* value: torque on the body about its pivot from now on, N m */
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
