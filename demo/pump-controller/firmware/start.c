/* Vector table and start of both images. */
#include <stdint.h>

extern uint32_t initial_stack[];
extern uint32_t data_start[], data_end[], bss_start[], bss_end[];
extern const uint32_t data_load[];
extern void run(void);

void reset(void)
{
    const uint32_t *from = data_load;
    for (uint32_t *to = data_start; to < data_end; to++)
        *(volatile uint32_t *)to = *from++;
    for (uint32_t *to = bss_start; to < bss_end; to++)
        *(volatile uint32_t *)to = 0;
    run();
    for (;;)
        ;
}

static void stop(void)
{
    for (;;)
        ;
}

__attribute__((section(".vectors"), used)) const void *const vector_table[16] = {
    initial_stack, reset, stop, stop, 0, 0, 0, 0, 0, 0, 0, stop, 0, 0, stop, stop,
};
