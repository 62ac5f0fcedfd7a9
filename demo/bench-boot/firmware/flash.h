/* The three flash functions. Weak and never inlined, so that a test bench can take their place by name.
 * Each returns 0, or 1 where the part reports an error; flash_read also where a word cannot be read. */
#ifndef FLASH_H
#define FLASH_H
#include <stdint.h>

uint32_t flash_erase(uint32_t address);                                /* one sector */
uint32_t flash_program(uint32_t address, const uint32_t *unit);        /* UNIT_SIZE bytes, aligned */
uint32_t flash_read(uint32_t address, uint32_t *to, uint32_t size);    /* bytes, a multiple of 4 */

#endif
