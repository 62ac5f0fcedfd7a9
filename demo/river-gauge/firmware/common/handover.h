/* What the boot stage leaves in RAM for the image it starts. */
#ifndef HANDOVER_H
#define HANDOVER_H
#include <stdint.h>
#include "layout.h"

#define HANDOVER_MARK 0x4F444E48u

struct handover {
    uint32_t mark;
    uint32_t application_record; /* flash address of the record that was followed; 0 from recovery */
    uint32_t radio_record;
    uint32_t radio_address;
    uint32_t reason; /* enum boot_reason */
};

enum boot_reason { BOOT_KEPT = 1, BOOT_ON_TRIAL = 2, BOOT_RETURNED = 3, BOOT_NO_IMAGE = 4, BOOT_ASKED = 5 };

#define HANDOVER_AREA ((volatile struct handover *)HANDOVER)

#endif
