/* Tries accesses under physical memory protection, RV32, and prints one letter for each: p passed, f faulted. */
#include "lockdown_table.h"
#include "probe_table.h"

#define REG(address) (*(volatile uint32_t *)(address))
#define ECALL 0x00000073u
#define MPRV (1u << 17)
#define MPP (3u << 11)

static volatile uint32_t faulted, running, resume;

/* Returns the address to go on at; machine mode always. */
__attribute__((used)) uint32_t on_trap(uint32_t cause, uint32_t at)
{
    if (running) { /* a jump: ecall (8 from user, 11 from machine mode) says that it ran */
        faulted = cause != 8 && cause != 11;
        running = 0;
        return resume;
    }
    faulted = 1;
    return at + 4;
}

__attribute__((naked, aligned(4), used)) void trap(void)
{
    __asm__ volatile(
        "csrw mscratch, sp\n\tla sp, trap_top\n\taddi sp, sp, -80\n\t"
        "sw ra, 0(sp)\n\tsw t0, 4(sp)\n\tsw t1, 8(sp)\n\tsw t2, 12(sp)\n\tsw a0, 16(sp)\n\tsw a1, 20(sp)\n\t"
        "sw a2, 24(sp)\n\tsw a3, 28(sp)\n\tsw a4, 32(sp)\n\tsw a5, 36(sp)\n\tsw a6, 40(sp)\n\tsw a7, 44(sp)\n\t"
        "sw t3, 48(sp)\n\tsw t4, 52(sp)\n\tsw t5, 56(sp)\n\tsw t6, 60(sp)\n\t"
        "li t0, 0x20000\n\tcsrc mstatus, t0\n\t" /* MPRV off */
        "csrr a0, mcause\n\tcsrr a1, mepc\n\tcall on_trap\n\tcsrw mepc, a0\n\t"
        "li t0, 0x1800\n\tcsrs mstatus, t0\n\t" /* return to machine mode */
        "lw ra, 0(sp)\n\tlw t0, 4(sp)\n\tlw t1, 8(sp)\n\tlw t2, 12(sp)\n\tlw a0, 16(sp)\n\tlw a1, 20(sp)\n\t"
        "lw a2, 24(sp)\n\tlw a3, 28(sp)\n\tlw a4, 32(sp)\n\tlw a5, 36(sp)\n\tlw a6, 40(sp)\n\tlw a7, 44(sp)\n\t"
        "lw t3, 48(sp)\n\tlw t4, 52(sp)\n\tlw t5, 56(sp)\n\tlw t6, 60(sp)\n\tcsrr sp, mscratch\n\tmret");
}

static void jump(uint32_t address, uint32_t unprivileged)
{
    uint32_t back;
    __asm__ volatile(
        "la %0, 1f\n\tsw %0, 0(%1)\n\tli %0, 1\n\tsw %0, 0(%2)\n\t"
        "csrw mepc, %3\n\tli %0, 0x1800\n\tcsrc mstatus, %0\n\tcsrs mstatus, %4\n\tmret\n\t1:"
        : "=&r"(back)
        : "r"(&resume), "r"(&running), "r"(address), "r"(unprivileged ? 0u : MPP)
        : "memory");
}

static uint32_t read_as_user(uint32_t address, uint32_t value)
{
    __asm__ volatile(
        "csrc mstatus, %2\n\tcsrs mstatus, %3\n\tlw %0, 0(%1)\n\tcsrc mstatus, %3"
        : "+r"(value) : "r"(address), "r"(MPP), "r"(MPRV) : "memory");
    return value;
}

static void write_as_user(uint32_t address, uint32_t value)
{
    __asm__ volatile(
        "csrc mstatus, %2\n\tcsrs mstatus, %3\n\tsw %0, 0(%1)\n\tcsrc mstatus, %3"
        : : "r"(value), "r"(address), "r"(MPP), "r"(MPRV) : "memory");
}

__attribute__((used)) void run(void)
{
    __asm__ volatile("csrw mtvec, %0" : : "r"(trap));
    for (uint32_t i = 0; i < PROBES; i++)
        REG(probes[i].address) = ECALL;
    __asm__ volatile("fence.i" : : : "memory");
    lockdown_start_csr();
    for (uint32_t i = 0; i < PROBES; i++) {
        uint32_t address = probes[i].address, value = ECALL, user = probes[i].unprivileged;
        faulted = 0;
        if (probes[i].kind == 'x')
            jump(address, user);
        else if (probes[i].kind == 'r' && user)
            value = read_as_user(address, value);
        else if (probes[i].kind == 'r')
            __asm__ volatile(".option push\n\t.option norvc\n\tlw %0, 0(%1)\n\t.option pop" : "+r"(value) : "r"(address));
        else if (user)
            write_as_user(address, value);
        else
            __asm__ volatile(".option push\n\t.option norvc\n\tsw %0, 0(%1)\n\t.option pop" : : "r"(value), "r"(address));
        __asm__ volatile("fence" : : : "memory");
        *(volatile uint8_t *)0x10000000u = faulted ? 'f' : value == ECALL ? 'p' : '?';
    }
    *(volatile uint8_t *)0x10000000u = '\n';
    REG(0x00100000u) = 0x5555; /* the machine's own power switch */
    for (;;)
        ;
}

__attribute__((naked, section(".vectors"), used)) void start(void)
{
    __asm__ volatile("la sp, stack_top\n\tj run");
}
