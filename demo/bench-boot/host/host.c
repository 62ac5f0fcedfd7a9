/* The boot stage's logic on a computer: flash in memory that loses power at a chosen operation.
 *
 * Written apart from the bench, so that the two can disagree. A cut program leaves a unit old, new or undecodable; a cut
 * erase leaves the sector old, blank, all programmed, undecodable or mixed, and weak in any case; only a whole erase takes
 * weakness away. Programming a unit that is not blank leaves it undecodable. */
#include <setjmp.h>
#include <stdint.h>
#include <string.h>
#include "boot.h"
#include "flash.h"
#include "image.h"
#include "part.h"

#define FLASH_SIZE 0x10000u
#define UNITS      (FLASH_SIZE / UNIT_SIZE)
#define SECTORS    (FLASH_SIZE / SECTOR_SIZE)

enum { UNIT_BLANK, UNIT_PROGRAMMED, UNIT_TORN };
enum { STARTED = 1, CUT, PANIC, RUNAWAY, OUTSIDE };
enum { LEAVE_OLD, LEAVE_NEW, LEAVE_TORN, LEAVE_PROGRAMMED, LEAVE_MIX };

struct device {
    uint8_t memory[FLASH_SIZE];
    uint8_t unit[UNITS];
    uint8_t weak[SECTORS];
};

struct device device;
uint32_t operations, cut_at, cut_leaves, started_at, debug_locked, seed;
int32_t (*authentic)(const uint8_t *digest, const uint8_t *signature);

static jmp_buf out;

static uint32_t mix(void)
{
    seed = seed * 1664525u + 1013904223u;
    return seed >> 16;
}

static void count(void)
{
    if (++operations > 20000)
        longjmp(out, RUNAWAY);
}

static void set(uint32_t unit, uint32_t state, int byte)
{
    device.unit[unit] = (uint8_t)state;
    if (byte >= 0)
        memset(device.memory + unit * UNIT_SIZE, byte, UNIT_SIZE);
}

uint32_t flash_erase(uint32_t address)
{
    if (address % SECTOR_SIZE || address < JOURNAL || address >= FLASH_SIZE || address == RECOVERY)
        longjmp(out, OUTSIDE);
    uint32_t cut = operations == cut_at, first = address / UNIT_SIZE;
    count();
    for (uint32_t unit = first; unit < first + SECTOR_SIZE / UNIT_SIZE; unit++) {
        uint32_t what = !cut ? LEAVE_NEW : cut_leaves == LEAVE_MIX ? mix() % 4 : cut_leaves;
        if (what == LEAVE_NEW)
            set(unit, UNIT_BLANK, 0xFF);
        else if (what == LEAVE_TORN)
            set(unit, UNIT_TORN, -1);
        else if (what == LEAVE_PROGRAMMED)
            set(unit, UNIT_PROGRAMMED, 0);
    }
    device.weak[address / SECTOR_SIZE] = (uint8_t)cut;
    if (cut)
        longjmp(out, CUT);
    return 0;
}

uint32_t flash_program(uint32_t address, const uint32_t *data)
{
    uint32_t sector = address & ~(SECTOR_SIZE - 1), unit = address / UNIT_SIZE;
    if (address % UNIT_SIZE || address < JOURNAL || address >= FLASH_SIZE || sector == RECOVERY)
        longjmp(out, OUTSIDE);
    uint32_t cut = operations == cut_at;
    count();
    if (!cut || cut_leaves != LEAVE_OLD) {
        if (device.unit[unit] == UNIT_BLANK && (!cut || cut_leaves == LEAVE_NEW)) {
            memcpy(device.memory + address, data, UNIT_SIZE);
            device.unit[unit] = UNIT_PROGRAMMED;
        } else {
            device.unit[unit] = UNIT_TORN;
        }
    }
    if (cut)
        longjmp(out, CUT);
    return 0;
}

uint32_t flash_read(uint32_t address, uint32_t *to, uint32_t size)
{
    if (address % 4 || size % 4 || address >= FLASH_SIZE || size > FLASH_SIZE - address)
        longjmp(out, OUTSIDE);
    for (uint32_t unit = address / UNIT_SIZE; size && unit <= (address + size - 1) / UNIT_SIZE; unit++)
        if (device.unit[unit] == UNIT_TORN)
            return 1;
    memcpy(to, device.memory + address, size);
    return 0;
}

uint32_t verify_signature(const uint8_t digest[32], const uint8_t signature[64], const uint8_t key[64])
{
    return key != public_key || authentic(digest, signature) != 0;
}

void debug_lock(void)
{
    debug_locked = 1;
}

_Noreturn void start_image(uint32_t entry, uint32_t proof)
{
    if (proof != PROOF)
        longjmp(out, PANIC);
    started_at = entry;
    longjmp(out, STARTED);
}

_Noreturn void panic(void)
{
    longjmp(out, PANIC);
}



int power_up(void)
{
    operations = started_at = debug_locked = 0;
    int how = setjmp(out);
    if (how == 0) {
        main();
        how = PANIC;
    }
    return how;
}
