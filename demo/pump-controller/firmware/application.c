/* PC-2 application: keeps a sump between two levels. Small, but with data, tables and state like a real one. */
#include <stdint.h>

#ifndef VERSION
#define VERSION "1.2.0"
#endif

__attribute__((used, section(".version"))) const char application_version[] = "PC-2 application " VERSION;

struct settings {
    uint16_t low, high;
    uint32_t runs;
};

extern const struct settings pump_settings_start;

static struct settings now = {120, 480, 0};
static const uint16_t curve[16] = {0, 6, 15, 27, 42, 60, 81, 105, 132, 162, 195, 231, 270, 312, 357, 405};

#define SENSOR (*(volatile uint32_t *)0x40006000u)
#define PUMP (*(volatile uint32_t *)0x40006004u)

static uint32_t level(void)
{
    uint32_t raw = SENSOR & 0xFFu;
    uint32_t low = curve[raw >> 4], high = curve[(raw >> 4) < 15 ? (raw >> 4) + 1 : 15];
    return low + ((high - low) * (raw & 15u) >> 4);
}

void run(void)
{
    if (pump_settings_start.low < pump_settings_start.high)
        now = pump_settings_start;
    for (;;) {
        uint32_t here = level();
        if (here > now.high && !PUMP) {
            PUMP = 1;
            now.runs++;
        } else if (here < now.low) {
            PUMP = 0;
        }
    }
}
