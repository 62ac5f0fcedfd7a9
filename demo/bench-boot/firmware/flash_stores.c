/* Flash functions for a memory that takes plain stores, as an emulator's RAM does. A bench usually hooks them. */
#include "flash.h"
#include "part.h"

__attribute__((weak, noinline)) uint32_t flash_erase(uint32_t address)
{
    for (uint32_t at = 0; at < SECTOR_SIZE; at += 4)
        REG32(address + at) = 0xFFFFFFFFu;
    return 0;
}

__attribute__((weak, noinline)) uint32_t flash_program(uint32_t address, const uint32_t *unit)
{
    for (uint32_t i = 0; i < UNIT_SIZE / 4; i++)
        REG32(address + 4 * i) &= unit[i];
    return 0;
}

__attribute__((weak, noinline)) uint32_t flash_read(uint32_t address, uint32_t *to, uint32_t size)
{
    for (uint32_t i = 0; i < size / 4; i++)
        to[i] = REG32(address + 4 * i);
    return 0;
}
