#ifndef RATING_H
#define RATING_H
#include <stdint.h>

uint32_t rating_discharge(unsigned section, int32_t stage_mm);
int32_t rating_stage(unsigned section, uint32_t discharge);

#endif
