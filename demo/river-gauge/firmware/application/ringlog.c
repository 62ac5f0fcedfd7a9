#include "ringlog.h"
#include "crc.h"

static uint16_t check_of(const struct ringlog_entry *entry)
{
    return crc16(0xFFFF, (const uint8_t *)entry, sizeof *entry - sizeof entry->check);
}

void ringlog_put(struct ringlog *log, struct ringlog_entry entry)
{
    entry.check = check_of(&entry);
    log->entry[log->next % RINGLOG_ENTRIES] = entry;
    log->next++;
}

/* The reading `age` places back (0: the newest); false where there is none or its check code fails. */
bool ringlog_get(const struct ringlog *log, uint32_t age, struct ringlog_entry *entry)
{
    if (age >= RINGLOG_ENTRIES || age >= log->next)
        return false;
    *entry = log->entry[(log->next - 1 - age) % RINGLOG_ENTRIES];
    return entry->check == check_of(entry);
}

/* After a reset: find the newest sound entry by its time, put `next` behind it, return how many are sound. */
unsigned ringlog_recover(struct ringlog *log)
{
    unsigned sound = 0;
    uint32_t newest = 0, at = 0;
    for (uint32_t i = 0; i < RINGLOG_ENTRIES; i++) {
        if (log->entry[i].check != check_of(&log->entry[i]) || !log->entry[i].at_s)
            continue;
        sound++;
        if (log->entry[i].at_s >= newest) {
            newest = log->entry[i].at_s;
            at = i + 1;
        }
    }
    log->next = sound ? at + (sound > at ? RINGLOG_ENTRIES : 0) : 0;
    return sound;
}
