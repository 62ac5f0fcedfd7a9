/* Water depth over the sensor from its pressure count, corrected by a grid over pressure and temperature. */
#include "sensor.h"
#include "tables.h"

#define COUNTS_PER_CELL   (1u << 18) /* 24-bit count over 64 cells */
#define CENTI_PER_CELL    100        /* -10 to 54 degrees Celsius over 64 cells */
#define COLDEST           (-1000)
#define FULL_SCALE_MM     10240      /* at count 2^24 */

static int32_t along(int32_t from, int32_t to, uint32_t part)
{
    return from + (int32_t)((int64_t)(to - from) * part / COUNTS_PER_CELL);
}

int32_t sensor_depth_mm(uint32_t pressure_count, int32_t centidegree)
{
    if (pressure_count > 0xFFFFFF)
        pressure_count = 0xFFFFFF;
    int32_t warm = centidegree - COLDEST;
    if (warm < 0)
        warm = 0;
    if (warm >= CENTI_PER_CELL * (SENSOR_GRID - 1))
        warm = CENTI_PER_CELL * (SENSOR_GRID - 1) - 1;
    unsigned p = pressure_count / COUNTS_PER_CELL, t = (unsigned)warm / CENTI_PER_CELL;
    uint32_t part = pressure_count % COUNTS_PER_CELL, rest = (unsigned)warm % CENTI_PER_CELL;
    int32_t cold = along(sensor_correction[t][p], sensor_correction[t][p + 1], part);
    int32_t hot = along(sensor_correction[t + 1][p], sensor_correction[t + 1][p + 1], part);
    int32_t correction = cold + (hot - cold) * (int32_t)rest / CENTI_PER_CELL;
    int32_t tenths = (int32_t)((uint64_t)pressure_count * FULL_SCALE_MM * 10 >> 24) + correction;
    return (tenths + (tenths < 0 ? -5 : 5)) / 10;
}
