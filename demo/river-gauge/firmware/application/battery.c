/* Battery charge from voltage and temperature, and the days it lasts with what the sun gives. */
#include "battery.h"
#include "tables.h"

#define CAPACITY_MWH  68000u /* two lithium cells */
#define READING_UWH   210u   /* one reading with its message, microwatt hours */
#define IDLE_UWH_HOUR 95u

unsigned battery_percent(uint32_t millivolt, int32_t centidegree)
{
    int32_t row = (centidegree + 4000 + 200) / 400;
    if (row < 0)
        row = 0;
    if (row >= BATTERY_TEMPERATURES)
        row = BATTERY_TEMPERATURES - 1;
    const uint16_t *curve = battery_millivolt[row];
    unsigned low = 0, high = 100;
    while (low < high) {
        unsigned middle = (low + high + 1) / 2;
        if (curve[middle] <= millivolt)
            low = middle;
        else
            high = middle - 1;
    }
    return low;
}

uint32_t battery_days_left(unsigned percent, uint32_t interval_s, unsigned day_of_year, unsigned latitude,
                           uint32_t solar_milliwatt)
{
    if (interval_s < 10)
        interval_s = 10;
    if (latitude < 30)
        latitude = 30;
    if (latitude > 60)
        latitude = 60;
    if (solar_milliwatt > 2900)
        solar_milliwatt = 2900;
    uint32_t left_uwh = CAPACITY_MWH * 10u * percent;
    uint32_t use_uwh = 86400u / interval_s * READING_UWH + 24u * IDLE_UWH_HOUR;
    uint32_t light = daylight_minutes[latitude - 30][day_of_year % 366];
    uint32_t sun_uwh = solar_milliwatt * light * 1000u / 60u / 4u; /* a quarter of it reaches the cells */
    if (sun_uwh >= use_uwh)
        return 9999;
    uint32_t days = left_uwh / (use_uwh - sun_uwh);
    return days > 9999 ? 9999 : days;
}
