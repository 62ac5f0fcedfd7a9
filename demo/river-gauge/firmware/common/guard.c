#include "guard.h"
#include "part.h"

/* Copy words; false where one of them could not be read. With FAULTMASK set the code runs at priority -1, and with
 * BFHFNMIGN a data bus fault at that priority is noted but not taken (Armv7-M, Configuration and Control Register). */
__attribute__((noinline)) bool guard_read(uint32_t *to, uint32_t from, uint32_t words)
{
    const volatile uint32_t *flash = (const volatile uint32_t *)(uintptr_t)from;
    uint32_t control = CONFIGURATION;
    if (FAULT_STATUS & FAULT_STATUS_BUS)
        FAULT_STATUS = FAULT_STATUS_BUS; /* writing ones clears */
    __asm__ volatile("cpsid f" ::: "memory");
    CONFIGURATION = control | CONFIGURATION_IGNORE_BUS;
    __asm__ volatile("dsb\n\tisb" ::: "memory");
    for (uint32_t i = 0; i < words; i++)
        to[i] = flash[i];
    __asm__ volatile("dsb" ::: "memory");
    bool fault = FAULT_STATUS & FAULT_STATUS_BUS;
    if (fault)
        FAULT_STATUS = FAULT_STATUS_BUS;
    CONFIGURATION = control;
    __asm__ volatile("dsb\n\tisb\n\tcpsie f" ::: "memory");
    return !fault;
}

/* Copy program units of two words; an unreadable one becomes GUARD_UNREADABLE, which is neither blank nor a set mark
 * and spoils every check code. */
void guard_copy(uint32_t *to, uint32_t from, uint32_t words)
{
    for (uint32_t i = 0; i + 2 <= words; i += 2)
        if (!guard_read(to + i, from + 4 * i, 2))
            to[i] = to[i + 1] = GUARD_UNREADABLE;
}
