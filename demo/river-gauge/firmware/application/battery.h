#ifndef BATTERY_H
#define BATTERY_H
#include <stdint.h>

unsigned battery_percent(uint32_t millivolt, int32_t centidegree);
uint32_t battery_days_left(unsigned percent, uint32_t interval_s, unsigned day_of_year, unsigned latitude,
                           uint32_t solar_milliwatt);

#endif
