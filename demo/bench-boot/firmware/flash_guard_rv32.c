/* Reads that outlive a word which cannot be read, on RV32. A load of a torn word is a load access fault; the trap code
 * sends exactly that load to its failure, and anything else to a reset.
 * RISC-V Instruction Set Manual, Volume II, machine-level ISA: mepc, mcause. */
#include "boot.h"
#include "flash.h"

/* a0 address, a1 to, a2 bytes. One load for all that is read of flash, so that the trap code knows it by its place. */
__attribute__((naked, noinline)) uint32_t flash_read(uint32_t address, uint32_t *to, uint32_t size)
{
    __asm__ volatile("add a2, a2, a0\n"
                     "1:\tbgeu a0, a2, 2f\n"
                     "\t.global guarded_load\nguarded_load:\n\tlw a3, 0(a0)\n"
                     "\tsw a3, 0(a1)\n\taddi a0, a0, 4\n\taddi a1, a1, 4\n\tj 1b\n"
                     "2:\tli a0, 0\n\tret\n"
                     "\t.global guarded_failure\nguarded_failure:\n\tli a0, 1\n\tret");
}

/* t0 and t1 are free to use: around the guarded load nothing is in them, and from elsewhere there is no way back. */
__attribute__((naked, used, aligned(4))) void unexpected(void)
{
    __asm__ volatile("csrr t0, mcause\n\tli t1, 5\n\tbne t0, t1, 1f\n"
                     "\tcsrr t0, mepc\n\tla t1, guarded_load\n\tbne t0, t1, 1f\n"
                     "\tla t0, guarded_failure\n\tcsrw mepc, t0\n\tmret\n"
                     "1:\tj panic");
}
