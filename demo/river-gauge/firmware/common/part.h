/* The GX-512: an invented Armv7-M part with 512 KiB of flash at 0 and 96 KiB of RAM. Registers of this demo only. */
#ifndef PART_H
#define PART_H
#include <stdint.h>

#define REG32(address) (*(volatile uint32_t *)(address))

/* Flash controller. A command needs both unlock words just before it; BUSY holds until it is done. */
#define FLASH_UNLOCK   REG32(0x40020000u)
#define FLASH_COMMAND  REG32(0x40020004u)
#define FLASH_ADDRESS  REG32(0x40020008u)
#define FLASH_STATUS   REG32(0x4002000Cu)
#define FLASH_LINE(n)  REG32(0x40020010u + 4u * (n)) /* two words, one program unit */
#define FLASH_UNLOCK_1 0x6B1D03A5u
#define FLASH_UNLOCK_2 0x94E2FC5Au
#define FLASH_ERASE    1u
#define FLASH_PROGRAM  2u
#define FLASH_BUSY     1u
#define FLASH_FAILED   2u

#define WATCHDOG_FEED  REG32(0x40001000u)
#define WATCHDOG_WORD  0x0000A1DEu
#define CLOCK_SECONDS  REG32(0x40001010u)
#define CLOCK_WAKE_AT  REG32(0x40001014u)
#define RESET_CAUSE    REG32(0x40001020u)

#define SERIAL_STATUS  REG32(0x40004000u) /* bit 0: a byte waits; bit 1: room to send */
#define SERIAL_DATA    REG32(0x40004004u)

#define SENSOR_PRESSURE    REG32(0x40005000u) /* 24-bit count */
#define SENSOR_TEMPERATURE REG32(0x40005004u) /* signed, hundredths of a degree Celsius */
#define SENSOR_BATTERY     REG32(0x40005008u) /* millivolt */
#define SENSOR_SOLAR       REG32(0x4000500Cu) /* milliwatt */

#define SENSOR_CONDUCTIVITY REG32(0x40005010u) /* quarters of a millisiemens per centimetre */

#define MODEM_STATUS   REG32(0x40006000u) /* bit 0: ready for a phase; bit 1: a byte waits */
#define MODEM_PHASE    REG32(0x40006004u)
#define MODEM_CHANNEL  REG32(0x40006008u)
#define MODEM_BYTE     REG32(0x4000600Cu)

#define DISPLAY_CURSOR REG32(0x40007000u)
#define DISPLAY_ROW    REG32(0x40007004u)

#define VECTOR_OFFSET  REG32(0xE000ED08u) /* Armv7-M VTOR */
#define RESET_CONTROL  REG32(0xE000ED0Cu) /* Armv7-M AIRCR */
#define RESET_REQUEST  0x05FA0004u
#define CONFIGURATION  REG32(0xE000ED14u) /* Armv7-M CCR */
#define CONFIGURATION_IGNORE_BUS 0x100u   /* BFHFNMIGN */
#define FAULT_STATUS   REG32(0xE000ED28u) /* Armv7-M CFSR */
#define FAULT_STATUS_BUS 0xFF00u

#endif
