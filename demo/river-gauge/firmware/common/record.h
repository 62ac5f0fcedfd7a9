/* Slot records: which slot holds which image. A sector is a log of them; the newest sound one counts.
 *
 * A record is three parts of whole 8-byte program units, written in this order: the body, then the mark "tried"
 * before the first run, then the mark "kept" when the new image has reported itself good. */
#ifndef RECORD_H
#define RECORD_H
#include <stdbool.h>
#include <stdint.h>

#define RECORD_MARK 0x31474C52u /* "RLG1" */
#define MARK_SET    0x00000000u /* both words of a mark; blank is all ones, anything else is torn */

struct slot_record {
    uint32_t mark;
    uint32_t sequence; /* sequence number of the release */
    uint32_t address;
    uint32_t length;
    uint8_t digest[32];
    uint32_t check; /* CRC-32 of the 48 bytes before */
    uint32_t spare;
    uint32_t tried[2];
    uint32_t kept[2];
};

_Static_assert(sizeof(struct slot_record) == 72, "nine program units");

bool record_is_sound(const struct slot_record *record);
bool mark_is_set(const uint32_t mark[2]);
bool record_may_run(const struct slot_record *record);
const struct slot_record *record_newest(const struct slot_record *log, unsigned count, uint32_t below, uint32_t floor);
const struct slot_record *record_free(const struct slot_record *log, unsigned count);
void record_fill(struct slot_record *record, uint32_t sequence, uint32_t address, uint32_t length,
                 const uint8_t digest[32]);
uint32_t floor_read(const uint32_t *log, unsigned count);

#endif
