#include "log.h"
#include "boot.h"
#include "flash.h"
#include "part.h"

#ifdef FLAW_SEQUENCE_WRAPS
#define NUMBER(sequence) ((sequence) & 15u) /* flaw: four bits, compared as they stand */
#else
#define NUMBER(sequence) (sequence)
#endif

struct place {
    uint32_t sector, index;
};

static uint32_t address_of(uint32_t log, uint32_t sector, uint32_t index)
{
    return log + sector * SECTOR_SIZE + index * sizeof(struct record);
}

/* CRC-32 (0x04C11DB7, reflected, inverted) of the first three words, four bits at a time: record checks are most of what
 * a boot does, and a bench runs every instruction of them many times. */
__attribute__((noinline)) uint32_t check_of(const struct record *record)
{
    static const uint32_t STEP[16] = {
        0x00000000, 0x1DB71064, 0x3B6E20C8, 0x26D930AC, 0x76DC4190, 0x6B6B51F4, 0x4DB26158, 0x5005713C,
        0xEDB88320, 0xF00F9344, 0xD6D6A3E8, 0xCB61B38C, 0x9B64C2B0, 0x86D3D2D4, 0xA00AE278, 0xBDBDF21C,
    };
    const uint32_t *word = (const uint32_t *)record;
    uint32_t crc = 0xFFFFFFFFu;
    for (uint32_t i = 0; i < 3; i++) {
        crc ^= word[i];
        for (uint32_t nibble = 0; nibble < 8; nibble++)
            crc = crc >> 4 ^ STEP[crc & 15];
    }
    return ~crc;
}

static bool is_sound(const struct record *record)
{
#ifdef FLAW_TORN_RECORD_TRUSTED
    (void)record;
    return true; /* flaw: anything that is not blank counts */
#else
    return record->check == check_of(record);
#endif
}

static bool is_blank(const struct record *record)
{
    return (record->kind & record->value & record->sequence & record->check) == 0xFFFFFFFFu;
}

static bool find_newest(uint32_t log, struct record *to, struct place *where)
{
    bool found = false;
    for (uint32_t sector = 0; sector < 2; sector++)
        for (uint32_t index = 0; index < RECORDS_PER_SECTOR; index++) {
            struct record each;
            if (flash_read(address_of(log, sector, index), (uint32_t *)&each, sizeof each))
                continue;
            if (is_blank(&each) || !is_sound(&each))
                continue;
            if (found && NUMBER(each.sequence) <= NUMBER(to->sequence))
                continue;
            *to = each;
            *where = (struct place){sector, index};
            found = true;
        }
    return found;
}

bool log_newest(uint32_t log, struct record *to)
{
    struct place where;
    return find_newest(log, to, &where);
}

static bool place_is_blank(uint32_t address)
{
    struct record there;
    return !flash_read(address, (uint32_t *)&there, sizeof there) && is_blank(&there);
}

static bool write_record(uint32_t address, const struct record *record)
{
    struct record back;
    const uint32_t *word = (const uint32_t *)record;
    for (uint32_t at = 0; at < sizeof *record; at += UNIT_SIZE)
        if (flash_program(address + at, word + at / 4))
            return false;
    if (flash_read(address, (uint32_t *)&back, sizeof back))
        return false;
    return back.kind == record->kind && back.value == record->value && back.sequence == record->sequence
        && back.check == record->check;
}

/* Append behind the newest record. Where its sector is full, the other one is erased and taken: the newest record is
 * never in danger. A place that a cut has spoilt is passed over. */
void log_append(uint32_t log, uint32_t kind, uint32_t value)
{
    struct record newest, next = {kind, value, 1, 0};
    struct place at = {1, RECORDS_PER_SECTOR - 1};
    if (find_newest(log, &newest, &at))
        next.sequence = newest.sequence + 1;
    next.check = check_of(&next);
#if defined(FLAW_FLOOR_IN_PLACE)
    if (log == FLOOR) { /* flaw: one record, erased before it is written anew */
        flash_erase(log);
        write_record(log, &next);
        return;
    }
#endif
#if defined(FLAW_ONE_SECTOR_LOG)
    uint32_t other = 0; /* flaw: a full sector is itself erased */
#else
    uint32_t other = at.sector ^ 1;
#endif
    for (uint32_t erases = 0;;) {
        if (++at.index >= RECORDS_PER_SECTOR) {
            if (++erases > 3)
                panic();
            at = (struct place){other, 0};
            flash_erase(address_of(log, other, 0));
        }
        uint32_t address = address_of(log, at.sector, at.index);
        if (place_is_blank(address) && write_record(address, &next))
            return;
    }
}

/* The record that reads as newest may be one whose writing was cut, and may read differently next time. What follows
 * relies only on records written whole. */
void log_write_again(uint32_t log)
{
    struct record newest;
    if (log_newest(log, &newest))
        log_append(log, newest.kind, newest.value);
}

uint32_t floor_read(void)
{
    struct record newest;
    return log_newest(FLOOR, &newest) && newest.kind == LEAST ? newest.value : 0;
}

void floor_raise(uint32_t version)
{
    if (floor_read() < version)
        log_append(FLOOR, LEAST, version);
}
