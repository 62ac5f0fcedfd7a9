#ifndef TELEMETRY_H
#define TELEMETRY_H
#include <stdint.h>
#include "ringlog.h"

#define TELEMETRY_MOST 48

unsigned telemetry_pack(const struct ringlog *log, uint8_t out[TELEMETRY_MOST], uint8_t flags);

#endif
