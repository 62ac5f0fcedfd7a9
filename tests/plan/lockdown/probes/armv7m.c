/* Tries accesses under a protection unit, Armv7-M, and prints one letter for each: p passed, f faulted. */
#include "lockdown_table.h"
#include "probe_table.h"

#define REG(address) (*(volatile uint32_t *)(address))
#define SHCSR REG(0xE000ED24u)
#define CFSR REG(0xE000ED28u)
#define SVC_TWICE 0xDF00DF00u /* two "svc #0": what runs where a probe jumps to */

extern uint32_t stack_top;
static volatile uint32_t faulted, running, resume;

static void semihosting(uint32_t call, const void *argument)
{
    register uint32_t r0 __asm__("r0") = call;
    register const void *r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
}

static void privileged(void) { __asm__ volatile("msr control, %0\n\tisb" : : "r"(0)); }

/* A data access of four bytes is retried nowhere: the frame is moved behind it. A jump comes back to `resume`. */
__attribute__((used)) void on_fault(uint32_t *frame)
{
    faulted = 1;
    CFSR = CFSR;
    if (running) {
        frame[6] = resume;
        running = 0;
        privileged();
    } else {
        frame[6] += 4;
    }
}

__attribute__((used)) void on_svc(uint32_t *frame)
{
    if (running) {
        running = 0;
        frame[6] = resume;
        privileged();
        return;
    }
    running = 1;
    resume = frame[6];
    frame[6] = frame[0] & ~1u;
    __asm__ volatile("msr control, %0\n\tisb" : : "r"(frame[1]));
}

__attribute__((naked)) void fault(void) { __asm__ volatile("mrs r0, msp\n\tb on_fault"); }
__attribute__((naked)) void svc(void) { __asm__ volatile("mrs r0, msp\n\tb on_svc"); }

static void jump(uint32_t address, uint32_t unprivileged)
{
    register uint32_t r0 __asm__("r0") = address;
    register uint32_t r1 __asm__("r1") = unprivileged;
    __asm__ volatile("svc #1" : "+r"(r0), "+r"(r1) : : "r2", "r3", "r12", "lr", "memory");
}

static void apply(const struct lockdown_list *list)
{
    for (size_t i = 0; i < list->count; i++) {
        const struct lockdown_write *w = &list->writes[i];
        REG(w->address) = w->mask == 0xFFFFFFFFu ? w->value : (REG(w->address) & ~w->mask) | (w->value & w->mask);
        __asm__ volatile("dsb\n\tisb" : : : "memory");
    }
}

__attribute__((used)) void start(void)
{
    static char answers[PROBES + 2];
    SHCSR |= 1u << 16 | 1u << 17 | 1u << 18;
    for (uint32_t i = 0; i < PROBES; i++)
        REG(probes[i].address & ~3u) = SVC_TWICE;
    apply(&lockdown_start);
    for (uint32_t i = 0; i < PROBES; i++) {
        uint32_t address = probes[i].address, value = SVC_TWICE, user = probes[i].unprivileged;
        faulted = 0;
        /* The emulator keeps one answer for a page of 1 KiB, also where a switched-off subregion divides it; writing
         * the control register again makes it forget. A core has no such page. */
        REG(0xE000ED94u) = REG(0xE000ED94u);
        __asm__ volatile("dsb\n\tisb" : : : "memory");
        if (probes[i].kind == 'x')
            jump(address, user);
        else if (probes[i].kind == 'r' && user)
            __asm__ volatile("ldrt %0, [%1]" : "+r"(value) : "r"(address) : "memory");
        else if (probes[i].kind == 'r')
            __asm__ volatile("ldr.w %0, [%1]" : "+r"(value) : "r"(address) : "memory");
        else if (user)
            __asm__ volatile("strt %0, [%1]" : : "r"(value), "r"(address) : "memory");
        else
            __asm__ volatile("str.w %0, [%1]" : : "r"(value), "r"(address) : "memory");
        __asm__ volatile("dsb\n\tisb" : : : "memory");
        answers[i] = faulted ? 'f' : value == SVC_TWICE ? 'p' : '?';
    }
    answers[PROBES] = '\n';
    semihosting(4, answers);
    semihosting(0x18, (const void *)0x20026);
    for (;;)
        ;
}

typedef void (*Vector)(void);
__attribute__((section(".vectors"), used)) const Vector vectors[] = {
    (Vector)&stack_top, start, fault, fault, fault, fault, fault, fault, 0, 0, 0, svc, fault, 0, fault, fault,
};
