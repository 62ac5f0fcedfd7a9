#include "calibration.h"
#include "crc.h"

bool calibration_is_sound(const struct calibration *calibration)
{
    return calibration->mark == CALIBRATION_MARK && calibration->points >= 2
        && calibration->points <= CALIBRATION_POINTS
        && calibration->check == crc16(0xFFFF, (const uint8_t *)calibration, sizeof *calibration - 2);
}

/* Offset and gain first, then straight lines between the points of the works' tank test. */
int32_t calibration_apply(const struct calibration *calibration, int32_t raw_mm)
{
    int32_t mm = (int32_t)((int64_t)raw_mm * calibration->gain_q16 >> 16) + calibration->offset_mm;
    unsigned low = 0, high = calibration->points - 1u;
    while (high - low > 1) {
        unsigned middle = (low + high) / 2;
        if (calibration->point[middle].raw_mm <= mm)
            low = middle;
        else
            high = middle;
    }
    int32_t run = calibration->point[high].raw_mm - calibration->point[low].raw_mm;
    int32_t rise = calibration->point[high].true_mm - calibration->point[low].true_mm;
    if (run <= 0)
        return mm;
    return calibration->point[low].true_mm + (mm - calibration->point[low].raw_mm) * rise / run;
}
