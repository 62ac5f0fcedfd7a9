/* Flash functions that drive the part's flash controller. While it works, flash cannot be fetched from: the command
 * runs from RAM, where reset code has copied it. flash_read is in flash_guard_*.c. */
#include "flash.h"
#include "part.h"

#define IN_RAM __attribute__((section(".ramcode"), noinline, used))

IN_RAM uint32_t flash_command(uint32_t command)
{
    FLASH_UNLOCK = FLASH_UNLOCK_1;
    FLASH_UNLOCK = FLASH_UNLOCK_2;
    FLASH_COMMAND = command;
    while (FLASH_STATUS & FLASH_BUSY) {
    }
    return (FLASH_STATUS & FLASH_FAILED) != 0;
}

__attribute__((noinline)) uint32_t flash_erase(uint32_t address)
{
    FLASH_ADDRESS = address;
    return flash_command(FLASH_ERASE);
}

__attribute__((noinline)) uint32_t flash_program(uint32_t address, const uint32_t *unit)
{
    FLASH_ADDRESS = address;
    for (uint32_t i = 0; i < UNIT_SIZE / 4; i++)
        FLASH_LINE(i) = unit[i];
    return flash_command(FLASH_PROGRAM);
}

#ifdef FLAW_READS_UNGUARDED
/* flaw: plain loads; where a torn word faults, one power cut makes every start from then on end in a reset */
__attribute__((noinline)) uint32_t flash_read(uint32_t address, uint32_t *to, uint32_t size)
{
    for (uint32_t i = 0; i < size / 4; i++)
        to[i] = REG32(address + 4 * i);
    return 0;
}
#endif
