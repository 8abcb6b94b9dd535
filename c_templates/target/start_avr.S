/* Start-up of an ATmega328P: vector table, stack, memory initialisation, then main.  No library is needed.
 * 26 vectors of two words each, in the order of the data sheet; TIMER1_COMPA is number 11.
 */
    .file "start_avr.S"
    .section .vectors, "ax", @progbits
    .globl reset_vector
reset_vector:
    jmp reset_handler
    .rept 10
    jmp fault_handler
    .endr
    jmp __vector_11
    .rept 14
    jmp fault_handler
    .endr

    .section .text.start, "ax", @progbits
    .globl reset_handler
    .type reset_handler, @function
reset_handler:
    clr r1                      /* the compiler takes r1 as zero */
    out 0x3f, r1                /* status register: interrupts off */
    ldi r28, lo8(stack_top)
    ldi r29, hi8(stack_top)
    out 0x3e, r29
    out 0x3d, r28
    ldi r26, lo8(data_start)
    ldi r27, hi8(data_start)
    ldi r30, lo8(data_image)
    ldi r31, hi8(data_image)
    ldi r17, hi8(data_end)
    rjmp 2f
1:  lpm r0, Z+
    st X+, r0
2:  cpi r26, lo8(data_end)
    cpc r27, r17
    brne 1b
    ldi r26, lo8(zero_start)
    ldi r27, hi8(zero_start)
    ldi r17, hi8(zero_end)
    rjmp 4f
3:  st X+, r1
4:  cpi r26, lo8(zero_end)
    cpc r27, r17
    brne 3b
    call main
    .size reset_handler, . - reset_handler

/* An interrupt nobody handles stops here, where a debugger finds it. */
    .globl fault_handler
    .type fault_handler, @function
fault_handler:
    rjmp fault_handler
    .size fault_handler, . - fault_handler

/* The timer's handler; a program that uses the timer brings its own. */
    .weak __vector_11
    .set __vector_11, fault_handler
