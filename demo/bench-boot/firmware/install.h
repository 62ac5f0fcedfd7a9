/* Getting a staged image into the run slot. Linked with copy_over.c or exchange.c. */
#ifndef INSTALL_H
#define INSTALL_H
#include <stdint.h>
#include "boot.h"
#include "image.h"

void install(void);                    /* finish or begin an installation; may start an image on trial */
void boot_run_slot(uint32_t on_trial); /* returns where the run slot holds nothing that may run */
void move_sector(uint32_t from, uint32_t to);
verdict is_acceptable(uint32_t slot, struct approved *approved);

#endif
