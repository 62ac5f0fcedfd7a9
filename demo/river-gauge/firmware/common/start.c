/* Vector table and reset code, the same for every image of the gauge. */
#include <stdint.h>
#include "part.h"

extern uint32_t initial_stack[], data_load[], data_start[], data_end[], bss_start[], bss_end[];
int main(void);

void reset(void)
{
    uint32_t *from = data_load;
    for (uint32_t *to = data_start; to < data_end;)
        *to++ = *from++;
    for (uint32_t *to = bss_start; to < bss_end;)
        *to++ = 0;
    main();
    for (;;) {
    }
}

/* Any unexpected exception or interrupt: ask for a reset; the watchdog ends it should that fail. */
void unexpected(void)
{
    RESET_CONTROL = RESET_REQUEST;
    for (;;) {
    }
}

volatile uint32_t tick_count;

void tick(void)
{
    tick_count++;
}

typedef void (*vector)(void);
#define FOUR(handler) handler, handler, handler, handler
#define THIRTY_TWO(handler) FOUR(handler), FOUR(handler), FOUR(handler), FOUR(handler), FOUR(handler), \
    FOUR(handler), FOUR(handler), FOUR(handler)

/* Armv7-M: initial stack, reset, NMI, three to six faults, reserved, SVCall, debug, reserved, PendSV, SysTick. */
__attribute__((section(".vectors"), used)) const vector vector_table[16 + 64] = {
    (vector)initial_stack, reset, unexpected, unexpected, unexpected, unexpected, unexpected, 0,
    0, 0, 0, unexpected, unexpected, 0, unexpected, tick,
    THIRTY_TWO(unexpected), THIRTY_TWO(unexpected),
};
