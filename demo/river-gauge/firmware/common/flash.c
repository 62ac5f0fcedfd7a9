#include "flash.h"
#include "part.h"

static bool finish(uint32_t command)
{
    FLASH_UNLOCK = FLASH_UNLOCK_1;
    FLASH_UNLOCK = FLASH_UNLOCK_2;
    FLASH_COMMAND = command;
    while (FLASH_STATUS & FLASH_BUSY)
        WATCHDOG_FEED = WATCHDOG_WORD;
    return !(FLASH_STATUS & FLASH_FAILED);
}

__attribute__((weak, noinline)) bool flash_erase_sector(uint32_t address)
{
    FLASH_ADDRESS = address;
    return finish(FLASH_ERASE);
}

__attribute__((weak, noinline)) bool flash_program_unit(uint32_t address, const uint32_t unit[2])
{
    FLASH_ADDRESS = address;
    for (unsigned i = 0; i < 2; i++)
        FLASH_LINE(i) = unit[i];
    return finish(FLASH_PROGRAM);
}
