/* Reset code, trap entry and hand-over for RV32, machine mode. */
#include "boot.h"
#include "part.h"

extern uint32_t data_load[], data_start[], data_end[], bss_start[], bss_end[];

_Noreturn void reset_c(void);

__attribute__((naked, section(".vectors"), used)) void reset(void)
{
    __asm__ volatile("la sp, initial_stack\n\tla t0, unexpected\n\tcsrw mtvec, t0\n\tj reset_c");
}

_Noreturn __attribute__((used)) void reset_c(void)
{
    uint32_t *from = data_load;
    for (uint32_t *to = data_start; to < data_end;)
        *to++ = *from++;
    for (uint32_t *to = bss_start; to < bss_end;)
        *to++ = 0;
    main();
    panic();
}

_Noreturn __attribute__((noinline)) void panic(void)
{
    for (;;) {
        RESET_CONTROL = RESET_WORD;
        __asm__ volatile("j .\n\tj .\n\tj .");
    }
}

/* Any trap; mtvec wants it aligned. Weak: flash_guard_rv32.c has another. */
__attribute__((weak, used, aligned(4))) void unexpected(void)
{
    panic();
}

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
    __asm__ volatile("fence.i\n\tjr %0" ::"r"(entry) : "memory");
    __builtin_unreachable();
}
