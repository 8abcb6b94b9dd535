/* Start-up of a Cortex-M: vector table, memory initialisation, then main.  No library is needed. */
#include <stdint.h>

extern uint32_t stack_top;
extern uint32_t data_start;
extern uint32_t data_end;
extern const uint32_t data_image;
extern uint32_t zero_start;
extern uint32_t zero_end;

int main(void);
void reset_handler(void);
void fault_handler(void);
void sys_tick_handler(void);

/* An exception nobody handles stops here, where a debugger finds it; the watchdog and the drive's own cut-off do the rest. */
void fault_handler(void)
{
    for (;;) {
    }
}

/* The timer's handler; a program that uses the timer brings its own. */
__attribute__((weak)) void sys_tick_handler(void)
{
    fault_handler();
}

void reset_handler(void)
{
    const volatile uint32_t *from = &data_image;
    for (volatile uint32_t *to = &data_start; to < &data_end; to++) {
        *to = *from++;
    }
    for (volatile uint32_t *to = &zero_start; to < &zero_end; to++) {
        *to = 0u;
    }
#if defined(__ARM_FP)
    /* Compilers may keep integers in the registers of the floating-point unit, so it must be on: full access to CP10 and CP11. */
    volatile uint32_t *const coprocessor_access = (volatile uint32_t *)0xE000ED88u;
    *coprocessor_access |= UINT32_C(0xF) << 20;
    __asm__ volatile("dsb\n\tisb" ::: "memory");
#endif
    (void)main();
    fault_handler();
}

typedef void (*handler)(void);

/* Exceptions 1 to 15 in the order of the architecture; chip interrupts are not used. */
__attribute__((section(".vectors"), used)) const struct {
    uint32_t *stack;
    handler handlers[15];
} vector_table = {
    &stack_top,
    {
        reset_handler,
        fault_handler, /* non-maskable */
        fault_handler, /* hard fault */
        fault_handler, /* memory management */
        fault_handler, /* bus fault */
        fault_handler, /* usage fault */
        0,
        0,
        0,
        0,
        fault_handler, /* supervisor call */
        fault_handler, /* debug monitor */
        0,
        fault_handler, /* pendable service */
        sys_tick_handler,
    },
};
