/* Runs an AVR image in the simulator simavr, one instruction at a time, for Python.
 *
 * Calls of the controller run without timers and interrupts, so that the cycles counted are those of its instructions; a firmware runs
 * with both.
 */
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/sim_avr.h>
#include <simavr/sim_core.h>

#include "simavr_bridge.h"

/* No call of a controller takes longer than this. */
#define CALL_LIMIT 10000000u

enum { CAME_BACK = 0, CRASHED = 1, TOO_LONG = 2 };

struct bridge_core {
    avr_t *avr;
    uint32_t lowest; /* least stack pointer since it was last set */
};

/* The simulator's own waits in real time. */
static void do_not_sleep(avr_t *avr, avr_cycle_count_t how_long)
{
    (void)avr;
    (void)how_long;
}

static uint32_t stack_pointer(const avr_t *avr)
{
    return (uint32_t)avr->data[R_SPL] | ((uint32_t)avr->data[R_SPH] << 8);
}

static void set_stack_pointer(avr_t *avr, uint32_t value)
{
    avr->data[R_SPL] = (uint8_t)value;
    avr->data[R_SPH] = (uint8_t)(value >> 8);
}

bridge_core *bridge_open(const char *mcu, uint32_t clock_hz, const uint8_t *flash, uint32_t size)
{
    avr_t *avr = avr_make_mcu_by_name(mcu);
    if (avr == NULL) {
        return NULL;
    }
    avr->log = LOG_NONE;
    avr->frequency = clock_hz;
    if (avr_init(avr) != 0 || size > avr->flashend + 1u) {
        return NULL;
    }
    memcpy(avr->flash, flash, size);
    avr->codeend = avr->flashend;
    avr->log = LOG_NONE;
    avr->gdb_port = 0;
    avr->sleep = do_not_sleep;
    /* One instruction per call: the simulator would otherwise run on to the next timer event. */
    avr->run_cycle_limit = 1;
    bridge_core *core = malloc(sizeof *core);
    if (core != NULL) {
        core->avr = avr;
        core->lowest = 0xFFFFu;
    }
    return core;
}

void bridge_close(bridge_core *core)
{
    avr_terminate(core->avr);
    free(core->avr);
    free(core);
}

void bridge_read(const bridge_core *core, uint32_t address, uint32_t size, uint8_t *bytes)
{
    memcpy(bytes, core->avr->data + address, size);
}

void bridge_write(bridge_core *core, uint32_t address, uint32_t size, const uint8_t *bytes)
{
    memcpy(core->avr->data + address, bytes, size);
}

uint32_t bridge_counter(const bridge_core *core)
{
    return core->avr->pc;
}

uint64_t bridge_cycle(const bridge_core *core)
{
    return core->avr->cycle;
}

uint32_t bridge_ram_end(const bridge_core *core)
{
    return core->avr->ramend;
}

/* With timers and interrupts, from where it stands; at least one instruction. */
int32_t bridge_run_to(bridge_core *core, uint32_t stop, uint64_t limit)
{
    avr_t *avr = core->avr;
    const avr_cycle_count_t begin = avr->cycle;
    do {
        avr->run_cycle_count = 1;
        const int state = avr_run(avr);
        if (state == cpu_Crashed || state == cpu_Done || state == cpu_Stopped) {
            return CRASHED;
        }
        if (avr->cycle - begin > limit) {
            return TOO_LONG;
        }
    } while (avr->pc != stop || avr->state != cpu_Running);
    return CAME_BACK;
}

static void step_once(bridge_core *core)
{
    avr_t *avr = core->avr;
    avr->run_cycle_count = 1;
    avr->pc = avr_run_one(avr);
    const uint32_t stack = stack_pointer(avr);
    if (stack < core->lowest) {
        core->lowest = stack;
    }
}

/* A return address on the stack and the arguments in their registers: r25:r24, r23:r22, r21:r20. */
static void prepare(bridge_core *core, uint32_t function, uint32_t halt, const uint16_t *arguments)
{
    avr_t *avr = core->avr;
    for (int i = 0; i < 3; i++) {
        avr->data[24 - 2 * i] = (uint8_t)arguments[i];
        avr->data[25 - 2 * i] = (uint8_t)(arguments[i] >> 8);
    }
    uint32_t stack = stack_pointer(avr);
    const uint32_t word = halt / 2u;
    avr->data[stack--] = (uint8_t)word;
    avr->data[stack--] = (uint8_t)(word >> 8);
    set_stack_pointer(avr, stack);
    core->lowest = stack;
    avr->pc = function;
    avr->state = cpu_Running;
}

static int32_t finish(bridge_core *core, uint32_t halt, uint64_t limit)
{
    avr_t *avr = core->avr;
    const avr_cycle_count_t begin = avr->cycle;
    while (avr->pc != halt) {
        step_once(core);
        if (avr->state != cpu_Running) {
            return CRASHED;
        }
        if (avr->cycle - begin > limit) {
            return TOO_LONG;
        }
    }
    return CAME_BACK;
}

int32_t bridge_call(bridge_core *core, uint32_t function, uint32_t halt, const uint16_t *arguments, uint64_t limit, int64_t *cycles)
{
    const avr_cycle_count_t begin = core->avr->cycle;
    prepare(core, function, halt, arguments);
    const int32_t ended = finish(core, halt, limit);
    *cycles = (int64_t)(core->avr->cycle - begin);
    return ended;
}

static void set_arguments(const bridge_controller *what, uint16_t *arguments)
{
    arguments[0] = (uint16_t)what->state;
    arguments[1] = (uint16_t)what->inputs;
    arguments[2] = (uint16_t)what->outputs;
}

/* Ticks that came back; `ended` says how the last one did. */
int64_t bridge_steps(bridge_core *core, const bridge_controller *what, int64_t ticks, const uint8_t *inputs, uint8_t *outputs,
                     uint8_t *kept, int64_t *cycles, int64_t *stack, int32_t *ended)
{
    avr_t *avr = core->avr;
    uint16_t arguments[3];
    set_arguments(what, arguments);
    for (int64_t tick = 0; tick < ticks; tick++) {
        const uint32_t before = stack_pointer(avr);
        memcpy(avr->data + what->inputs, inputs + tick * what->inputs_size, what->inputs_size);
        *ended = bridge_call(core, what->step, what->halt, arguments, CALL_LIMIT, cycles + tick);
        if (*ended != CAME_BACK) {
            return tick;
        }
        memcpy(outputs + tick * what->outputs_size, avr->data + what->outputs, what->outputs_size);
        memcpy(kept + tick * what->state_size, avr->data + what->state, what->state_size);
        stack[tick] = (int64_t)(before - core->lowest);
    }
    return ticks;
}

/* One step with the memory and readings that lie there: address and cycles of every instruction.  Their number, or less than 0: how it
 * ended, negated.
 */
int64_t bridge_trace(bridge_core *core, const bridge_controller *what, int64_t capacity, int64_t *places, int64_t *cycles)
{
    avr_t *avr = core->avr;
    uint16_t arguments[3];
    set_arguments(what, arguments);
    prepare(core, what->step, what->halt, arguments);
    int64_t count = 0;
    while (avr->pc != what->halt) {
        if (count == capacity) {
            return -TOO_LONG;
        }
        const avr_cycle_count_t before = avr->cycle;
        places[count] = (int64_t)avr->pc;
        step_once(core);
        if (avr->state != cpu_Running) {
            return -CRASHED;
        }
        cycles[count++] = (int64_t)(avr->cycle - before);
    }
    return count;
}
