/* Discharge from stage by the section's rating table, straight lines between the points. */
#include "rating.h"
#include "tables.h"

uint32_t rating_discharge(unsigned section, int32_t stage_mm)
{
    if (section >= RATING_SECTIONS || stage_mm <= 0)
        return 0;
    uint32_t point = (uint32_t)stage_mm / RATING_STEP_MM, rest = (uint32_t)stage_mm % RATING_STEP_MM;
    if (point >= RATING_POINTS - 1)
        return rating_table[section][RATING_POINTS - 1];
    uint32_t low = rating_table[section][point], high = rating_table[section][point + 1];
    return low + (high - low) * rest / RATING_STEP_MM;
}

/* The stage at which the section carries a discharge: the table read backwards by halving. */
int32_t rating_stage(unsigned section, uint32_t discharge)
{
    if (section >= RATING_SECTIONS)
        return 0;
    unsigned low = 0, high = RATING_POINTS - 1;
    while (low < high) {
        unsigned middle = (low + high) / 2;
        if (rating_table[section][middle] < discharge)
            low = middle + 1;
        else
            high = middle;
    }
    return (int32_t)(low * RATING_STEP_MM);
}
