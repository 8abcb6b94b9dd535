/* Start-up of a RISC-V core in machine mode: stack, memory initialisation, then main.  No library is needed. */
    .file "start_riscv.S"
    .section .vectors, "ax"
    .globl reset_handler
    .type reset_handler, @function
reset_handler:
    la sp, stack_top
    la a0, data_start
    la a1, data_end
    la a2, data_image
1:  bgeu a0, a1, 2f
    lw a3, 0(a2)
    sw a3, 0(a0)
    addi a0, a0, 4
    addi a2, a2, 4
    j 1b
2:  la a0, zero_start
    la a1, zero_end
3:  bgeu a0, a1, 4f
    sw zero, 0(a0)
    addi a0, a0, 4
    j 3b
4:  call main
    .size reset_handler, . - reset_handler

/* A trap nobody handles stops here, where a debugger finds it. */
    .globl fault_handler
    .type fault_handler, @function
fault_handler:
    j fault_handler
    .size fault_handler, . - fault_handler
