/* Flash operations of the part. Weak, so that a test bench can take their place by name. */
#ifndef FLASH_H
#define FLASH_H
#include <stdbool.h>
#include <stdint.h>

bool flash_erase_sector(uint32_t address);
bool flash_program_unit(uint32_t address, const uint32_t unit[2]);

#endif
