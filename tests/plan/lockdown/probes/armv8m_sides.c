/* Tries accesses from the non-secure side, Armv8-M, and prints one letter for each: p passed, f faulted.
 * The memories of this machine have gates of their own, which are opened for one memory first: the attribution unit
 * alone labels accesses and opens nothing. */
#include "lockdown_table.h"
#include "probe_table.h"

#define REG(address) (*(volatile uint32_t *)(address))
#define SHCSR REG(0xE000ED24u)
#define CFSR REG(0xE000ED28u)
#define SFSR REG(0xE000EDE4u)
#define GATE 0x58008000u /* of the memory at 0x28000000: bit 8 of its control counts up, then 32 blocks at a write */
#define GATE_BEHIND 0x58009000u /* of the memory at 0x28200000, where this program keeps its own RAM */
#define BEHIND 0x28300000u       /* what is probed there, if anything; the same word on the secure side is 0x38300000 */
#define RETURN_TWICE 0x47704770u /* two "bx lr" */
#define CODE_NS 0x28000000u
#define STACK_NS 0x28001000u

extern uint32_t stack_top;
static volatile uint32_t faulted;

static void semihosting(uint32_t call, const void *argument)
{
    register uint32_t r0 __asm__("r0") = call;
    register const void *r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
}

/* The frame of a fault on the non-secure side lies on its stack. A jump that faulted returns; an access is passed over. */
__attribute__((used)) void on_fault(uint32_t exc_return, uint32_t *secure_frame)
{
    uint32_t *frame = secure_frame;
    if (!(exc_return & 0x40u))
        __asm__ volatile("mrs %0, msp_ns" : "=r"(frame));
    faulted = 1;
    CFSR = CFSR;
    SFSR = SFSR;
    frame[6] = (frame[6] & ~3u) == (frame[0] & ~3u) ? frame[5] & ~1u : frame[6] + 4;
}

__attribute__((naked)) void fault(void) { __asm__ volatile("mov r0, lr\n\tmrs r1, msp\n\tb on_fault"); }

static void apply(const struct lockdown_list *list)
{
    for (size_t i = 0; i < list->count; i++) {
        REG(list->writes[i].address) = list->writes[i].value;
        __asm__ volatile("dsb\n\tisb" : : : "memory");
    }
}

/* Calls the stub at `offset` of the non-secure code with an address; what is not its result is cleared by the caller. */
static uint32_t call(uint32_t offset, uint32_t address, uint32_t value)
{
    register uint32_t r0 __asm__("r0") = address;
    register uint32_t r1 __asm__("r1") = value;
    register uint32_t target __asm__("r2") = CODE_NS + offset;
    __asm__ volatile("push {r4-r11}\n\tblxns %2\n\tpop {r4-r11}"
                     : "+r"(r0), "+r"(r1), "+r"(target) : : "r3", "r12", "lr", "memory", "cc");
    return r1;
}

__attribute__((used)) void start(void)
{
    static char answers[PROBES + 2];
    SHCSR |= 1u << 16 | 1u << 17 | 1u << 18 | 1u << 19;
    uint32_t blocks = REG(GATE + 0x10u);
    REG(GATE) |= 1u << 8;
    REG(GATE + 0x18u) = 0;
    for (uint32_t i = 0; i <= blocks; i++)
        REG(GATE + 0x1Cu) = 0xFFFFFFFFu;
#ifdef OPEN_BEHIND
    uint32_t size = 1u << ((REG(GATE_BEHIND + 0x14u) & 15u) + 5u), block = (BEHIND - 0x28200000u) / size;
    REG(GATE_BEHIND + 0x18u) = block / 32u;
    REG(GATE_BEHIND + 0x1Cu) |= 1u << (block % 32u);
#else
    REG(BEHIND + 0x10000000u) = RETURN_TWICE;
#endif
    apply(&lockdown_start);
#ifdef OPEN_BEHIND
    REG(BEHIND) = RETURN_TWICE;
#endif
    volatile uint16_t *code = (volatile uint16_t *)CODE_NS;
    code[0] = 0xF8D0, code[1] = 0x1000, code[2] = 0x4770;                     /* 0: ldr.w r1, [r0]; bx lr */
    code[8] = 0xF8C0, code[9] = 0x1000, code[10] = 0x4770;                    /* 16: str.w r1, [r0]; bx lr */
    code[16] = 0xB500, code[17] = 0x1C43, code[18] = 0x4798, code[19] = 0xBD00; /* 32: push lr; adds r3,r0,#1; blx r3; pop pc */
    for (uint32_t i = 0; i < PROBES; i++)
        if (probes[i].passes && probes[i].address < 0x28200000u)
            REG(probes[i].address) = RETURN_TWICE;
    __asm__ volatile("msr msp_ns, %0" : : "r"(STACK_NS));
    for (uint32_t i = 0; i < PROBES; i++) {
        uint32_t offset = probes[i].kind == 'r' ? 0 : probes[i].kind == 'w' ? 16 : 32;
        faulted = 0;
        uint32_t value = call(offset, probes[i].address, RETURN_TWICE);
        __asm__ volatile("dsb\n\tisb" : : : "memory");
        answers[i] = faulted ? 'f' : probes[i].kind != 'r' || value == RETURN_TWICE ? 'p' : '?';
    }
    answers[PROBES] = '\n';
    semihosting(4, answers);
    semihosting(0x18, (const void *)0x20026);
    for (;;)
        ;
}

typedef void (*Vector)(void);
__attribute__((section(".vectors"), used)) const Vector vectors[] = {
    (Vector)&stack_top, start, fault, fault, fault, fault, fault, fault, 0, 0, 0, fault, fault, 0, fault, fault,
};
