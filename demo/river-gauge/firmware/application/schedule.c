/* When to measure next: often in a flood, seldom when calm, thriftier when the battery is low. */
#include "schedule.h"

uint32_t schedule_interval_s(enum level_alarm alarm, unsigned battery_percent, uint32_t minutes_of_daylight)
{
    static const uint16_t INTERVAL[] = {900, 300, 120, 60};
    uint32_t interval = INTERVAL[alarm];
    if (alarm < LEVEL_HIGH && battery_percent < 30)
        interval *= 2;
    if (alarm == LEVEL_CALM && battery_percent < 15)
        interval *= minutes_of_daylight < 600 ? 3 : 2;
    return interval;
}

/* Readings fall on whole multiples of the interval, so that gauges on one river can be compared. */
uint32_t schedule_next(uint32_t now_s, uint32_t interval_s)
{
    return now_s - now_s % interval_s + interval_s;
}
