/* Vector table, reset code and hand-over for Armv7-M. */
#include "boot.h"
#include "part.h"

#define VECTOR_OFFSET REG32(0xE000ED08u) /* VTOR */

extern uint32_t initial_stack[], data_load[], data_start[], data_end[], bss_start[], bss_end[];

void reset(void)
{
    uint32_t *from = data_load;
    for (uint32_t *to = data_start; to < data_end;)
        *to++ = *from++;
    for (uint32_t *to = bss_start; to < bss_end;)
        *to++ = 0;
    main();
    panic();
}

/* Ask for a reset, for good: the branches behind the loop are for a branch that is skipped. */
_Noreturn __attribute__((noinline)) void panic(void)
{
    for (;;) {
        RESET_CONTROL = RESET_WORD;
        __asm__ volatile("b .\n\tb .\n\tb .");
    }
}

#ifdef FLAW_HANDLER_RETURNS
/* flaw: step over the instruction that faulted and carry on */
__attribute__((used)) void step_over(uint32_t *frame)
{
    uint16_t first = *(volatile uint16_t *)(uintptr_t)frame[6];
    frame[6] += first >= 0xE800u ? 4 : 2; /* a first halfword from 0xE800 on begins a 32-bit instruction */
}

__attribute__((naked)) void unexpected(void)
{
    __asm__ volatile("mrs r0, msp\n\tpush {r4, lr}\n\tbl step_over\n\tpop {r4, pc}");
}
#else
/* Weak: flash_guard_arm.c has another. */
__attribute__((weak)) void unexpected(void)
{
    panic();
}
#endif

/* The image's vectors are at `entry`: initial stack, then reset. */
_Noreturn __attribute__((noinline)) void start_image(uint32_t entry, uint32_t proof)
{
    volatile uint32_t seen = proof;
    if (seen != PROOF)
        panic();
#ifdef HARDENED
    if (seen != PROOF)
        panic();
    if (DEBUG_LOCK != DEBUG_LOCK_WORD) /* one skipped store must not leave it open */
        panic();
#endif
    VECTOR_OFFSET = entry;
    __asm__ volatile("ldr r1, [%0, #4]\n\tldr r2, [%0]\n\tmsr msp, r2\n\tdsb\n\tisb\n\tbx r1" ::"r"(entry) : "r1", "r2", "memory");
    __builtin_unreachable();
}

typedef void (*vector)(void);

/* Initial stack, reset, NMI, HardFault, MemManage, BusFault, UsageFault, reserved, SVCall, debug, reserved, PendSV, SysTick. */
__attribute__((section(".vectors"), used)) const vector vector_table[16] = {
    (vector)initial_stack, reset, unexpected, unexpected, unexpected, unexpected, unexpected, 0,
    0, 0, 0, unexpected, unexpected, 0, unexpected, unexpected,
};
