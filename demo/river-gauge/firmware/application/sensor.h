#ifndef SENSOR_H
#define SENSOR_H
#include <stdint.h>

int32_t sensor_depth_mm(uint32_t pressure_count, int32_t centidegree);

#endif
