#ifndef SCHEDULE_H
#define SCHEDULE_H
#include <stdint.h>
#include "level.h"

uint32_t schedule_interval_s(enum level_alarm alarm, unsigned battery_percent, uint32_t minutes_of_daylight);
uint32_t schedule_next(uint32_t now_s, uint32_t interval_s);

#endif
