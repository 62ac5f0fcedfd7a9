/* Reads that outlive a word which cannot be read, on Armv7-M. A load of a torn word is a precise bus fault; the handler
 * sends exactly that load to its failure, and anything else to a reset.
 * Armv7-M Architecture Reference Manual, B1.5.6 (frame: the seventh word is the way back), B3.2.15 (fault status). */
#include "boot.h"
#include "flash.h"
#include "part.h"

#define FAULT_STATUS      REG32(0xE000ED28u) /* CFSR; a bit is cleared by writing 1 */
#define HARD_FAULT_STATUS REG32(0xE000ED2Cu) /* HFSR, likewise */
#define PRECISE           0x00000200u
#define ADDRESS_VALID     0x00008000u
#define FORCED            0x40000000u

extern const char guarded_load[], guarded_failure[];

/* r0 address, r1 to, r2 bytes. One load for all that is read of flash, so that the handler knows it by its place. */
__attribute__((naked, noinline)) uint32_t flash_read(uint32_t address, uint32_t *to, uint32_t size)
{
    __asm__ volatile("adds r2, r0, r2\n"
                     "1:\tcmp r0, r2\n\tbhs 2f\n"
                     "\t.global guarded_load\nguarded_load:\n\tldr r3, [r0]\n"
                     "\tstr r3, [r1]\n\tadds r0, #4\n\tadds r1, #4\n\tb 1b\n"
                     "2:\tmovs r0, #0\n\tbx lr\n"
                     "\t.global guarded_failure\nguarded_failure:\n\tmovs r0, #1\n\tbx lr");
}

__attribute__((used)) void fail_guarded_load(uint32_t *frame)
{
    if (frame[6] != (uint32_t)(uintptr_t)guarded_load || !(FAULT_STATUS & PRECISE))
        panic();
    FAULT_STATUS = PRECISE | ADDRESS_VALID;
    HARD_FAULT_STATUS = FORCED;
    frame[6] = (uint32_t)(uintptr_t)guarded_failure;
}

__attribute__((naked)) void unexpected(void)
{
    __asm__ volatile("mrs r0, msp\n\tpush {r4, lr}\n\tbl fail_guarded_load\n\tpop {r4, pc}");
}
