/* What Python calls of the AVR simulator; the simulator's own structures stay on the C side. */
typedef struct bridge_core bridge_core;

typedef struct {
    uint32_t step;           /* address of the controller's step function */
    uint32_t halt;           /* address at which a call comes back */
    uint32_t state;          /* data addresses of the structs */
    uint32_t inputs;
    uint32_t outputs;
    uint32_t state_size;
    uint32_t inputs_size;
    uint32_t outputs_size;
} bridge_controller;

bridge_core *bridge_open(const char *mcu, uint32_t clock_hz, const uint8_t *flash, uint32_t size);
void bridge_close(bridge_core *core);
void bridge_read(const bridge_core *core, uint32_t address, uint32_t size, uint8_t *bytes);
void bridge_write(bridge_core *core, uint32_t address, uint32_t size, const uint8_t *bytes);
uint32_t bridge_counter(const bridge_core *core);
uint64_t bridge_cycle(const bridge_core *core);
uint32_t bridge_ram_end(const bridge_core *core);
int32_t bridge_run_to(bridge_core *core, uint32_t stop, uint64_t limit);
int32_t bridge_call(bridge_core *core, uint32_t function, uint32_t halt, const uint16_t *arguments, uint64_t limit, int64_t *cycles);
int64_t bridge_steps(bridge_core *core, const bridge_controller *what, int64_t ticks, const uint8_t *inputs, uint8_t *outputs,
                     uint8_t *kept, int64_t *cycles, int64_t *stack, int32_t *ended);
int64_t bridge_trace(bridge_core *core, const bridge_controller *what, int64_t capacity, int64_t *places, int64_t *cycles);
