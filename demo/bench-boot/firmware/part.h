/* Two invented parts with the same memory plan: the GX-512 (Armv7-M) and the GX-512V (RV32). */
#ifndef PART_H
#define PART_H
#include <stdint.h>

#define REG32(address) (*(volatile uint32_t *)(uintptr_t)(address))

#if defined(__riscv)
#define FLASH_BASE  0x80000000u
#define RAM_BASE    0x80100000u
#define PERIPHERALS 0x80200000u
#else
#define FLASH_BASE  0x00000000u
#define RAM_BASE    0x20000000u
#define PERIPHERALS 0x40010000u
#endif

#define RAM_SIZE    0x8000u
#define SECTOR_SIZE 0x1000u
#define UNIT_SIZE   8u /* bytes that one program operation writes */

/* Blocks of flash. Each log has two sectors, so that one can be erased while the other holds the newest record. */
#define BOOT_SIZE     0x4000u
#define JOURNAL       (FLASH_BASE + 0x4000u)
#define REQUESTS      (FLASH_BASE + 0x6000u)
#define FLOOR         (FLASH_BASE + 0x8000u)
#define LIFT          (FLASH_BASE + 0xA000u)
#define RECOVERY      (FLASH_BASE + 0xB000u)
#define RECOVERY_SIZE 0x1000u
#define RUN           (FLASH_BASE + 0xC000u)
#define STAGE         (FLASH_BASE + 0xE000u)
#define SLOT_SIZE     0x2000u
#define SLOT_SECTORS  (SLOT_SIZE / SECTOR_SIZE)

/* Debug lock: writing DEBUG_LOCK_WORD closes the port until reset. */
#define DEBUG_LOCK      REG32(PERIPHERALS + 0x000u)
#define DEBUG_LOCK_WORD 0x10CC0DEBu

/* Signature unit: P-256 key, digest and signature in, one word out. */
#define SIGN_DATA(n) REG32(PERIPHERALS + 0x100u + 4u * (n)) /* 16 words key, 8 digest, 16 signature, in byte order */
#define SIGN_START   REG32(PERIPHERALS + 0x1A0u)
#define SIGN_BUSY    REG32(PERIPHERALS + 0x1A4u)
#define SIGN_RESULT  REG32(PERIPHERALS + 0x1A8u)
#define SIGN_GOOD    0x600D516Eu

/* Flash controller. Both unlock words just before a command; then no fetch from flash until BUSY is clear. */
#define FLASH_UNLOCK   REG32(PERIPHERALS + 0x200u)
#define FLASH_COMMAND  REG32(PERIPHERALS + 0x204u)
#define FLASH_ADDRESS  REG32(PERIPHERALS + 0x208u)
#define FLASH_STATUS   REG32(PERIPHERALS + 0x20Cu)
#define FLASH_LINE(n)  REG32(PERIPHERALS + 0x210u + 4u * (n)) /* two words: one program unit */
#define FLASH_UNLOCK_1 0x6B1D03A5u
#define FLASH_UNLOCK_2 0x94E2FC5Au
#define FLASH_ERASE    1u
#define FLASH_PROGRAM  2u
#define FLASH_BUSY     1u
#define FLASH_FAILED   2u

#define RESET_CONTROL REG32(PERIPHERALS + 0x300u)
#define RESET_WORD    0x5E5E7001u

#endif
