#include "record.h"
#include "crc.h"

bool record_is_sound(const struct slot_record *record)
{
    return record->mark == RECORD_MARK && record->check == crc32((const uint8_t *)record, 48);
}

/* A torn mark counts as set: an image tried once too often is returned, which is the safe side for "tried";
 * "kept" is asked for with all words set, which is the safe side there. */
static bool is_blank(const uint32_t mark[2])
{
    return (mark[0] & mark[1]) == 0xFFFFFFFFu;
}

bool mark_is_set(const uint32_t mark[2])
{
    return (mark[0] | mark[1]) == MARK_SET;
}

bool record_may_run(const struct slot_record *record)
{
    return mark_is_set(record->kept) || is_blank(record->tried);
}

/* The record with the highest sequence number that is under `below`, not under `floor`, sound and allowed to run. */
const struct slot_record *record_newest(const struct slot_record *log, unsigned count, uint32_t below, uint32_t floor)
{
    const struct slot_record *best = 0;
    for (unsigned i = 0; i < count; i++) {
        const struct slot_record *each = &log[i];
        if (!record_is_sound(each) || each->sequence >= below || each->sequence < floor || !record_may_run(each))
            continue;
        if (!best || each->sequence >= best->sequence)
            best = each;
    }
    return best;
}

/* The first place of the log that is blank throughout, or 0. */
const struct slot_record *record_free(const struct slot_record *log, unsigned count)
{
    for (unsigned i = 0; i < count; i++) {
        const uint32_t *word = (const uint32_t *)&log[i];
        unsigned n = 0;
        while (n < sizeof *log / 4 && word[n] == 0xFFFFFFFFu)
            n++;
        if (n == sizeof *log / 4)
            return &log[i];
    }
    return 0;
}

void record_fill(struct slot_record *record, uint32_t sequence, uint32_t address, uint32_t length,
                 const uint8_t digest[32])
{
    uint32_t *word = (uint32_t *)record;
    for (unsigned i = 0; i < sizeof *record / 4; i++)
        word[i] = 0xFFFFFFFFu;
    record->mark = RECORD_MARK;
    record->sequence = sequence;
    record->address = address;
    record->length = length;
    for (unsigned i = 0; i < 32; i++)
        record->digest[i] = digest[i];
    record->check = crc32((const uint8_t *)record, 48);
}

/* The version floor: the highest value whose complement and CRC agree; each entry is four words. */
uint32_t floor_read(const uint32_t *log, unsigned count)
{
    uint32_t floor = 0;
    for (unsigned i = 0; i < count; i++, log += 4)
        if (log[1] == ~log[0] && log[2] == crc32((const uint8_t *)log, 8) && log[0] > floor)
            floor = log[0];
    return floor;
}
