/* The calibration area: written once at the works, never touched by an update. */
#ifndef CALIBRATION_H
#define CALIBRATION_H
#include <stdbool.h>
#include <stdint.h>

#define CALIBRATION_MARK   0x314C4143u /* "CAL1" */
#define CALIBRATION_POINTS 240

struct calibration {
    uint32_t mark;
    uint16_t version;
    uint16_t points;
    int32_t offset_mm;
    uint32_t gain_q16;
    uint32_t section; /* which rating table the site uses */
    uint32_t latitude;
    int32_t high_mm, flood_mm;
    struct {
        int32_t raw_mm, true_mm;
    } point[CALIBRATION_POINTS];
    uint8_t serial[16];
    uint8_t spare[76];
    uint16_t zero;
    uint16_t check; /* CRC-16 of all before */
};

_Static_assert(sizeof(struct calibration) == 2048, "the keep-area's size");

bool calibration_is_sound(const struct calibration *calibration);
int32_t calibration_apply(const struct calibration *calibration, int32_t raw_mm);

#endif
